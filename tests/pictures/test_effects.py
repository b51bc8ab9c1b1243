"""What pressing a place shows: bars to one scale a unit, habit as a direction, everything told in words."""

from dataclasses import replace

import pytest
from picture_reading import SVG, assert_readable, groups_of, page_of, texts_of

from fluewright.errors import InputError
from fluewright.grades import Grade
from fluewright.pictures.effects import AdjustmentEffects, EffectRow, effect_picture
from fluewright.pictures.palette import contrast_ratio, palette_for

LONGER = AdjustmentEffects(
    "window-longer", "cut the edge back: window longer by 0.1 mm",
    (
        EffectRow("pitch, register 1", 4.0, 1.0, "cents", Grade.COMPUTED),
        EffectRow("pitch, register 2", -2.0, 0.5, "cents", Grade.MEASURED_HERE),
        EffectRow("least breath, register 1", 12.0, 3.0, "%", Grade.COMPUTED),
        EffectRow("breath at which the lowest note jumps", -0.4, 60.0, "%", Grade.COMPUTED),
        EffectRow("air used", 0.0, 0.0, "%", Grade.COMPUTED),
        EffectRow("hiss against tone", 1.0, 0.0, "dB", Grade.PRACTICE),
    ),
    caution="never twice without replaying the top notes",
)  # fmt: skip
BACK = AdjustmentEffects(
    "block-back", "block back by 0.1 mm",
    (
        EffectRow("pitch, register 1", -8.0, 2.0, "cents", Grade.COMPUTED),
        EffectRow("hiss against tone", 0.0, 0.0, "dB", Grade.PRACTICE),
        EffectRow("speed of the attack", -1.0, 0.0, "%", Grade.PRACTICE),
    ),
    undo="push the block forward",
)  # fmt: skip


def bars_of(svg, key):
    """Return (quantity, left, right, fill, stroke) of an adjustment's bars, mm."""
    (group,) = groups_of(page_of(svg)[0], class_="adjustment", data_adjustment=key)
    found = []
    for row in groups_of(group, class_="effect"):
        for bar in row.iter(f"{SVG}polygon"):
            xs = [float(p.split(",")[0]) for p in bar.get("points").split()]
            if len(xs) == 4:
                found.append((row.get("data-quantity"), min(xs), max(xs), bar.get("fill"), bar.get("stroke")))
    return found


@pytest.mark.parametrize("theme", ["light", "dark", "paper"])
@pytest.mark.parametrize("width", [85.0, 110.0, 180.0, 280.0])
def test_every_row_tells_its_number_unit_and_evidence(theme, width):
    svg = effect_picture([LONGER, BACK], title="edge", theme=theme, width_mm=width)
    texts = texts_of(svg)
    for told in ("+4.0 ± 1.0 cents", "−2.0 ± 0.5 cents", "+12 ± 3 %", "0 ± 60 %", "0 %", "−8.0 ± 2.0 cents",
                 "more", "no change", "less", "computed", "practice", "measured here", "cannot be undone"):  # fmt: skip
        assert any(told in text for text in texts), told
    assert "breath at which the lowest note jumps" in texts
    assert "undone: push the block forward" in texts
    assert_readable(svg)


def test_bars_go_from_zero_to_one_scale_of_each_unit():
    svg = effect_picture([LONGER, BACK], title="edge")
    first, second, breath, *_ = bars_of(svg, "window-longer")
    (third,) = bars_of(svg, "block-back")
    zero = first[1]
    assert second[2] == third[2] == breath[1] == zero
    cents = (first[2] - zero) / 4.0
    assert (zero - second[1]) / 2.0 == pytest.approx(cents, rel=1e-3)
    assert (zero - third[1]) / 8.0 == pytest.approx(cents, rel=1e-3)
    # The ends of the scale: 10 cents (8 and its uncertainty), 15 % (12 and its own).
    assert 10.0 * cents == pytest.approx(15.0 * (breath[2] - zero) / 12.0, rel=1e-3)
    assert "10 cents, 15 %" in " ".join(texts_of(svg))


