"""The code that pairs a device: in every state that it can be in, and the session that it gives."""

import re

import pytest

from fluewright.web import pairing as pairing_module
from fluewright.web.pairing import CODE_SECONDS, SESSION_SECONDS, Pairing

FREE_TRIES = 3  # wrong codes that cost no wait
LONGEST_WAIT_S = 900.0


class Clock:
    """A clock that stands until it is moved."""

    def __init__(self) -> None:
        self.now_s = 1000.0

    def __call__(self) -> float:
        return self.now_s


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def pairing(clock: Clock) -> Pairing:
    return Pairing(clock=clock)


def wrong_for(code: str) -> str:
    return "00000000" if code != "00000000" else "11111111"


def guess(pairing: Pairing, client: str, times: int) -> None:
    wrong = wrong_for(pairing.code())
    for _ in range(times):
        assert pairing.pair(wrong, client) is None


def spoil(pairing: Pairing) -> None:
    """Guess from so many addresses that the code is withdrawn."""
    wrong = wrong_for(pairing.code())
    for number in range(200):
        assert not pairing.spoiled
        assert pairing.pair(wrong, f"device {number}") is None
    assert pairing.spoiled


# --- the states of a code


@pytest.mark.parametrize("given", ["", "00000000", "12345678"])
def test_before_a_code_is_shown_nothing_pairs(pairing: Pairing, given: str) -> None:
    assert pairing.pair(given, "phone") is None


def test_a_code_is_made_when_it_is_first_asked_for_however_young_the_clock(pairing: Pairing, clock: Clock) -> None:
    clock.now_s = 0.0
    assert re.fullmatch(r"\d{8}", pairing.code())


def test_a_code_lives_ten_minutes() -> None:
    assert CODE_SECONDS == 600


def test_a_fresh_code_stays_the_same_and_pairs(pairing: Pairing, clock: Clock) -> None:
    code = pairing.code()
    clock.now_s += CODE_SECONDS
    assert pairing.code() == code
    assert pairing.pair(code, "phone") is not None


def test_a_used_code_pairs_no_second_device_and_the_next_one_is_fresh(pairing: Pairing) -> None:
    code = pairing.code()
    assert pairing.pair(code, "phone") is not None
    assert pairing.pair(code, "tablet") is None
    assert pairing.pair(code, "phone") is None
    fresh = pairing.code()
    assert fresh != code
    assert pairing.pair(fresh, "tablet") is not None


def test_an_expired_code_pairs_nothing_even_before_a_new_one_is_shown(pairing: Pairing, clock: Clock) -> None:
    code = pairing.code()
    clock.now_s += CODE_SECONDS + 0.5
    assert pairing.pair(code, "phone") is None
    fresh = pairing.code()
    assert fresh != code
    assert pairing.pair(code, "phone") is None
    clock.now_s += CODE_SECONDS
    # The new code counts its own time.
    assert pairing.pair(fresh, "phone") is not None


def test_a_code_that_was_guessed_at_too_often_is_withdrawn_until_the_owner_begins_another(
    pairing: Pairing, clock: Clock
) -> None:
    code = pairing.code()
    spoil(pairing)
    assert pairing.code() == ""
    for given in (code, "", "00000000"):
        assert pairing.pair(given, "phone") is None
    clock.now_s += 10.0 * CODE_SECONDS
    assert pairing.code() == "", "no page brings it back by being looked at"
    pairing.begin_code()
    fresh = pairing.code()
    assert not pairing.spoiled
    assert fresh != code
    assert pairing.pair(code, "tablet") is None
    assert pairing.pair(fresh, "tablet") is not None


def test_three_hostile_addresses_never_get_a_code_withdrawn(pairing: Pairing, clock: Clock) -> None:
    """They try whatever they may for as long as a code lives, and an honest device is let in at its end."""
    code = pairing.code()
    wrong = wrong_for(code)
    tries = 0
    for _ in range(CODE_SECONDS):
        for client in "abc":
            while pairing.wait_s(client) == 0.0:
                assert pairing.pair(wrong, client) is None
                tries += 1
        clock.now_s += 1.0
    assert 3 * FREE_TRIES < tries <= 30
    assert pairing.code() == code
    assert pairing.pair(code, "phone") is not None


