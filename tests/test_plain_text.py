"""No text from a file or a person is obeyed by the terminal that shows it."""

import ast
import json
from pathlib import Path

import pytest

import fluewright.cli
from fluewright.cli.printing import print_json, print_table, put, tell, warn
from fluewright.plain_text import cut_lines, has_controls, numbered, one_line, unobeyed, written_out

HOSTILE = [
    "\x1b[31mred", "\x1b]0;title\x07", "\x9b2J", "\x00", "\x7f", "\r", "\x08", "\u202egnp.exe", "\u2066x", "\u2028",
]  # fmt: skip


@pytest.mark.parametrize("text", HOSTILE, ids=ascii)
def test_what_a_terminal_would_obey_is_written_as_a_number(text):
    assert has_controls(text)
    for shown in (written_out(text), numbered(text), one_line(text), unobeyed(text)):
        assert not has_controls(shown)
        assert shown.isprintable()


def test_ordinary_text_stays_as_it_is():
    text = "Bläserstück ♪ 笛 \u200f\u05e9\u200e −3.5 ± 0.2 cents\n\tnext line, \u00a0 \U0001d11e"
    assert not has_controls(text)
    assert written_out(text) == numbered(text) == unobeyed(text) == text
    assert written_out("a\x1b[0mb\u202ec\x9bd") == "a\\x1b[0mb\\u202ec\\x9bd"


def test_a_quoted_text_is_one_short_line():
    assert one_line("a\nb\tc") == "a\\nb\\tc"
    assert one_line("x" * 300) == "x" * 197 + "..."
    assert one_line("x" * 200) == "x" * 200


@pytest.mark.parametrize("text", HOSTILE, ids=ascii)
def test_every_way_of_putting_out_is_harmless(capsys, text):
    put(f"name {text}\n")
    tell(f"name {text}\n")
    warn([f"name {text}"])
    print_table(f"title {text}", ["name", "figure"], [[text, "-3.5"]])
    print_json({"name": text})
    out, err = capsys.readouterr()
    assert not has_controls(out)
    assert not has_controls(err)
    assert json.loads(out[out.index("{") :])["name"] == text


def test_the_command_line_writes_in_one_place_only():
    """A module that wrote by itself could put out names as they are."""
    folder = Path(fluewright.cli.__file__).parent
    for path in folder.glob("*.py"):
        if path.name == "printing.py":
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            called = node.func if isinstance(node, ast.Call) else None
            if isinstance(called, ast.Name):
                assert called.id != "print", path.name
            if isinstance(called, ast.Attribute):
                assert called.attr not in ("write", "writelines", "echo", "secho"), (path.name, node.lineno)


@pytest.mark.parametrize(
    "words",
    [
        ["\x1b[31mverb"],
        ["predict", "d5-cylinder", "\x1b[31mmore"],
        ["predict", "--\x1b[31m"],
        ["check", "\x1b]0;x\x07"],
    ],
)
def test_what_was_typed_wrongly_is_quoted_harmlessly(monkeypatch, capsys, words):
    monkeypatch.setattr("sys.argv", ["fluewright", *words])
    with pytest.raises(SystemExit) as ended:
        fluewright.cli.main()
    assert ended.value.code == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("fluewright: ")
    assert err.count("\n") == 1
    assert "\\x1b" in err
    assert not has_controls(err)


def test_of_a_message_that_quotes_a_book_beginning_and_mend_stay():
    text = f'a.toml: "{"x" * 100_000}" is no note; write a capital letter'
    cut = cut_lines(f"{text}\nnext line")
    assert cut.startswith('a.toml: "xxx')
    assert cut.endswith("is no note; write a capital letter\nnext line")
    assert len(cut) < 2100
    assert cut_lines("short\n" * 500) == "short\n" * 500


@pytest.mark.parametrize(
    "words",
    [
        ("predict", "A" * 300),
        ("ledger", "verify", "--ledger", "A" * 300),
        ("listen", "A" * 300),
        ("next-cut", "A" * 300, "take.wav"),
        ("predict", "d5-cylinder", "--theme", "x" * 100_000),
        ("demo", "--out", "A" * 300),
        ("fit", "d5-cylinder", "--out", "A" * 300),
    ],
)
def test_a_name_that_no_system_takes_ends_in_one_short_message(monkeypatch, capsys, words):
    monkeypatch.setattr("sys.argv", ["fluewright", *words])
    with pytest.raises(SystemExit) as ended:
        fluewright.cli.main()
    assert ended.value.code in (1, 2)
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("fluewright: ")
    assert len(err) < 2500


def test_what_the_system_refuses_is_told_and_not_traced(monkeypatch, capsys):
    def full(*_):
        raise OSError(28, "No space left on device", "shop.ledger")

    monkeypatch.setattr("fluewright.instrument.starting.load", full)
    monkeypatch.setattr("sys.argv", ["fluewright", "check", "d5-cylinder"])
    with pytest.raises(SystemExit) as ended:
        fluewright.cli.main()
    assert ended.value.code == 1
    assert capsys.readouterr().err == (
        "fluewright: shop.ledger: No space left on device; check the name, the disk and your rights, then try again\n"
    )
