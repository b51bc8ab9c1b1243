"""The part of a stream that is held until it is heard, of a file in one go or of live sound in small steps."""

from collections.abc import Iterator

import numpy as np

from fluewright.arrays import Float32Array, FloatArray
from fluewright.listening.notes import HOP_S, HeardNote, ListeningSettings, notes_by_steps
from fluewright.listening.pitch import PitchTrack, pitch_of_spectra, track_pitch
from fluewright.listening.sound import Sound, SoundArray
from fluewright.listening.spectra import Hum, find_hum, frame_spectra, plan_frames
from fluewright.listening.thinning import Thinner

__all__ = ["FilePiece", "LivePiece"]


_NO_HUM = Hum(np.empty(0), np.empty(0))


class FilePiece:
    """What is held of a file: its blocks, thinned out as they come and put together when they are heard.

    Parameters
    ----------
    rate_hz : float
        Samples per second of the blocks.
    settings : ListeningSettings
    """

    longest_s = 60.0
    context_s = 0.8

    def __init__(self, rate_hz: float, settings: ListeningSettings) -> None:
        self._thinner = Thinner(rate_hz)
        self._rate_hz = self._thinner.rate_hz
        self._settings = settings
        self._blocks: list[SoundArray] = [np.empty(0)]
        self._count = 0
        self._dropped = 0

    @property
    def start_s(self) -> float:
        """Where in the stream the held sound begins, s."""
        return self._dropped / self._rate_hz

    @property
    def end_s(self) -> float:
        """Where in the stream the held sound ends, s."""
        return (self._dropped + self._count) / self._rate_hz

    def push(self, block: FloatArray) -> PitchTrack | None:
        """Take a block of shape (n,); it is not looked at before the piece is heard."""
        thinned = self._thinner.push(block)
        self._blocks.append(thinned.copy() if thinned is block else thinned)  # the giver may use its memory again
        self._count += len(thinned)
        return None

    def flush(self) -> None:
        """Let out what the thinning holds back, as if silence followed."""
        rest = self._thinner.flush()
        self._blocks.append(rest)
        self._count += len(rest)

    def hear(self) -> Iterator[list[HeardNote]]:
        """Yield the notes of what is held, times from `start_s` on; see `notes_by_steps`."""
        settings = self._settings
        sound = Sound(self._joined(), self._rate_hz)
        track = track_pitch(sound, lowest_hz=settings.lowest_hz, highest_hz=settings.highest_hz, hop_s=HOP_S)
        return notes_by_steps(sound, track, settings)

    def drop(self, until_s: float) -> None:
        """Forget what lies before a time in the stream."""
        samples = self._joined()
        count = min(max(round(until_s * self._rate_hz) - self._dropped, 0), len(samples))
        self._blocks = [samples[count:].copy()]
        self._count -= count
        self._dropped += count

    def _joined(self) -> SoundArray:
        if len(self._blocks) > 1:
            self._blocks = [np.asarray(np.concatenate(self._blocks), dtype=np.float64)]
        return self._blocks[0]


class LivePiece:
    """What is held of live sound, thinned out, with the spectrum of every frame that is complete.

    A block costs no more than its own frames. See `FilePiece` for what the two have in common.
    """

    longest_s = 2.5
    context_s = 0.2

    def __init__(self, rate_hz: float, settings: ListeningSettings) -> None:
        self._settings = settings
        self._thinner = Thinner(rate_hz)
        self._rate_hz = self._thinner.rate_hz
        # Replaced and never changed, so that a hearing may keep it.
        self._samples: SoundArray = np.empty(0)
        self._dropped = 0
        self._plan = plan_frames(self._rate_hz, lowest_hz=settings.lowest_hz, hop_s=HOP_S)
        self._spectra: list[Float32Array] = []
        self._frames = 0
        self._load()

    def _load(self) -> None:
        """Hear a note beforehand: what is loaded with the first one takes longer than a block of sound."""
        times_s = np.arange(round(0.5 * self._rate_hz)) / self._rate_hz
        hz = 2.0 * self._settings.lowest_hz
        samples = np.where(np.abs(times_s - 0.25) < 0.15, 0.1 * np.sin(2.0 * np.pi * hz * times_s), 0.0)
        for _ in self._steps(Sound(samples, self._rate_hz), list(frame_spectra(samples, self._plan))):
            pass

    @property
    def start_s(self) -> float:
        """Where in the stream the held sound begins, s."""
        return self._dropped / self._rate_hz

    @property
    def end_s(self) -> float:
        """Where in the stream the held sound ends, s."""
        return (self._dropped + len(self._samples)) / self._rate_hz

    def push(self, block: FloatArray) -> PitchTrack | None:
        """Take a block of shape (n,) and return the pitch in the frames that it completes, hum or not.

        None where it completes no frame.
        """
        self._samples = np.concatenate([self._samples, self._thinner.push(block)])
        length = len(self._plan.window)
        complete = (len(self._samples) - (length - length // 2)) // self._plan.hop + 1
        if complete <= self._frames:
            return None
        fresh = list(frame_spectra(self._samples, self._plan, first=self._frames, stop=complete))
        self._spectra += fresh
        self._frames = complete
        return self._pitch(fresh, _NO_HUM)

    def flush(self) -> None:
        """Let out what the thinning holds back, as if silence followed."""
        self._samples = np.concatenate([self._samples, self._thinner.flush()])

    def hear(self) -> Iterator[list[HeardNote]]:
        """Yield the notes of what is held now, times from `start_s` on, in steps of a few milliseconds of work."""
        sound = Sound(self._samples, self._rate_hz)
        # The last frames see silence after the end.
        spectra = [*self._spectra, *frame_spectra(sound.samples, self._plan, first=self._frames)]
        return self._steps(sound, spectra)

    def _steps(self, sound: Sound, spectra: list[Float32Array]) -> Iterator[list[HeardNote]]:
        hum = find_hum(sound, lowest_hz=self._settings.lowest_hz)
        yield []
        track = self._pitch([np.concatenate(spectra)], hum)
        yield []
        yield from notes_by_steps(sound, track, self._settings)

    def _pitch(self, spectra: list[Float32Array], hum: Hum) -> PitchTrack:
        settings = self._settings
        highest_hz = min(settings.highest_hz, 0.45 * self._rate_hz)
        return pitch_of_spectra(spectra, self._plan, lowest_hz=settings.lowest_hz, highest_hz=highest_hz, hum=hum)

    def drop(self, until_s: float) -> None:
        """Forget what lies before a time in the stream, whole frames only."""
        count = min(max(round(until_s * self._rate_hz) - self._dropped, 0), len(self._samples))
        left = frames = count // self._plan.hop
        self._samples = self._samples[frames * self._plan.hop :].copy()
        self._dropped += frames * self._plan.hop
        self._frames = max(self._frames - frames, 0)
        while left and self._spectra:
            here = self._spectra[0]
            if len(here) > left:
                self._spectra[0] = here[left:]
                return
            del self._spectra[0]
            left -= len(here)
