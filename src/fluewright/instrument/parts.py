"""Says what the parts of an instrument are: every size, target, fingering and limit, each in its own range.

Whether the parts make an instrument together is judged in `faults`; a `model.Model` has passed that.
"""

from functools import cached_property
from typing import Annotated, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StringConstraints

from fluewright.instrument.pitch import note_to_midi, pitch_class
from fluewright.plain_text import has_controls, one_line

__all__ = [
    "FINGER_SPANS",
    "About",
    "Bore",
    "Breath",
    "Chamfer",
    "Conditions",
    "Head",
    "Hole",
    "Limits",
    "Parts",
    "Player",
    "Reach",
    "Target",
    "Undercut",
    "Windway",
]


def _harmless(text: str) -> str:
    if has_controls(text):
        raise ValueError(
            f'"{one_line(text, 60)}" holds a character that a terminal or a page would obey, not show; take it out'
        )
    return text


def _known_note(text: str) -> str:
    note_to_midi(text)
    return text


def _known_note_or_class(text: str) -> str:
    pitch_class(text)
    return text


def _known_class_or_none(text: str) -> str:
    if text:
        pitch_class(text)
    return text


def _nothing_below_a_nanometre(length_mm: float) -> float:
    """Return 0 for what no tool makes: squares of such lengths vanish in a float and would leave no number behind."""
    return length_mm if length_mm >= 1e-6 else 0.0


# Strict, so that a quoted number or true/false in a file is a fault and not a size; a whole number is taken.
_Real = Annotated[float, Field(strict=True, allow_inf_nan=False)]
_Length = Annotated[_Real, Field(ge=0.0, le=5000.0), AfterValidator(_nothing_below_a_nanometre)]
_Size = Annotated[_Real, Field(ge=0.001, le=5000.0)]
_Place = Annotated[_Real, Field(ge=-5000.0, le=5000.0)]
_Station = tuple[_Place, _Size]
_SlopeAngle = Annotated[_Real, Field(ge=0.1, lt=90.0)]
_Pressure = Annotated[_Real, Field(ge=0.1, le=20_000.0)]
_Note = Annotated[str, AfterValidator(_known_note)]
_NoteOrClass = Annotated[str, AfterValidator(_known_note_or_class)]
_ClassOrNone = Annotated[str, AfterValidator(_known_class_or_none)]
_Name = Annotated[
    str, StringConstraints(min_length=1, max_length=80, pattern=r"^\S(.*\S)?$"), AfterValidator(_harmless)
]
_Text = Annotated[str, StringConstraints(max_length=10_000), AfterValidator(_harmless)]
_RegisterKey = Annotated[str, StringConstraints(pattern=r"^register_[1-9]$")]