def test_an_uncertainty_beyond_the_scale_ends_in_arrows_within_it():
    svg = effect_picture([LONGER], title="edge")
    (group,) = groups_of(page_of(svg)[0], class_="effect", data_quantity="breath at which the lowest note jumps")
    arrows = [e for e in group.iter(f"{SVG}polyline")]
    assert len(arrows) == 2
    tips = sorted(float(e.get("points").split()[1].split(",")[0]) for e in arrows)
    (ends,) = {
        tuple(sorted(float(e.get("x1")) for e in page_of(svg)[0].iter(f"{SVG}line") if e.get("stroke-dasharray")))
    }
    assert tips == pytest.approx([ends[0], ends[-1]], abs=1e-3)
    whole = effect_picture([replace(LONGER, rows=LONGER.rows[:3])], title="edge")
    assert not list(page_of(whole)[0].iter(f"{SVG}polyline"))


def test_computed_bars_are_filled_and_measured_ones_outlined():
    palette = palette_for("light")
    bars = {
        name: (fill, stroke)
        for name, _, _, fill, stroke in bars_of(effect_picture([LONGER], title="t"), "window-longer")
    }
    assert bars["pitch, register 1"][0] == palette.register_1_text
    assert bars["pitch, register 2"] == (palette.ground, palette.register_1_text)


def test_practice_has_an_arrow_and_no_size():
    svg = effect_picture([LONGER, BACK], title="t")
    root, *_ = page_of(svg)
    tips = {}
    for row in groups_of(root, class_="effect", data_evidence="practice"):
        shapes = list(row.iter(f"{SVG}polygon"))
        tips[row.get("data-quantity"), len(shapes)] = [
            [float(p.split(",")[0]) for p in shape.get("points").split()] for shape in shapes
        ]
        assert not any(any(c.isdigit() for c in text.text) for text in list(row.iter(f"{SVG}text"))[1:])
    ((root_x, tip, _),) = tips["hiss against tone", 1]
    assert tip > root_x
    ((root_x, tip, _),) = tips["speed of the attack", 1]
    assert tip < root_x
    assert ("hiss against tone", 0) in tips
    assert "arrow: practice, a direction without a size" in " ".join(texts_of(svg))


def test_small_effects_do_not_look_large():
    tiny = AdjustmentEffects("a", "a", (EffectRow("loudness", 0.02, 0.01, "dB", Grade.COMPUTED),))
    ((_, left, right, *_),) = bars_of(effect_picture([tiny], title="t"), "a")
    assert right - left < 1.0


def test_what_cannot_be_made_says_why():
    svg = effect_picture(
        [AdjustmentEffects("a", "lower the roof", (), reason="the windway is as good as closed")], title="t"
    )
    assert "not on this head: the windway is as good as closed" in texts_of(svg)
    assert not groups_of(page_of(svg)[0], class_="effect")
    assert_readable(svg)


@pytest.mark.parametrize("theme", ["light", "dark", "paper"])
def test_bars_stand_out(theme):
    palette = palette_for(theme)
    for colour in (palette.register_1_text, palette.ink_text):
        assert contrast_ratio(colour, palette.ground) >= 4.5


def test_what_cannot_be_drawn_is_refused():
    with pytest.raises(InputError, match="at least one"):
        effect_picture([], title="t")
    with pytest.raises(InputError, match="no size"):
        EffectRow("hiss", 0.4, 0.0, "dB", Grade.PRACTICE)
    with pytest.raises(InputError, match="use one of"):
        EffectRow("hiss", 0.4, 0.0, "dB", "guessed")
    for value, uncertainty in ((float("nan"), 0.0), (1.0, -1.0), (1.0, float("inf"))):
        with pytest.raises(InputError, match="cannot be drawn"):
            EffectRow("hiss", value, uncertainty, "dB", Grade.COMPUTED)
