"""The model when blown: what breath every note needs, how its pitch follows breath, where it jumps and falls back."""

from collections.abc import Collection
from dataclasses import dataclass

from fluewright.acoustics.breath_need import BreathNeed, breath_curve, octave_widths
from fluewright.acoustics.network import build_network
from fluewright.acoustics.sounding import Blown, NoteBreath, find_jumps
from fluewright.acoustics.sounding import blow as blow_network
from fluewright.face.drawing import Picture, Pictured
from fluewright.face.picking import NotesByName
from fluewright.face.records import Record, RecordTable, Tabular, plain
from fluewright.instrument.model import Model
from fluewright.pictures.palette import Theme
from fluewright.shop.result_pictures import breath_picture

__all__ = ["BlownNotes", "blow", "blown_model"]


@dataclass(frozen=True, repr=False, kw_only=True)
class BlownNotes(Tabular, Pictured, NotesByName):
    """Every note of a model against breath.

    Attributes
    ----------
    blown : Blown
        As `acoustics.sounding` returned it.
    """

    blown: Blown

    @property
    def model(self) -> Model:
        """The model that was blown."""
        return self.blown.network.model

    @property
    def notes(self) -> tuple[NoteBreath, ...]:
        """Every fingering, registers from below, notes from low to high."""
        return self.blown.notes

    @property
    def warnings(self) -> tuple[str, ...]:
        """What is odd about the head or a note."""
        return self.blown.warnings

    @property
    def breath(self) -> BreathNeed:
        """The breath that plays all notes in tune, how even it is, and which notes are in danger."""
        return breath_curve(self.blown)

    def octaves(self) -> RecordTable:
        """Return how much wider than an octave each pair on one fingering is at the planned breaths, cents."""
        return RecordTable(
            f"{self.model.model.name}: octaves",
            tuple({"low": a, "high": b, "cents": plain(width)} for a, b, width in octave_widths(self.blown)),
        )

    def curve(self, note: str, register: int | None = None) -> RecordTable:
        """Return one note over rising breath: Pa, Hz, cents from its target, dB at 1 m.

        Raises
        ------
        InputError
            The model has no such note.
        """
        one = self.note(note, register)
        b = one.branch
        rows = zip(b.pressures_pa.tolist(), b.frequencies_hz.tolist(), b.levels_db.tolist(), strict=True)
        return RecordTable(
            f"{self.model.model.name}: {one.note} (register {one.register}) over breath",
            tuple({"breath_pa": p, "frequency_hz": plain(hz), "level_db": plain(db)} for p, hz, db in rows),
        )

    def records(self) -> list[Record]:
        """Return one dict a fingering: breaths in Pa, cents and level at the planned breath; None where there is none.

        `holds_from_pa`, `jumps_at_pa` and `falls_back_pa` need the jumps (`blow(model)` finds them by default).
        """
        return [
            {
                "note": n.note, "register": n.register, "fingering": n.fingering.text, "target_hz": n.target_hz,
                "starts_pa": plain(n.onset_pa), "holds_from_pa": plain(n.lowest_pa),
                "jumps_at_pa": plain(n.highest_pa), "falls_back_pa": plain(n.fall_back_pa),
                "in_tune_pa": plain(n.in_tune_pa), "planned_pa": n.planned_pa,
                "planned_cents": plain(n.planned_cents), "level_db": plain(n.level_db_at(n.planned_pa)),
                "flow_l_per_min": plain(n.flow_l_per_min),
            }
            for n in self.notes
        ]  # fmt: skip

    def _headline(self) -> str:
        low, need = self.notes[0], self.breath
        risk = f"; at risk of breaking up: {', '.join(need.at_risk)}" if need.at_risk else ""
        hard = f"; hard to reach: {', '.join(need.hard_to_reach)}" if need.hard_to_reach else ""
        return (
            f"{self.model.model.name} blown: {len(self.notes)} fingerings, {low.note} planned at {low.planned_pa:.0f} "
            f"Pa{risk}{hard}"
        )

    def picture(self, *, notes: Collection[str] = (), theme: Theme = "light") -> Picture:
        """Return pitch against breath, one row a note name.

        Parameters
        ----------
        notes : collection of str
            Names of notes to draw; none: all.
        theme : {"light", "dark", "paper"}

        Raises
        ------
        InputError
            None of them sounds.
        """
        shown = [n for n in self.notes if not notes or n.note in notes]
        return Picture(
            f"{self.model.model.name}: pitch against breath", breath_picture(self.blown, shown, theme=theme)
        )  # fmt: skip


def blown_model(model: Model, *, jumps: bool = True) -> Blown:
    """Return a model blown.

    Raises
    ------
    InputError, ComputeError
        As `blow`.
    """
    blown = blow_network(build_network(model))
    blown.check_sounds(model.model.name)
    return find_jumps(blown) if jumps else blown


def blow(model: Model, *, jumps: bool = True) -> BlownNotes:
    """Say what breath every note needs, how its pitch follows breath, and where it jumps and falls back.

    Parameters
    ----------
    model : Model
    jumps : bool
        Find where registers jump and fall back; without it is faster.

    Raises
    ------
    InputError
        The head cannot sound.
    ComputeError
        A fingering has no resonance.
    """
    return BlownNotes(blown=blown_model(model, jumps=jumps))
