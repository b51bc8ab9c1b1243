"""A negative number that people read has a minus sign, in every text and title of every picture."""

import math
import re
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from picture_models import marks_for, tapered_eight_hole
from picture_reading import SVG

from fluewright.grades import Grade
from fluewright.instrument.files import validate_model
from fluewright.making.template import check_rule, template_sheets
from fluewright.pictures import NoteMark, hanging_chart, head_section, side_view, top_view
from fluewright.pictures.breath import BreathCurve, breath_chart
from fluewright.pictures.comparison import comparison_picture
from fluewright.pictures.curves import effect_bars, level_curve
from fluewright.pictures.effects import AdjustmentEffects, EffectRow, effect_picture
from fluewright.pictures.hearing import (
    NoteBox,
    SwellLine,
    attack_picture,
    cents_picture,
    spectrogram_picture,
    swell_loop,
)
from fluewright.pictures.numerals import cents_words, fixed, general, short, step_words
from fluewright.pictures.section import PLACE_NAMES, JetDrawn
from fluewright.pictures.standing import standing_wave
from fluewright.pictures.trust import trust_picture
from fluewright.pictures.voicing_trials import TrialLine, TrialMark, trial_picture


def negative():
    """Return a model in which whatever may be negative is."""
    raw = tapered_eight_hole().model_dump()
    raw["head"] |= {"edge_offset_mm": -0.4, "block_depth_mm": -0.6}
    raw["head"]["windway"]["floor_height_mm"] = -0.05
    raw["conditions"]["temperature_c"] = -5.0
    for number, hole in enumerate(raw["holes"]):
        hole["angle_deg"] = -170.0 if number == 0 else -10.0
    return validate_model(raw)


MODEL = negative()
SHORTER = validate_model({**(raw := MODEL.model_dump()), "holes": [
    {**hole, "position_mm": hole["position_mm"] - 1.0, "diameter_mm": hole["diameter_mm"] - 0.5}
    for hole in raw["holes"]
]})  # fmt: skip
FLAT = [NoteMark(m.note, m.register, -abs(m.cents) - 3.0, 2.0, m.kind, m.governing_hole) for m in marks_for(MODEL)]
FAR = [*FLAT, NoteMark("C7", 2, -431.0, 0.0, "measured", None)]
JET = JetDrawn((0.0, 2.0, 4.0), (0.0, -0.1, -0.2), (0.4, 0.5, 0.6), ((0.0, -0.2, -0.5),), "17 m/s")
BREATH = [BreathCurve("D5", 1, [100.0, 200.0, 300.0], [-40.0, -12.0, -2.0], 110.0, 290.0, 200.0)]
EFFECTS = [
    AdjustmentEffects("a", "lower the edge", [
        EffectRow("pitch", -3.2, 1.0, "cents", Grade.COMPUTED),
        EffectRow("breath", -0.4, 30.0, "%", Grade.MEASURED_HERE),
        EffectRow("level", -12.0, 1.0, "dB", Grade.COMPUTED), EffectRow("hiss", -1.0, 0.0, "dB", Grade.PRACTICE),
    ]),
]  # fmt: skip
HEARD = [NoteBox("D5", 0.1, 0.5, 587.0, -12.34, 2.0), NoteBox("E5", 0.6, 1.2, 659.0, -7.7, 1.0)]
TRIALS = [
    TrialMark("D5", 1, quantity, value * (1.2 if new else 1.0), 0.5, new)
    for quantity, value in (
        ("lowest_pa", 100.0), ("comfortable_pa", 200.0), ("jump_pa", 300.0), ("cents", -7.0), ("hiss_db", -30.0),
        ("level_db", -6.0), ("cents_per_doubling", -4.0),
    )
    for new in (True, False)
]  # fmt: skip
LINES = [TrialLine("D5", 1, [(100.0, -120.0), (200.0, -10.0), (300.0, 5.0)], True)]
WAVE = ([0.0, 200.0, MODEL.length_mm], [1.0, -0.5, 0.0], [0.0, -1.0, 1.0])

