"""What goes into a picture of results: every note once where it stands, and once where the cuts will bring it."""

import dataclasses
import math

import numpy as np
import pytest

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import predict_notes
from fluewright.acoustics.sounding import blow, find_jumps
from fluewright.instrument.fingering import governing_hole
from fluewright.instrument.starting import load
from fluewright.listening import HeardNote
from fluewright.shop.note_names import NamedNote
from fluewright.shop.result_pictures import breath_picture, note_boxes, predicted_marks, verdict_chart, verdict_marks
from fluewright.shop.sitting import judge, sit_down_loose


@pytest.fixture
def verdict(known, take_of):
    return judge(known, [take_of(-20.0)]).advice.verdict


def test_predictions_stand_in_the_chart_as_they_were_computed(model):
    notes = predict_notes(build_network(model))
    marks = predicted_marks(notes)
    assert [(m.note, m.register, m.cents, m.uncertainty_cents, m.governing_hole) for m in marks] == [
        (n.note, n.register, n.cents, n.uncertainty_cents, n.governing_hole) for n in notes
    ]
    assert {m.kind for m in marks} == {"predicted"}


def test_a_piece_to_cut_has_every_note_as_it_is_and_as_it_will_be(known, verdict):
    fingerings = known.pitch.fingerings
    marks = verdict_marks(fingerings, verdict)
    main = [i for i, f in enumerate(fingerings) if f.alternative == 0]
    now, then = marks[::2], marks[1::2]
    assert {m.kind for m in now} == {"measured"}
    assert {m.kind for m in then} == {"forecast"}
    last = verdict.plan[-1]
    for group, cents, sigma in ((now, verdict.cents, verdict.sigma), (then, last.cents_after, last.sigma_after)):
        assert [(m.note, m.register) for m in group] == [(fingerings[i].note, fingerings[i].register) for i in main]
        assert [m.cents for m in group] == pytest.approx(list(cents[main]))
        assert [m.uncertainty_cents for m in group] == pytest.approx(list(sigma[main]))
        assert [m.governing_hole for m in group] == [governing_hole(fingerings[i]) for i in main]


def test_a_piece_with_nothing_to_cut_has_no_hollow_marks(known, verdict):
    marks = verdict_marks(known.pitch.fingerings, dataclasses.replace(verdict, plan=()), kind="predicted")
    assert {m.kind for m in marks} == {"predicted"}


def test_another_fingering_of_a_note_has_no_mark_of_its_own():
    fingerings = build_network(load("c5-eight-hole")).fingerings
    other = dataclasses.replace(fingerings[3], alternative=1)
    values = np.zeros(len(fingerings) + 1)

    class Bare:
        last = None
        cents = sigma = values

    assert len(verdict_marks((*fingerings, other), Bare())) == len(verdict_marks(fingerings, Bare()))


def test_the_chart_draws_the_piece_with_its_own_sizes(pitch, verdict, model):
    short = verdict_chart(sit_down_loose(pitch, {"length_mm": model.length_mm - 9.0}), verdict)
    long = verdict_chart(sit_down_loose(pitch, {}), verdict)
    assert short != long
    assert "d5-cylinder: now, and after the proposed cuts" in long
    assert "D5-0001, third trial" in verdict_chart(sit_down_loose(pitch, {}), verdict, title="D5-0001, third trial")


def test_the_breath_picture_draws_each_note_that_was_asked_for(model):
    blown = find_jumps(blow(build_network(model)))
    notes = [n for n in blown.notes if n.note in ("D5", "A5")]
    svg = breath_picture(blown, notes)
    assert "d5-cylinder: pitch against breath" in svg
    assert svg.count('class="note"') == 2
    assert "A5: pitch against breath" in svg
    assert "G5: pitch against breath" not in svg
    assert "nan" not in svg


def heard(hz, sigma_hz):
    return HeardNote(1.0, 1.5, hz, sigma_hz, 0.0, 1.0, -20.0, 30.0, (-20.0,) * 6)


def test_a_heard_note_is_drawn_with_its_name_time_and_sureness_and_a_stranger_as_a_question():
    known_note, stranger = note_boxes(
        [NamedNote(heard(880.0, 0.88), "A5", -7.0), NamedNote(heard(3000.0, 0.3), "", math.nan)]
    )
    assert (known_note.name, known_note.start_s, known_note.end_s) == ("A5", 1.0, 1.5)
    assert (known_note.frequency_hz, known_note.cents) == (880.0, -7.0)
    # A thousandth of a frequency is 1.73 cents.
    assert known_note.uncertainty_cents == pytest.approx(1.7312, abs=1e-3)
    assert (stranger.name, stranger.cents) == ("?", 0.0)
    assert stranger.uncertainty_cents == pytest.approx(0.17312, abs=1e-4)
