import pytest
from hypothesis import given
from hypothesis import strategies as st

from fluewright.errors import ModelError
from fluewright.instrument.fingering import Fingering, fingerings_of, governing_hole, parse_holes
from fluewright.instrument.pitch import note_to_midi
from fluewright.instrument.starting import load


@given(st.lists(st.sampled_from("cho"), max_size=12))
def test_each_letter_becomes_one_state_and_spaces_are_free(letters: list[str]) -> None:
    states = parse_holes(" ".join(letters), len(letters))
    assert [{0: "c", 1: "o", 2: "h"}[state] for state in states] == letters


def test_a_wrong_letter_is_named() -> None:
    with pytest.raises(ModelError, match=r'"ccx ccc" has "x"; use c \(closed\), h \(half open\) or o \(open\)'):
        parse_holes("ccx ccc", 6)


def test_a_wrong_number_of_holes_is_named() -> None:
    with pytest.raises(ModelError, match='"ccc cc" has 5 letters, but there are 6 holes'):
        parse_holes("ccc cc", 6)


@pytest.mark.parametrize(
    ("text", "register", "governs"),
    [
        ("ccc ccc", 1, None),
        ("ccc cco", 1, 5),
        ("ccc cch", 1, 5),
        ("coc ooo", 1, 1),
        ("ooo ooo", 1, 0),
        ("occ ccc", 1, 0),
        ("occ ccc", 2, None),  # the top hole is only a vent
        ("occ cco", 2, 5),
        ("ooo ooo", 2, 0),
        ("h ccc cccc", 2, None),
        ("h ccc ccoo", 2, 6),
        ("h ooo oooo", 2, 1),
        ("ccc cch", 2, 5),
        ("", 1, None),
    ],
)
def test_the_governing_hole(text: str, register: int, governs: int | None) -> None:
    holes = parse_holes(text, len(text.replace(" ", "")))
    assert governing_hole(Fingering("D5", register, holes, text)) == governs


def test_fingerings_come_register_by_register_from_low_to_high_main_ones_first() -> None:
    fingerings = fingerings_of(load("d5-cylinder"))
    keys = [(f.register, note_to_midi(f.note), f.alternative) for f in fingerings]
    assert keys == sorted(keys)
    assert [(f.text, f.alternative) for f in fingerings if f.note == "D6"] == [("occ ccc", 0), ("ccc ccc", 1)]
    assert {f.register for f in fingerings} == {1, 2}