class _Part(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class About(_Part):
    """What the model is called, its lowest note and material, and where it came from."""

    name: _Name
    description: _Text = ""
    lowest_note: _Note
    material: _Text = ""
    lineage: _Text = ""


class Conditions(_Part):
    """The air in the room at which the target holds, and how warm breath makes the bore.

    ``breath_temperature_c`` is the air's temperature at the windway exit while playing; it falls towards the room's
    along the bore with ``cooling_length_mm`` (0.1 to 0.3 m for a played recorder: an estimate, no source). Without
    it the whole bore has the room's temperature.
    """

    temperature_c: Annotated[_Real, Field(ge=-20.0, le=60.0)] = 20.0
    relative_humidity: Annotated[_Real, Field(ge=0.0, le=1.0)] = 0.5
    co2_fraction: Annotated[_Real, Field(ge=0.0, le=0.1)] = 0.0004
    pressure_pa: Annotated[_Real, Field(ge=50_000.0, le=120_000.0)] = 101_325.0
    breath_temperature_c: Annotated[_Real, Field(ge=-20.0, le=60.0)] | None = None
    cooling_length_mm: Annotated[_Real, Field(ge=10.0, le=5000.0)] = 150.0


class Breath(_Part):
    """The player's breath: p = lowest_note_pa (f/f_lowest)^exponent, or a note's own pressure."""

    lowest_note_pa: _Pressure = 150.0
    exponent: Annotated[_Real, Field(ge=0.0, le=4.0)] = 1.3
    notes_pa: dict[_Note, _Pressure] = Field(default_factory=dict)


class Target(_Part):
    """The pitch that every note should reach, and how near.

    ``offsets_cents`` (by note or pitch class) are added to the temperament; ``tonic`` is the pitch class of the just
    one (empty: that of the lowest note); ``register_weights`` say how much a cent off counts in register 1, 2, ...
    """

    a4_hz: Annotated[_Real, Field(ge=300.0, le=600.0)] = 440.0
    temperament: Literal["equal", "just"] = "equal"
    tonic: _ClassOrNone = ""
    offsets_cents: dict[_NoteOrClass, Annotated[_Real, Field(ge=-200.0, le=200.0)]] = Field(default_factory=dict)
    breath: Breath = Field(default_factory=Breath)
    tolerance_cents: Annotated[_Real, Field(ge=0.01, le=100.0)] = 5.0
    register_weights: Annotated[tuple[Annotated[_Real, Field(ge=0.0)], ...], Field(min_length=1)] = (1.0, 0.5)


_STATIONS = (
    "[x, diameter] in mm from head to foot, diameters {}. x grows from station to station; exactly two stations with "
    "the same x, not at the ends, are a step in diameter. A change within less than 0.05 mm is written as a step."
)


class Bore(_Part):
    """Inside and outside profile: [x, diameter] points joined by straight lines, from head to foot.

    Two points with the same x are a step in diameter, as at a joint: the diameter before it, then the one behind it.
    """

    stations_mm: Annotated[
        tuple[_Station, ...], Field(min_length=2, max_length=500, description=_STATIONS.format("2 to 100"))
    ]
    outside_mm: Annotated[
        tuple[_Station, ...], Field(min_length=2, max_length=500, description=_STATIONS.format("larger than the bore"))
    ]
    wall_loss_factor: Annotated[_Real, Field(ge=0.1, le=10.0)] = 1.0


class Windway(_Part):
    """The slit for the breath; ``floor_height_mm`` is its floor at the exit above the bore's top line."""

    length_mm: _Size
    width_mm: _Size
    entry_height_mm: _Size
    exit_height_mm: _Size
    entry_flare_mm: _Length = 0.0
    floor_height_mm: Annotated[_Real, Field(ge=-20.0, le=20.0)] = 0.0


class Chamfer(_Part):
    """A flat at the windway exit: its length along the flat and its angle to the floor or roof; 0 = none."""

    length_mm: _Length = 0.0
    angle_deg: _SlopeAngle = 45.0


class Head(_Part):
    """Window, edge, ramp, ears, block and windway.

    ``window_length_mm`` runs from the exit plane to the edge. ``edge_offset_mm`` is how far the edge stands outside the
    middle line of the windway's exit (negative: nearer the bore). ``block_depth_mm`` is how far the block's face stands
    beyond the exit plane, under the window (negative: behind it). ``ear_height_mm`` is the height of the window's two
    side walls over the top of the edge; left out, they are as high as the body's wall leaves them.
    """

    window_length_mm: _Size
    window_width_mm: _Size
    ramp_angle_deg: _SlopeAngle = 15.0
    ear_height_mm: _Length | None = None
    edge_offset_mm: Annotated[_Real, Field(ge=-20.0, le=20.0)] = -0.4
    block_depth_mm: Annotated[_Real, Field(ge=-100.0, le=100.0)] = 0.0
    windway: Windway
    upper_chamfer: Chamfer = Field(default_factory=Chamfer)
    lower_chamfer: Chamfer = Field(default_factory=Chamfer)
    broken_edge_mm: _Length = 0.1


class Undercut(_Part):
    """How far a hole is widened at the bore: all round, and more toward the head or the foot."""

    all_round_mm: _Length = 0.0
    upstream_mm: _Length = 0.0
    downstream_mm: _Length = 0.0
    angle_deg: _SlopeAngle = 35.0


class Hole(_Part):
    """One tone hole; ``angle_deg`` is 0 on the window's side and 180 for the thumb.

    ``diameter_mm`` is the width at the middle of the wall. A waisted cutter opens both ends of the hole's wall:
    ``waist_mm`` says by how much, on the radius; 0 leaves the wall straight.
    """

    name: _Name
    position_mm: _Place
    angle_deg: Annotated[_Real, Field(ge=-360.0, le=360.0)] = 0.0
    diameter_mm: _Size
    outer_round_mm: _Length = 0.0
    inner_chamfer_mm: _Length = 0.0
    waist_mm: _Length = 0.0
    undercut: Undercut = Field(default_factory=Undercut)
    finger: Literal[
        "",
        "left thumb",
        "left index",
        "left middle",
        "left ring",
        "left little",
        "right thumb",
        "right index",
        "right middle",
        "right ring",
        "right little",
    ] = ""
    min_diameter_mm: _Size | None = None
    max_diameter_mm: _Size | None = None
    min_position_mm: _Place | None = None
    max_position_mm: _Place | None = None


class Player(_Part):
    """How far a pad bulges into a closed hole (in hole radii; 0 = flat cap), and what half open is."""

    finger_bulge: Annotated[_Real, Field(ge=0.0, le=1.0)] = 0.25
    half_open_fraction: Annotated[_Real, Field(gt=0.0, lt=1.0)] = 0.5


class Reach(_Part):
    """Greatest comfortable distances between hole centres, mean adult (docs/trade/hands.md#reach)."""

    index_middle: _Size = 29.0
    middle_ring: _Size = 27.0
    ring_little: _Size = 32.0
    three_fingers: _Size = 56.0
    between_hands_least: _Length = 22.0


FINGER_SPANS = (
    ("index", "middle", "index_middle"),
    ("middle", "ring", "middle_ring"),
    ("ring", "little", "ring_little"),
    ("index", "ring", "three_fingers"),
)
"""(Finger, finger, the key of their reach in `Reach`), one hand's."""


class Limits(_Part):
    """What a fit, a hand and the shelf allow.

    ``fixed`` lists keys that a fit must leave: ``"head.window_length_mm"``, ``"bore"``, or for holes by name
    ``"holes.3.position_mm"`` and, for every hole, ``"holes.*.diameter_mm"``.
    """

    reach_mm: Reach = Field(default_factory=Reach)
    largest_hole_mm: _Size = 10.0
    smallest_hole_mm: _Size = 3.0
    smallest_web_mm: _Length = 2.5
    foot_margin_mm: _Length = 4.0
    length_min_mm: _Size | None = None
    length_max_mm: _Size | None = None
    drills_mm: tuple[_Size, ...] = ()
    reamers_mm: tuple[_Size, ...] = ()
    fixed: tuple[str, ...] = ()


class Parts(_Part):
    """All the parts that one TOML file holds, each in its own range."""

    format: Literal["fluewright-model/1"] = "fluewright-model/1"
    model: About
    conditions: Conditions = Field(default_factory=Conditions)
    target: Target = Field(default_factory=Target)
    bore: Bore
    head: Head
    holes: Annotated[tuple[Hole, ...], Field(max_length=24)] = ()
    player: Player = Field(default_factory=Player)
    fingerings: dict[_RegisterKey, dict[_Note, str | Annotated[tuple[str, ...], Field(min_length=1)]]]
    limits: Limits = Field(default_factory=Limits)

    @cached_property
    def length_mm(self) -> float:
        """The foot end: the x of the last bore station, in mm from the windway exit plane."""
        return float(self.bore.stations_mm[-1][0])
