import xml.etree.ElementTree as ET

import pytest

from fluewright.errors import InputError
from fluewright.instrument.starting import load
from fluewright.pictures.standing import standing_wave

SVG = "{http://www.w3.org/2000/svg}"


def lines(picture, name):
    root = ET.fromstring(picture)
    (group,) = [g for g in root.iter(f"{SVG}g") if g.get("class") == name]
    (line,) = group.iter(f"{SVG}polyline")
    return [tuple(map(float, p.split(","))) for p in line.get("points").split()]


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_curves_and_body_share_one_scale(theme):
    model = load("d5-cylinder")
    hole = model.holes[2].position_mm
    picture = standing_wave(
        model, [0.0, hole, hole, model.length_mm], [0.5, 1.0, 1.0, 0.0], [4.0, 1.0, -2.0, 4.0],
        title="a < b", holes=[0, 0, 1, 1, 1, 1], theme=theme,
    )  # fmt: skip
    pressure, flow = lines(picture, "pressure"), lines(picture, "flow")
    root = ET.fromstring(picture)
    centres = [float(e.get("cx")) for e in root.iter(f"{SVG}ellipse")]
    assert pressure[1][0] == pytest.approx(centres[2], abs=0.01)
    assert pressure[1][1] == min(y for _, y in pressure)
    assert pressure[3][1] - pressure[0][1] == pytest.approx(0.5 * (pressure[3][1] - pressure[1][1]), abs=0.01)
    assert flow[0][1] == pytest.approx(flow[3][1])
    assert flow[2][1] < flow[1][1]
    words = [t.text for t in root.iter(f"{SVG}text")]
    assert words.count("open") == 4
    assert words.count("closed") == 2


def test_ragged_or_endless_values_are_refused():
    model = load("d5-cylinder")
    for x, p, u in (
        ([0.0], [1.0], [1.0]),
        ([0.0, 1.0], [1.0], [1.0, 1.0]),
        ([0.0, 1.0], [1.0, float("nan")], [1.0, 1.0]),
    ):
        with pytest.raises(InputError, match="standing wave"):
            standing_wave(model, x, p, u, title="t")
