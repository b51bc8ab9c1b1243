import xml.etree.ElementTree as ET

import pytest

from fluewright.errors import InputError
from fluewright.pictures.curves import effect_bars, level_curve


def test_curve_reaches_from_edge_to_edge_and_is_well_formed():
    picture = level_curve([100, 200, 300], [-10, 0, -20], title="a < b", marks=[(200.0, "200")])
    root = ET.fromstring(picture)
    line = next(root.iter("{http://www.w3.org/2000/svg}polyline")).get("points").split()
    xs = [float(p.split(",")[0]) for p in line]
    assert xs == [18.0, 96.0, 174.0]


def test_bars_have_one_row_a_size_and_refuse_ragged_tables():
    ET.fromstring(effect_bars(["holes.1.diameter_mm"], [[1.0, -2.0]], ["D5 1", "E5 1"], title="t"))
    with pytest.raises(InputError):
        effect_bars(["a"], [[1.0]], ["D5", "E5"], title="t")
    with pytest.raises(InputError):
        level_curve([1.0], [2.0], title="t")