def test_the_owner_can_begin_a_new_code_at_any_time(pairing: Pairing) -> None:
    code = pairing.code()
    guess(pairing, "a", FREE_TRIES)
    pairing.begin_code()
    fresh = pairing.code()
    assert (pairing.guesses, fresh == code) == (0, False)
    assert pairing.pair(code, "phone") is None
    assert pairing.pair(fresh, "phone") is not None


def test_a_code_outlasts_fewer_guesses(pairing: Pairing) -> None:
    code = pairing.code()
    for number in range(199):
        guess(pairing, f"device {number}", 1)
    assert pairing.code() == code
    assert pairing.pair(code, "phone") is not None


def test_guesses_at_a_code_before_do_not_count_against_the_next(pairing: Pairing, clock: Clock) -> None:
    guess(pairing, "a", FREE_TRIES)
    assert pairing.guesses == FREE_TRIES
    clock.now_s += CODE_SECONDS + 1.0
    pairing.code()
    assert pairing.guesses == 0


def test_sending_everybody_away_ends_the_code_too(pairing: Pairing) -> None:
    code = pairing.code()
    pairing.end_all()
    assert pairing.pair(code, "phone") is None
    assert pairing.code() != code


def test_no_state_lets_an_empty_code_in(pairing: Pairing, clock: Clock) -> None:
    for change in (lambda: pairing.pair(pairing.code(), "phone"), pairing.end_all, lambda: spoil(pairing)):
        change()
        for number, nothing in enumerate(("", "no digits", "٠٠٠")):
            assert pairing.pair(nothing, f"fresh {number}") is None
        clock.now_s += LONGEST_WAIT_S


# --- how a code is made and typed


