"""The head's section as a control: every place can be pressed, sizes are dragged to scale, the chosen one is marked."""

import math
import random

import pytest
from picture_models import large_flute, tapered_eight_hole, whistle
from picture_reading import SVG, assert_readable, free_squares_mm, groups_of, page_of, texts_of

from fluewright.errors import InputError
from fluewright.instrument.files import validate_model
from fluewright.instrument.starting import load, starting_models
from fluewright.pictures.palette import contrast_ratio, palette_for
from fluewright.pictures.section import PLACE_NAMES, head_section


def with_head(model, **changes):
    """Return a model with a changed head; windway_... changes the windway."""
    raw = model.model_dump()
    for key, value in changes.items():
        part, last = (raw["head"]["windway"], key.removeprefix("windway_")) if "windway_" in key else (raw["head"], key)
        part[last] = value
    return validate_model(raw)


def resized(model, factor):
    """Return a model's head on a body of another size, without holes."""
    raw = model.model_dump()
    for key in ("stations_mm", "outside_mm"):
        raw["bore"][key] = [(factor * x, factor * d) for x, d in raw["bore"][key]]
    head = raw["head"]
    for part, keys in (
        (head, ("window_length_mm", "window_width_mm", "edge_offset_mm")),
        (head["windway"], ("length_mm", "width_mm", "entry_height_mm", "exit_height_mm")),
        (head["upper_chamfer"], ("length_mm",)), (head["lower_chamfer"], ("length_mm",)),
    ):  # fmt: skip
        for key in keys:
            part[key] *= factor
    raw["holes"], raw["fingerings"] = [], {"register_1": {"D5": ""}}
    return validate_model(raw)


NO_CHAMFERS = {"upper_chamfer": {"length_mm": 0.0}, "lower_chamfer": {"length_mm": 0.0, "angle_deg": 30.0}}
D5 = load("d5-cylinder")
HEADS = {
    **{name: load(name) for name in starting_models()},
    "whistle": whistle(), "eight": tapered_eight_hole(), "large": large_flute(),
    "no chamfers": with_head(D5, **NO_CHAMFERS),
    "block deep": with_head(D5, block_depth_mm=2.2),
    "block very deep": with_head(D5, block_depth_mm=4.0, ear_height_mm=0.3),
    "block back": with_head(load("f4-taper"), block_depth_mm=-3.0),
    "low ears": with_head(D5, ear_height_mm=0.0),
    "short windway": with_head(D5, windway_length_mm=6.0),
    "tiny": resized(D5, 0.4), "huge": resized(D5, 3.0),
}  # fmt: skip


@pytest.mark.parametrize("width", [90.0, 180.0, 260.0])
@pytest.mark.parametrize("name", HEADS)
def test_every_place_has_seven_millimetres_of_its_own(name, width):
    """A square of 7 mm, less the grid's step, in which no other place lies over it."""
    svg = head_section(HEADS[name], control=True, width_mm=width)
    free = free_squares_mm(svg)
    assert set(free) == set(PLACE_NAMES)
    assert {place: side for place, side in free.items() if side < 7.0 - 0.25} == {}
    assert_readable(svg)


def test_every_place_has_room_on_heads_by_chance():
    rng = random.Random(4)
    for _ in range(25):
        model = load(rng.choice(sorted(starting_models())))
        window = model.head.window_length_mm * rng.uniform(0.7, 1.5)
        model = with_head(
            model, window_length_mm=window, block_depth_mm=rng.choice([0.0, -1.5, 0.8 * window]),
            ramp_angle_deg=rng.uniform(10.0, 55.0), windway_length_mm=rng.uniform(10.0, 70.0),
            upper_chamfer={"length_mm": rng.uniform(0.0, 1.2), "angle_deg": rng.uniform(15.0, 70.0)},
            lower_chamfer={"length_mm": rng.uniform(0.0, 1.2), "angle_deg": rng.uniform(15.0, 70.0)},
            ear_height_mm=rng.choice([None, 0.2, 1.5]),
        )  # fmt: skip
        svg = head_section(model, control=True, width_mm=rng.choice([90.0, 140.0, 220.0]))
        assert min(free_squares_mm(svg).values()) >= 7.0 - 0.25, model.head


def test_places_are_buttons_with_names_and_the_picture_lets_readers_in():
    root, *_ = page_of(head_section(D5, control=True, chosen="edge"))
    assert root.get("role") == "group"
    places = groups_of(root, class_="place")
    for place in places:
        assert (place.get("tabindex"), place.get("role")) == ("0", "button")
        assert place.get("aria-pressed") == ("true" if place.get("data-place") == "edge" else "false")
    titles = {p.get("data-place"): p.find(f"{SVG}title").text for p in places}
    assert titles["edge"] == "edge: offset −0.40 mm, broken 0.10 mm"
    assert titles["upper-chamfer"] == "upper chamfer: 0.50 mm at 40 degrees"
    assert len(set(titles.values())) == len(PLACE_NAMES)


@pytest.mark.parametrize("theme", ["light", "dark", "paper"])
def test_a_picture_on_paper_has_nothing_to_press(theme):
    svg = head_section(D5, theme=theme)
    for word in ("tabindex", "button", "grip", "target", "pointer-events", "chosen"):
        assert word not in svg
    assert page_of(svg)[0].get("role") == "img"


