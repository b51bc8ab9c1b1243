"""What is installed only where it is wanted: named when it is missing, with the command that brings it."""

import json
import re
import sys
import tomllib
from pathlib import Path

import pytest

from fluewright.cli import main
from fluewright.errors import MissingPartError
from fluewright.extras import PARTS, require
from fluewright.instrument.starting import load
from fluewright.making.paper import write_pdf

PROJECT = tomllib.loads((Path(__file__).parents[1] / "pyproject.toml").read_text(encoding="utf-8"))["project"]


@pytest.fixture
def without(monkeypatch):
    """Return a call that blocks the import of a part's packages, as where they are not installed."""

    def block(part):
        for name in list(sys.modules):
            if name.partition(".")[0] in PARTS[part]:
                monkeypatch.delitem(sys.modules, name)
        for package in PARTS[part]:
            monkeypatch.setitem(sys.modules, package, None)

    return block


def ends(monkeypatch, capsys, *words):
    monkeypatch.setattr(sys, "argv", ["fluewright", *map(str, words)])
    with pytest.raises(SystemExit) as ended:
        main()
    out, err = capsys.readouterr()
    return ended.value.code or 0, out, err


def test_parts_are_those_of_the_project():
    def names(part):
        return sorted(re.match(r"[\w.-]+", line)[0] for line in PROJECT["optional-dependencies"][part])

    assert {part: names(part) for part in PARTS} == {part: list(packages) for part, packages in PARTS.items()}
    assert PROJECT["optional-dependencies"]["all"] == [f"fluewright[{','.join(sorted(PARTS))}]"]
    base = {re.match(r"[\w.-]+", line)[0] for line in PROJECT["dependencies"]}
    assert not base & {package for packages in PARTS.values() for package in packages}


def test_what_is_there_passes():
    for part in PARTS:
        require(part, by="a test")


@pytest.mark.parametrize("words", [["serve"], ["serve", "--lan"], ["serve", "--demo"]])
def test_serve_without_the_web_part(without, monkeypatch, capsys, words):
    without("web")
    says = 'fluewright: fluewright serve needs the web part: pip install "fluewright[web]"\n'
    assert ends(monkeypatch, capsys, *words) == (1, "", says)


@pytest.mark.parametrize("package", PARTS["web"])
def test_one_package_that_is_missing_is_enough(monkeypatch, package):
    monkeypatch.setitem(sys.modules, package, None)
    with pytest.raises(MissingPartError, match="the web part"):
        require("web", by="fluewright serve")


def test_a_sheet_without_the_papers_part(without, monkeypatch, capsys, tmp_path):
    without("papers")
    code, out, err = ends(monkeypatch, capsys, "sheet", "d5-cylinder", "-o", tmp_path / "sheet.pdf")
    assert (code, out) == (1, "")
    assert 'fluewright: a PDF sheet or certificate needs the papers part: pip install "fluewright[papers]"\n' in err
    assert list(tmp_path.iterdir()) == []
    with pytest.raises(MissingPartError):
        write_pdf("sheet.typ", {}, tmp_path / "x.pdf", timestamp=None)


def test_the_demo_says_so_before_it_works_for_a_minute(without, monkeypatch, capsys, tmp_path):
    without("papers")
    code, _, err = ends(monkeypatch, capsys, "demo", "--out", tmp_path / "out")
    assert code == 1
    assert err == 'fluewright: fluewright demo needs the papers part: pip install "fluewright[papers]"\n'
    assert not (tmp_path / "out").exists()


def test_everything_else_works_without_any_part(without, monkeypatch, capsys, tmp_path):
    for part in PARTS:
        without(part)
    assert ends(monkeypatch, capsys, "models")[0] == 0
    code, out, _ = ends(monkeypatch, capsys, "predict", "d5-cylinder", "--json", "--plot", tmp_path / "chart.svg")
    assert code == 0
    assert json.loads(out)["notes"]
    ledger = tmp_path / "shop.ledger"
    model = tmp_path / "mine.toml"
    assert ends(monkeypatch, capsys, "new", "d5-cylinder", model)[0] == 0
    assert ends(monkeypatch, capsys, "ledger", "add-model", model, "--ledger", ledger)[0] == 0
    assert load("d5-cylinder")