def test_a_code_is_eight_random_digits_leading_zeros_kept(pairing: Pairing, monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[int] = []
    monkeypatch.setattr(pairing_module.secrets, "randbelow", lambda n: asked.append(n) or 42)
    assert pairing.code() == "00000042"
    assert asked == [100_000_000]


def test_codes_are_not_alike() -> None:
    codes = {Pairing().code() for _ in range(50)}
    assert len(codes) > 45
    assert {len(code) for code in codes} == {8}


@pytest.mark.parametrize("form", ["{} {}", "{}-{}", " {}{}\n", "code: {} / {}"])
def test_a_code_may_be_typed_with_whatever_between(pairing: Pairing, form: str) -> None:
    code = pairing.code()
    assert pairing.pair(form.format(code[:4], code[4:]), "phone") is not None


def test_too_few_too_many_and_other_digits_do_not_pair(pairing: Pairing, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(pairing_module.secrets, "randbelow", lambda n: 12345678)
    assert pairing.code() == "12345678"
    for near in ("1234567", "123456789", "12345678" * 2, "１２３４５６７８", "87654321"):
        assert pairing.pair(near, near) is None
    assert pairing.pair("12345678", "phone") is not None


# --- who guessed wrongly waits


def test_each_wrong_code_past_the_third_doubles_the_wait(pairing: Pairing, clock: Clock) -> None:
    code = pairing.code()
    for _ in range(FREE_TRIES):
        assert pairing.wait_s("a") == 0.0
        guess(pairing, "a", 1)
    waits = []
    for _ in range(10):
        waits.append(pairing.wait_s("a"))
        pairing.begin_code()
        code = pairing.code()
        assert pairing.pair(code, "a") is None, "the right code does not help who has to wait"
        clock.now_s += waits[-1]
        assert pairing.wait_s("a") == 0.0
        guess(pairing, "a", 1)
    assert waits == [5.0, 10.0, 20.0, 40.0, 80.0, 160.0, 320.0, 640.0, LONGEST_WAIT_S, LONGEST_WAIT_S]


def test_the_wait_ends_at_its_second(pairing: Pairing, clock: Clock) -> None:
    guess(pairing, "a", FREE_TRIES)
    clock.now_s += 4.0
    assert pairing.wait_s("a") == 1.0
    clock.now_s += 1.0
    assert pairing.pair(pairing.code(), "a") is not None


def test_trying_while_waiting_does_not_lengthen_the_wait(pairing: Pairing, clock: Clock) -> None:
    guess(pairing, "a", FREE_TRIES + 20)
    assert pairing.guesses == FREE_TRIES, "what was not looked at is no guess"
    clock.now_s += 2.0
    guess(pairing, "a", 20)
    assert pairing.wait_s("a") == 3.0
    assert pairing.wait_s("b") == 0.0


def test_one_device_waits_and_another_pairs(pairing: Pairing) -> None:
    code = pairing.code()
    guess(pairing, "a", FREE_TRIES)
    assert pairing.wait_s("a") == 5.0
    assert pairing.pair(code, "b") is not None


def test_who_was_let_in_begins_anew(pairing: Pairing) -> None:
    guess(pairing, "a", FREE_TRIES - 1)
    assert pairing.pair(pairing.code(), "a") is not None
    guess(pairing, "a", FREE_TRIES - 1)
    assert pairing.wait_s("a") == 0.0


def test_wrong_codes_are_forgotten_after_an_hour_without_one(pairing: Pairing, clock: Clock) -> None:
    guess(pairing, "a", FREE_TRIES)
    clock.now_s += 3601.0
    guess(pairing, "a", 1)
    assert pairing.wait_s("a") == 0.0


def test_what_is_remembered_of_addresses_stays_small(pairing: Pairing) -> None:
    for number in range(6000):
        if pairing.spoiled:
            pairing.begin_code()
        pairing.pair(wrong_for(pairing.code()), f"2001:db8::{number:x}")
    assert len(pairing._wrong) <= 4096


# --- sessions


def test_every_device_has_a_session_of_its_own(pairing: Pairing) -> None:
    tokens = [pairing.pair(pairing.code(), client) for client in ("phone", "tablet")]
    assert tokens[0] != tokens[1]
    for token in tokens:
        assert token is not None
        assert len(token) >= 43, "32 random bytes"
        assert pairing.known(token)
        assert not pairing.known(token[:-1])
    for other in ("", "guess", "größer"):
        assert not pairing.known(other)


def test_a_session_ends_after_thirty_days_and_others_stay(pairing: Pairing, clock: Clock) -> None:
    first = pairing.pair(pairing.code(), "phone")
    clock.now_s += 10.0
    second = pairing.pair(pairing.code(), "tablet")
    assert first is not None
    assert second is not None
    clock.now_s = 1000.0 + SESSION_SECONDS - 1.0
    assert pairing.known(first)
    clock.now_s += 1.0
    assert not pairing.known(first)
    assert pairing.known(second)
    assert SESSION_SECONDS == 30 * 24 * 3600


def test_devices_are_listed_with_when_and_from_where_they_were_last_seen(pairing: Pairing, clock: Clock) -> None:
    phone = pairing.pair(pairing.code(), "192.0.2.3", "Bench phone")
    clock.now_s += 60.0
    tablet = pairing.pair(pairing.code(), "192.0.2.4")
    assert phone is not None
    assert tablet is not None
    assert pairing.addresses() == {"192.0.2.3", "192.0.2.4"}
    clock.now_s += 60.0
    assert pairing.seen(phone, "192.0.2.9")
    first, second = pairing.devices()
    assert (first.number, first.name, first.address) == (1, "Bench phone", "192.0.2.9")
    assert (first.paired_s, first.seen_s) == (1000.0, 1120.0)
    assert (second.number, second.name, second.seen_s) == (2, "", 1060.0)
    assert pairing.addresses() == {"192.0.2.9", "192.0.2.4"}
    assert not pairing.seen("guess", "192.0.2.5")
    clock.now_s = 1000.0 + SESSION_SECONDS
    assert [d.number for d in pairing.devices()] == [2]


def test_one_device_is_sent_away_and_the_others_stay(pairing: Pairing) -> None:
    tokens = [pairing.pair(pairing.code(), client) or "" for client in ("phone", "tablet", "lost")]
    code = pairing.code()
    assert pairing.end(2)
    assert [pairing.known(token) for token in tokens] == [True, False, True]
    assert not pairing.end(2)
    assert not pairing.end(99)
    assert pairing.pair(code, "other") is not None
    assert {d.number for d in pairing.devices()} == {1, 3, 4}, "no number is given twice"


def test_sending_everybody_away_ends_every_session(pairing: Pairing) -> None:
    tokens = [pairing.pair(pairing.code(), "phone") for _ in range(2)]
    pairing.end_all()
    assert not any(pairing.known(token or "") for token in tokens)
    token = pairing.pair(pairing.code(), "phone")
    assert token is not None
    assert pairing.known(token)
