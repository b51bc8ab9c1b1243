"""The check values that the physics pages print are those of the program, to every printed digit."""

from pathlib import Path

import pytest
from doc_pages import checks_of, run_checks

PAGES = sorted((Path(__file__).parents[2] / "docs" / "physics").glob("*.md"))
WITHOUT_FORMULAS = {"index.md", "sources.md"}


def off(results):
    """Return the checks that do not hold."""
    return [
        (call, printed, found)
        for call, printed, found, half in results
        if not abs(found - float(printed)) <= half * (1.0 + 1e-9)
    ]


def off_in(*lines):
    return off(run_checks(lines))


@pytest.mark.parametrize("page", [p for p in PAGES if p.name not in WITHOUT_FORMULAS], ids=lambda p: p.stem)
def test_every_page_of_formulas_has_a_check_and_its_checks_hold(page):
    results = run_checks(checks_of(page.read_text(encoding="utf-8")))
    assert len(results) >= 1
    assert off(results) == []


def test_a_wrong_digit_is_seen():
    """Right, off by one in the last digit, and off by a whole."""
    assert off_in("import math", "math.pi -> 3.14159", "-math.pi -> -3.1416") == []
    assert off_in("import math", "math.pi -> 3.14160") == [("math.pi", "3.14160", pytest.approx(3.14159265))]
    assert off_in("x = 2", "x -> 3") == [("x", "3", 2.0)]
    assert off_in("float('nan') -> 1.0") != []


def test_a_call_that_is_gone_is_seen():
    with pytest.raises(ImportError):
        off_in("from fluewright.air import no_such_thing", "no_such_thing() -> 1.0")
