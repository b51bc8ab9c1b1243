"""The code that pairs a device: in every state that it can be in, and the session that it gives."""

import re

import pytest

from fluewright.web import pairing as pairing_module
from fluewright.web.pairing import CODE_SECONDS, SESSION_SECONDS, Pairing

WINDOW_S = 300.0  # wrong codes count against whoever typed them for five minutes


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


def test_a_code_that_was_guessed_at_too_often_is_spoiled_for_good(pairing: Pairing, clock: Clock) -> None:
    """The wait alone would end before the code does: it must not work again then."""
    code = pairing.code()
    for client in ("a", "b", "c"):
        guess(pairing, client, 5)
    clock.now_s += WINDOW_S
    assert clock.now_s - 1000.0 < CODE_SECONDS
    assert pairing.wait_s("phone") == 0.0
    assert pairing.pair(code, "phone") is None
    fresh = pairing.code()
    assert fresh != code
    assert pairing.pair(code, "phone") is None
    assert pairing.pair(fresh, "phone") is not None


def test_a_code_outlasts_fewer_guesses(pairing: Pairing) -> None:
    code = pairing.code()
    for client, times in (("a", 5), ("b", 5), ("c", 4)):
        guess(pairing, client, times)
    assert pairing.code() == code
    assert pairing.pair(code, "phone") is not None


def test_old_guesses_do_not_spoil_a_code(pairing: Pairing, clock: Clock) -> None:
    code = pairing.code()
    guess(pairing, "a", 5)
    guess(pairing, "b", 5)
    clock.now_s += WINDOW_S
    guess(pairing, "c", 5)
    assert pairing.pair(code, "phone") is not None


def test_sending_everybody_away_spoils_the_code_too(pairing: Pairing) -> None:
    code = pairing.code()
    pairing.end_all()
    assert pairing.pair(code, "phone") is None
    assert pairing.code() != code


def test_no_state_lets_an_empty_code_in(pairing: Pairing, clock: Clock) -> None:
    for spoil in (
        lambda: pairing.pair(pairing.code(), "phone"),
        pairing.end_all,
        lambda: [guess(pairing, client, 5) for client in "abc"],
    ):
        spoil()
        clock.now_s += WINDOW_S
        for nothing in ("", "no digits", "٠٠٠"):
            assert pairing.pair(nothing, "phone") is None
        clock.now_s += WINDOW_S


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


def test_five_wrong_codes_make_a_device_wait_until_the_first_is_five_minutes_old(
    pairing: Pairing, clock: Clock
) -> None:
    code = pairing.code()
    for _ in range(5):
        assert pairing.wait_s("a") == 0.0
        guess(pairing, "a", 1)
        clock.now_s += 10.0
    assert pairing.wait_s("a") == WINDOW_S - 50.0
    assert pairing.pair(code, "a") is None, "the right code does not help who has to wait"
    clock.now_s += 249.0
    assert pairing.wait_s("a") == 1.0
    clock.now_s += 1.0
    assert pairing.wait_s("a") == 0.0
    # One is forgotten: the next wrong one makes five again.
    guess(pairing, "a", 1)
    assert pairing.wait_s("a") == 10.0


def test_trying_while_waiting_does_not_lengthen_the_wait(pairing: Pairing, clock: Clock) -> None:
    guess(pairing, "a", 5)
    clock.now_s += 100.0
    guess(pairing, "a", 20)
    assert pairing.wait_s("a") == WINDOW_S - 100.0
    assert pairing.wait_s("b") == 0.0


def test_one_device_waits_and_another_pairs(pairing: Pairing) -> None:
    code = pairing.code()
    guess(pairing, "a", 5)
    assert pairing.wait_s("a") == WINDOW_S
    assert pairing.pair(code, "b") is not None


def test_fifteen_wrong_codes_of_many_devices_make_everybody_wait(pairing: Pairing, clock: Clock) -> None:
    """So that many addresses do not get many tries."""
    for number in range(15):
        assert pairing.wait_s("new") == 0.0
        guess(pairing, f"device {number}", 1)
        clock.now_s += 2.0
    assert pairing.wait_s("new") == WINDOW_S - 30.0
    assert pairing.pair(pairing.code(), "new") is None
    clock.now_s += WINDOW_S - 30.0
    assert pairing.wait_s("new") == 0.0
    assert pairing.pair(pairing.code(), "new") is not None


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


def test_sending_everybody_away_ends_every_session(pairing: Pairing) -> None:
    tokens = [pairing.pair(pairing.code(), "phone") for _ in range(2)]
    pairing.end_all()
    assert not any(pairing.known(token or "") for token in tokens)
    token = pairing.pair(pairing.code(), "phone")
    assert token is not None
    assert pairing.known(token)