PICTURES = {
    "chart": lambda: hanging_chart(MODEL, FAR),
    "top": lambda: top_view(MODEL),
    "side": lambda: side_view(MODEL),
    "head": lambda: head_section(MODEL, jet=JET),
    **{f"control, {place}": lambda p=place: head_section(MODEL, control=True, chosen=p, jet=JET)
       for place in PLACE_NAMES},
    "comparison": lambda: comparison_picture(MODEL, SHORTER, FLAT, [NoteMark(m.note, m.register, m.cents - 5.0, 1.0,
                                             m.kind, None) for m in FLAT]),
    "wave": lambda: standing_wave(MODEL, *WAVE, title="wave", holes=[0, 1, 2, 0, 1, 2, 0, 1]),
    "breath": lambda: breath_chart(BREATH, title="breath"),
    "level": lambda: level_curve([-200.0, 0.0, 300.0], [-62.0, -10.0, 3.0], title="level"),
    "bars": lambda: effect_bars(["hole 1 diameter"], [[-1.25, 0.5]], ["D5", "E5"], title="bars"),
    "effects": lambda: effect_picture(EFFECTS, title="edge"),
    "spectrogram": lambda: spectrogram_picture(
        np.linspace(-80.0, 0.0, 200).reshape(10, 20), top_hz=2000.0, start_s=-1.2, end_s=2.0, title="s", notes=HEARD
    ),
    "cents": lambda: cents_picture([*HEARD, NoteBox("F5", -0.2, 0.1, 700.0, -0.02, 1.0)], title="c"),
    "swell": lambda: swell_loop(
        [SwellLine([-30.0, -20.0, -10.0], [-20.0, 10.0, 20.0], True)], [(-15.25, 10.0, -300.0, False)], title="s",
        over="level, dB",
    ),
    "attack": lambda: attack_picture(
        np.sin(np.arange(4000) / 9.0), 44100.0, start_s=0.0, onset_s=0.05, title="a", marks=[(-20.0, "noise")]
    ),
    "trust": lambda: trust_picture([0.1, 0.5, 0.9], [0.2, math.nan, 0.8], count=40),
    "trials": lambda: trial_picture(LINES, TRIALS, title="t"),
    **{f"template {n}": lambda n=n: template_sheets(MODEL)[n].svg for n in range(len(template_sheets(MODEL)))},
    "rule": check_rule,
}  # fmt: skip
WITH_NEGATIVES = set(PICTURES) - {"trust", "rule", "wave"}


def read_by_people(svg):
    return [e.text or "" for e in ET.fromstring(svg).iter() if e.tag in (f"{SVG}text", f"{SVG}title")]


@pytest.mark.parametrize("picture", PICTURES)
def test_no_number_has_a_hyphen_for_its_sign(picture):
    said = read_by_people(PICTURES[picture]())
    assert [text for text in said if re.search(r"-\.?\d", text.replace("f4-taper", ""))] == []
    # And there is a negative number to be seen, or the picture tells nothing of signs.
    assert (picture not in WITH_NEGATIVES) == (not any("\u2212" in text for text in said))


def test_nothing_is_printed_as_a_negative_nought():
    assert [f(-0.001) for f in (fixed, short)] == ["0.00", "0"]
    assert [cents_words(v) for v in (-0.04, 0.0, -0.05001, -99.96, 431.2)] == [
        "0.0",
        "0.0",
        "\u22120.1",
        "\u2212100",
        "+431",
    ]
    assert [general(v) for v in (-0.0, -12.5, 1e-5)] == ["0", "\u221212.5", "1e\u221205"]
    assert [step_words(v) for v in (-10.0, 0.0, 2.5)] == ["\u221210", "0", "+2.5"]
    assert [fixed(v) for v in (-12.34, 7.0)] == ["\u221212.34", "7.00"]
    assert [short(v) for v in (120.0, -0.3, 100.25)] == ["120", "\u22120.3", "100.25"]
