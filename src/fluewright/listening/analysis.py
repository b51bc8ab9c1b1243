"""One recording, analysed once: the thinned sound, hum and pitch, and from them notes, tones, swells and pictures."""

from functools import cached_property

from fluewright.listening.breath_log import BreathLog, align_log
from fluewright.listening.loudness import Loudness, measure_loudness
from fluewright.listening.note_tones import NoteTone, measure_tones
from fluewright.listening.notes import HOP_S, Hearing, ListeningSettings, check_rate, find_notes
from fluewright.listening.pitch import PitchTrack, track_pitch
from fluewright.listening.recordings import Recording
from fluewright.listening.sound import Sound
from fluewright.listening.spectra import Hum, find_hum
from fluewright.listening.spectrogram import Spectrogram, spectrogram
from fluewright.listening.swells import Registers, Swell, follow_registers, swell_of
from fluewright.listening.thinning import thin_out

__all__ = ["Analysis", "hear_notes"]


class Analysis:
    """All that a recording tells, each part computed when it is first asked for, and once.

    What is held beside the recording is small (a few numbers for every 10 ms), but for the thinned sound, which is the
    recording's own unless that has 88.2 kHz or more.

    Parameters
    ----------
    recording : Recording
        From `read_recording`.
    settings : ListeningSettings, optional
        What counts as a note.

    Raises
    ------
    RecordingError
        The sample rate is too low for the range of pitches.
    """

    def __init__(self, recording: Recording, *, settings: ListeningSettings | None = None) -> None:
        self.recording = recording
        self.settings = settings or ListeningSettings()
        check_rate(recording.rate_hz, self.settings)

    @cached_property
    def sound(self) -> Sound:
        """The sound at a rate under 88.2 kHz: all but loudness is measured in it."""
        return thin_out(self.recording)

    @cached_property
    def hum(self) -> Hum:
        """Mains hum, which is looked past."""
        return find_hum(self.sound, lowest_hz=self.settings.lowest_hz)

    @cached_property
    def track(self) -> PitchTrack:
        """The pitch every 10 ms."""
        return track_pitch(
            self.sound,
            lowest_hz=self.settings.lowest_hz,
            highest_hz=self.settings.highest_hz,
            hop_s=HOP_S,
            hum=self.hum,
        )

    @cached_property
    def hearing(self) -> Hearing:
        """The notes; the recording's warnings are passed on, and where no note was heard one says why."""
        with_hum = len(self.hum.lines_hz) > 0
        found = find_notes(self.sound, self.track, self.settings, with_hum=with_hum)
        return Hearing(found.notes, (*self.recording.warnings, *found.warnings))

    @cached_property
    def tones(self) -> tuple[NoteTone, ...]:
        """Start and tone of every note, in their order."""
        return measure_tones(self.sound, self.hearing.notes)

    @cached_property
    def registers(self) -> Registers:
        """What of slow swells does not depend on breath.

        Raises
        ------
        RecordingError
            Nothing with a pitch sounds.
        """
        return follow_registers(self.sound, self.track, clear_db=self.settings.clear_db)

    @cached_property
    def _by_level(self) -> Swell:
        return swell_of(self.registers, warnings=self.recording.warnings)

    def swell(self, log: BreathLog | None = None) -> Swell:
        """Return pitch, level and register through slow swells, beside a breath log where there is one.

        Parameters
        ----------
        log : BreathLog, optional
            On the recording's clock (`aligned`).

        Raises
        ------
        RecordingError
            Nothing with a pitch sounds.
        """
        return self._by_level if log is None else swell_of(self.registers, log, warnings=self.recording.warnings)

    def aligned(self, log: BreathLog) -> tuple[BreathLog, float, float]:
        """Return a breath log on the recording's clock, its shift in s and the correlation; see `align_log`.

        Raises
        ------
        RecordingError
            Sound and log do not belong together.
        """
        return align_log(log, self.track.times_s, self.track.level_db)

    @cached_property
    def loudness(self) -> Loudness:
        """The loudness of the recording at its own rate."""
        return measure_loudness(self.recording.samples, self.recording.rate_hz)

    @cached_property
    def spectrogram(self) -> Spectrogram:
        """The table behind a picture of all of it."""
        return spectrogram(self.sound)


def hear_notes(recording: Recording, *, settings: ListeningSettings | None = None) -> Hearing:
    """Find the notes in a recording of one instrument that plays one note at a time.

    Parameters
    ----------
    recording : Recording
        From `read_recording`.
    settings : ListeningSettings, optional
        What counts as a note.

    Returns
    -------
    Hearing
        The recording's warnings are passed on; where no note was heard a warning says why. For more than the notes make
        an `Analysis`.

    Raises
    ------
    RecordingError
        The sample rate is too low for the range of pitches.
    """
    return Analysis(recording, settings=settings).hearing