GRIPS = {
    "head.window_length_mm": ("edge", "x", 0.1), "head.edge_offset_mm": ("edge", "y", 0.1),
    "head.block_depth_mm": ("block", "x", 0.2), "head.windway.exit_height_mm": ("windway", "y", 0.05),
    "head.upper_chamfer.length_mm": ("upper-chamfer", "x", 0.1),
    "head.lower_chamfer.length_mm": ("lower-chamfer", "x", 0.1),
}  # fmt: skip


def drawn_at(svg, place, index):
    """Return the page place of a point of a place's first line or outline, x from the exit plane."""
    root, *_ = page_of(svg)
    (group,) = groups_of(root, class_="place", data_place=place)
    shapes = [e for e in group.iter() if e.tag in (f"{SVG}polyline", f"{SVG}polygon", f"{SVG}ellipse")]
    if shapes[0].tag == f"{SVG}ellipse":
        x, y = float(shapes[0].get("cx")), float(shapes[0].get("cy"))
    else:
        x, y = map(float, shapes[0].get("points").split()[index].split(","))
    return x - float(root.get("data-zero-mm")), y


@pytest.mark.parametrize("key", GRIPS)
def test_dragging_by_the_grips_numbers_moves_what_is_drawn(key):
    """A size grown by d moves what it belongs to by d over data-sign, times the scale, along data-direction."""
    place, direction, by = GRIPS[key]
    # The block's face is its fourth corner, the roof in the exit plane follows 13 points of the outside.
    index = {"block": 3, "windway": 13, "upper-chamfer": 1, "lower-chamfer": 0, "edge": 0}[place]
    old = head_section(D5, control=True)
    root, *_ = page_of(old)
    (group,) = groups_of(root, class_="place", data_place=place)
    (grip,) = groups_of(group, class_="grip", data_size=key)
    assert grip.get("data-direction") == direction
    *path, last = key.split(".")[1:]
    value = D5.head
    for part in path:
        value = getattr(value, part)
    changed = value.model_copy(update={last: getattr(value, last) + by})
    larger = {path[0]: changed.model_dump()} if path else {last: getattr(changed, last)}
    new = head_section(with_head(D5, **larger), control=True)
    assert page_of(new)[0].get("data-scale") == root.get("data-scale")
    (x1, y1), (x2, y2) = (drawn_at(svg, place, index) for svg in (old, new))
    moved = x2 - x1 if direction == "x" else y2 - y1
    assert moved == pytest.approx(by / float(grip.get("data-sign")) * float(root.get("data-scale")), abs=2e-3)


@pytest.mark.parametrize("theme", ["light", "dark", "paper"])
@pytest.mark.parametrize("place", PLACE_NAMES)
def test_the_chosen_place_is_marked_in_ink_and_named(place, theme):
    palette = palette_for(theme)
    svg = head_section(D5, control=True, chosen=place, theme=theme)
    root, *_ = page_of(svg)
    (mark,) = groups_of(root, class_="chosen")
    thick = [e for e in mark.iter() if e.get("stroke") == palette.ink_text and float(e.get("stroke-width")) >= 0.5]
    assert thick
    assert f"chosen: {PLACE_NAMES[place]}" in texts_of(svg)
    assert_readable(svg)
    # Also without anything to press, as beside a trial on paper.
    assert groups_of(page_of(head_section(D5, chosen=place, theme=theme))[0], class_="chosen")
    for ground in (palette.ground, palette.wall_fill, palette.block_fill):
        assert contrast_ratio(palette.ink_text, ground) >= 3.0


def test_an_unknown_place_is_refused_with_the_choices():
    with pytest.raises(InputError, match="upper-chamfer"):
        head_section(D5, chosen="beak")


def test_a_chamfer_that_is_not_cut_has_its_target_where_it_would_be():
    svg = head_section(with_head(D5, **NO_CHAMFERS), control=True)
    root, *_ = page_of(svg)
    zero = float(root.get("data-zero-mm"))
    for place in ("upper-chamfer", "lower-chamfer"):
        (group,) = groups_of(root, class_="place", data_place=place)
        (line,) = group.iter(f"{SVG}line")
        assert line.get("stroke-dasharray")
        box = next(groups_of(group, class_="target")[0].iter(f"{SVG}rect"))
        left, wide = float(box.get("x")), float(box.get("width"))
        assert left < float(line.get("x1")) < zero <= left + wide
    slope = abs(float(line.get("y2")) - float(line.get("y1"))) / abs(float(line.get("x2")) - float(line.get("x1")))
    assert math.degrees(math.atan(slope)) == pytest.approx(30.0, abs=0.05)


def test_the_ears_stand_over_the_edge():
    """ear_height_mm counts from the upper side of the edge; no higher than the body."""
    for ear, above in ((0.0, 0.1), (1.0, 1.1), (None, None)):
        root, *_ = page_of(head_section(with_head(D5, ear_height_mm=ear), control=True))
        scale = float(root.get("data-scale"))
        (ears,) = groups_of(root, class_="place", data_place="ears")
        (edge,) = groups_of(root, class_="place", data_place="edge")
        over = float(next(edge.iter(f"{SVG}ellipse")).get("cy")) - float(next(ears.iter(f"{SVG}line")).get("y1"))
        wall = 0.5 * (19.0 - 12.7) - (0.45 - 0.4)
        assert over / scale == pytest.approx(wall if above is None else above, abs=1e-3)
