"""Heads as pictures: the jet at the lowest note's breath, and trials at the pitch that the room leaves them."""

import re
import xml.etree.ElementTree as ET

import pytest

from fluewright.bench.voicing.trial import HeadTrial, NoteTrial, Reading
from fluewright.instrument.sizes import with_sizes
from fluewright.shop.head_hearing import notes_of_model
from fluewright.shop.head_pictures import head_trial_picture, lowest_jet
from fluewright.units import shifted


def test_the_jet_is_that_of_the_lowest_note_at_its_planned_breath(model):
    jet = lowest_jet(model)
    speed = re.fullmatch(r"D5 at 150 Pa: (\d+) m/s, its swing enlarged", jet.label)[1]
    # Bernoulli: the root of twice 150 Pa over 1.2 kg/m3, less what the windway takes.
    assert 12.0 < float(speed) < 16.0
    assert jet.x_mm[0] < jet.x_mm[-1]
    assert all(w > 0.0 for w in jet.half_width_mm)
    assert jet.half_width_mm[-1] > jet.half_width_mm[0]
    one, other = jet.swings_mm
    assert one != other


def test_no_jet_is_drawn_where_none_forms(model, monkeypatch):
    from fluewright.errors import ComputeError
    from fluewright.shop import head_pictures

    def none(*_, **__):
        raise ComputeError("no jet")

    monkeypatch.setattr(head_pictures, "jet_shape", none)
    assert lowest_jet(with_sizes(model, {"head.window_length_mm": 4.5})) is None


def trial(model, cents, *, head="", room_c=20.0, jump_pa=280.0):
    target = notes_of_model(model).targets_hz["D5", 1]
    curve = tuple((p, float(shifted(target, cents))) for p in (100.0, 150.0, 200.0))
    return HeadTrial(
        (NoteTrial("D5", 1, {"jump_pa": Reading(jump_pa, 8.0), "cents": Reading(cents, 1.0)}, curve),), head=head,
        temperature_c=room_c,
    )  # fmt: skip


def lines_of(svg):
    """Return the heights (mm from the top) of every line of pitch against breath."""
    root = ET.fromstring(svg)
    found = []
    for line in root.iter():
        if line.tag.endswith("polyline") and len(line.get("points", "").split()) == 3:
            found.append([float(p.split(",")[1]) for p in line.get("points").split()])
    return found


def test_a_trial_is_drawn_under_its_own_name_and_beside_another(model):
    alone = head_trial_picture(model, trial(model, 5.0, head="D5-0007"))
    assert "d5-cylinder: head trial D5-0007" in alone
    assert "beside" not in alone
    both = head_trial_picture(model, trial(model, 5.0), trial(model, -15.0), beside="trial 3")
    assert "d5-cylinder: head trial, beside trial 3" in both


def test_a_pitch_that_the_room_alone_made_sharp_is_drawn_where_a_cool_one_stands(model):
    """15.7 cents are the speed of sound at 25 against 20 degC."""
    cool = lines_of(head_trial_picture(model, trial(model, 4.0), trial(model, -40.0)))
    warm = lines_of(head_trial_picture(model, trial(model, 4.0 + 15.73, room_c=25.0), trial(model, -40.0)))
    unread = lines_of(head_trial_picture(model, trial(model, 4.0 + 15.73), trial(model, -40.0)))
    assert len(cool) == 2
    for one, other in zip(cool, warm, strict=True):
        assert one == pytest.approx(other, abs=0.02)
    assert unread != cool
