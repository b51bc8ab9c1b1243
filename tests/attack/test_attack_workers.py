"""The attack sees what goes wrong: an exception, a hang, a flood of memory, a death, a message that is none."""

import os
import signal
import warnings

import pytest

from attack.command import Ended, complaint, run_command
from attack.models import changed
from attack.registry import Effort
from attack.sounds import odd_sound
from attack.verbs import cases_of, verbs_of_app
from attack.workers import each, tally


def misbehave(case):
    if case == "raise":
        raise IndexError("list index out of range")
    if case == "warn":
        warnings.warn("overflow encountered", RuntimeWarning, stacklevel=1)
    if case == "hang":
        while True:
            pass
    if case == "swell":
        return len(bytearray(3 << 30))
    if case == "die":
        os.kill(os.getpid(), signal.SIGSEGV)
    return case


def test_every_way_to_go_wrong_is_seen_and_the_next_case_is_tried():
    cases = ["good", "raise", "warn", "hang", "swell", "die", "good"]
    found = {outcome.case: outcome for outcome in each(misbehave, cases, warm="good", workers=1, seconds=1)}
    assert {case: outcome.kind for case, outcome in found.items()} == {
        "good": "answered", "raise": "traceback", "warn": "traceback",
        "hang": "hang", "swell": "memory", "die": "death",
    }  # fmt: skip
    assert "IndexError: list index out of range < test_attack_workers.py" in found["raise"].fault
    assert "SIGSEGV" in found["die"].fault
    findings, answers = tally(found.values(), what="cases")
    assert answers == {"good": 1}
    assert [(finding.count, finding.bad) for finding in findings] == [(6, 2), (6, 1), (6, 1), (6, 1)]


@pytest.mark.parametrize(
    ("ended", "says"),
    [
        (Ended(0, "D5\n", "warning: far\n"), ""),
        (Ended(2, "", "fluewright: a.toml: is a folder; name a file in it\n"), ""),
        (Ended(1, "event 3: changed\n", ""), ""),
        (Ended(2, "Usage: fluewright ledger\n", ""), ""),
        (Ended(2, "", ""), "without a message"),
        (Ended(2, "", "fluewright: a\nfluewright: b\n"), "2 messages"),
        (Ended(3, "", "fluewright: a\n"), "exit code 3"),
        (Ended(0, "\x1b[31mred", ""), "in stdout"),
        (Ended(2, "", "fluewright: \x9b2J\n"), "in stderr"),
        (Ended(2, "", "fluewright: " + "x" * 30_000), "a message of 30012 letters"),
        (Ended(1, "", "Traceback (most recent call last):\n"), "a traceback"),
    ],
)
def test_how_a_command_may_end(ended, says):
    found = complaint(ended)
    assert says in found if says else found == ""


def test_a_command_is_run_and_its_output_kept():
    ended = run_command("models")
    assert ended.code == 0
    assert "d5-cylinder" in ended.out
    assert run_command("check", "none").code == 2


def test_verbs_are_found_in_the_app_and_each_of_their_parameters_is_attacked():
    found = verbs_of_app()
    assert {"predict", "listen", "ledger cut", "serve"} <= set(found)
    for verb, taken in found.items():
        words = [word for case in cases_of(verb, taken, Effort(1)) for word in case]
        for parameter in taken:
            if parameter.param_type_name == "option":
                assert max(parameter.opts, key=len) in words, (verb, parameter.name)


def test_equal_seeds_make_equal_files():
    assert changed("7/models/3") == changed("7/models/3")
    assert len({changed(f"7/models/{n}") for n in range(20)}) == 20
    import numpy as np

    one, two = (odd_sound(np.random.default_rng(4)) for _ in range(2))
    assert np.array_equal(one[0], two[0], equal_nan=True)
