"""The quick share of every part of the attack, and what the registry promises."""

import pytest

from attack.registry import Effort, Finding, Part, find_parts, run_part

QUICK = [part for part in find_parts() if part.quick is not None]


@pytest.mark.parametrize("part", QUICK, ids=lambda part: part.name)
def test_a_quick_attack_finds_nothing_bad(part):
    result = run_part(part, Effort(seed=1, share=part.quick))
    assert [finding for finding in result.findings if finding.bad] == []


def test_a_part_that_breaks_is_bad():
    def broken(effort):
        raise OSError("the disk is full")

    result = run_part(Part("broken", broken, None), Effort(1))
    assert result.bad == 1
    assert "the disk is full" in result.findings[0].note


def test_a_part_that_tries_nothing_is_bad():
    result = run_part(Part("idle", lambda effort: [Finding("files", 0)], None), Effort(1))
    assert result.bad == 1


def test_a_share_of_cases_is_never_nothing():
    assert Effort(1, 0.001).of(200) == 1
    assert Effort(1, 0.5).of(200) == 100
    assert Effort(1, 1.0).of(200) == 200
    assert Effort(1, 0.001).of(200, least=8) == 8


def test_equal_seeds_attack_equally():
    assert Effort(4).random("files").random() == Effort(4).random("files").random()
    assert Effort(4).random("files").random() != Effort(5).random("files").random()
