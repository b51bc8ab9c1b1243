import re
import xml.etree.ElementTree as ET

import pytest

from fluewright.errors import InputError
from fluewright.pictures.palette import palette_for
from fluewright.pictures.voicing_trials import TrialLine, TrialMark, trial_picture


def marks(*, new=True, by=1.0):
    return [
        TrialMark("D5", 1, "lowest_pa", 70.0 * by, 3.0, new),
        TrialMark("D5", 1, "comfortable_pa", 150.0 * by, 3.0, new),
        TrialMark("D5", 1, "jump_pa", 280.0 * by, 8.0, new),
        TrialMark("D5", 1, "cents", 2.0 * by, 1.0, new),
        TrialMark("D6", 2, "rise_s", 0.02 * by, 0.002, new),
    ]


@pytest.mark.parametrize("theme", ["light", "dark", "paper"])
def test_two_trials_stand_in_one_picture(theme):
    lines = [TrialLine("D5", 1, [(80.0, -20.0), (150.0, 0.0), (250.0, 15.0)], new) for new in (True, False)]
    svg = trial_picture(lines, marks() + marks(new=False, by=1.1), title="a head", theme=theme)
    root = ET.fromstring(svg)
    texts = [t.text for t in root.iter() if t.tag.endswith("text")]
    assert {"D5.1", "D6.2", "a head", "rise of the attack, ms"} <= set(texts)
    colour = palette_for(theme).register_1_text
    full = re.findall(rf'<ellipse[^>]*fill="{colour}"', svg)
    hollow = re.findall(rf'<ellipse[^>]*fill="none"[^>]*stroke="{colour}"', svg)
    # Comfortable breath and pitch, of either trial.
    assert len(full) == len(hollow) == 2
    assert svg.count("<polyline") >= 2
    assert "nan" not in svg.lower()


def test_the_newer_breath_stands_to_the_left_when_it_is_lower():
    def place(by):
        svg = trial_picture([], [*marks(), TrialMark("C6", 1, "comfortable_pa", 100.0 * by, 2.0, True)], title="t")
        return [float(x) for x in re.findall(r'<ellipse cx="([0-9.]+)"', svg)][1]

    assert place(1.0) < place(2.0)


def test_an_empty_trial_draws_nothing():
    with pytest.raises(InputError, match="at least one reading"):
        trial_picture([], [], title="t")
