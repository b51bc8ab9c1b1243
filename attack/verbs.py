"""Every verb of the command line with wrong, huge, empty and hostile words for each of its arguments and options.

The verbs and what they take are read from the app itself, so that a new one is attacked without being named here.
"""

import contextlib
import os
import shutil
import stat
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import numpy as np

from attack.command import complaint, run_command
from attack.registry import Effort, Finding, part
from attack.workers import attack_with

__all__ = ["cases_of", "verbs", "verbs_of_app"]

# Good words by what an argument is called; one that is called otherwise gets hostile words alone.
_GOOD: Final = {
    "model": "d5-cylinder", "starting": "d5-cylinder", "recording": "take.wav", "recordings": "take.wav",
    "fingering": "ccc ooo", "ledger": "shop.ledger", "serial": "D5-0001", "prefix": "D5", "output": "new.wav",
    "path": "new.toml", "target": "new.ledger", "folder": "new-folder", "size": "holes.3.diameter_mm=6.5",
    "key": "holes.3.diameter_mm", "before_mm": "6.5", "after_mm": "6.6", "event_id": "2", "state": "tuned",
    "reason": "A5 flat", "tool": "reamer", "swell": "D5", "log": "log.csv", "trial": "trial.json",
}  # fmt: skip
# Where a word of this name stands, another kind of good word is wanted than elsewhere.
_GOOD_OF_VERB: Final = {("ledger cut", "size"): "holes.3.diameter_mm"}
_TEXTS: Final = (
    "", " ", "-", "--", "x", "x" * 100_000, "\x1b[31mred\x1b[0m", "\x9b2J", "\x1b]0;title\x07", "a\nb", "a\rb", "é",
    "笛" * 100, "\u202egnp", "\u2028", "%s{0}%n", "[bold]x[/bold]", "[/]", "$(touch pwned)", "`id`",
    "'; DROP TABLE events;--", "../../x", "..", "*", "\udc80", "C5", "H9", "C99", "ccc ccc", "holes.1", "true",
    "null", "=1+1", "D5-0001", "D5-9999", "tuned", "d5-cylinder", "__class__", "{{7*7}}", "<script>", "light", "con",
    "A" * 300,
)  # fmt: skip
_NUMBERS: Final = (
    "0", "-0.0", "-1", "1", "12", "440", "nan", "-nan", "inf", "-inf", "1e400", "5e-324", "1e-308", "1e308", "9" * 30,
    "9" * 5000, "9223372036854775808", "-9223372036854775809", "2147483648", "0x10", "1_000", "٣", "1,5", "1e",
    "0.5.5",
)  # fmt: skip
_PAIRS: Final = (
    "=", "=1", "a=b=c", "length_mm=1e999", "length_mm=nan", "holes.3.diameter_mm=-1", "holes.99.diameter_mm=5",
    "holes.3.diameter_mm=" + "9" * 5000, "holes..=1", "bore.stations_mm.1.2=12", "D5.jump_pa=280", "D5.jump_pa=1e999",
    "D5=nan", "1=2", "1=2mm", "nan=nan", "inf=1", "1e300=1", "block-back=1", "block-back=" + "9" * 400,
)  # fmt: skip
_PLACES: Final = (
    ".", "missing/deep/x", "x" * 300, "words.txt", "empty", "pipe", "loop", "gone", "folder", "huge",
    "words.txt/inside", "take.wav", "cut.wav", "shop.ledger", "broken.ledger", "broken.toml", "deep.toml",
    "deep.json", "trial.json", "list.json", "log.csv", "nan.csv", "long.csv", "new.pdf", "new.svg", "new.flac",
    "new.xyz", "a\nb.wav", "\x1b[2J.wav", "folder/new.svg",
)  # fmt: skip
_WORDS_EACH: Final = 24
_WORDS: Final = (*_TEXTS, *_NUMBERS, *_PAIRS, *_PLACES)

_Case = tuple[str, ...]
_workshop: Path | None = None


def verbs_of_app() -> dict[str, list[Any]]:
    """Return the parameters of every verb that the app has, by the verb's name with its group."""
    import typer.main

    from fluewright.cli import app

    def walk(command: Any, path: tuple[str, ...]) -> Iterator[tuple[str, list[Any]]]:
        inner = getattr(command, "commands", None)
        if inner is None:
            yield " ".join(path), list(command.params)
            return
        for name, command in inner.items():
            yield from walk(command, (*path, name))

    return dict(walk(typer.main.get_command(app), ()))


def _given(verb: str, taken: list[Any], given: dict[str, tuple[str, ...]]) -> _Case:
    """Return a command line: the good words for what is required, other words for what is given, arguments last."""
    options: list[str] = []
    arguments: list[str] = []
    for parameter in taken:
        words = given.get(parameter.name)
        if words is None and parameter.required:
            good = _GOOD_OF_VERB.get((verb, parameter.name)) or _GOOD.get(parameter.name)
            words = (good,) if good else None
        if words is None:
            continue
        if parameter.param_type_name == "argument":
            arguments.extend(words)
        elif getattr(parameter, "is_flag", False):
            options.extend(parameter.opts[-1] for _ in words)
        else:
            for word in words:
                options.extend((max(parameter.opts, key=len), word))
    # Two dashes, so that a word that begins with one is an argument.
    return (*verb.split(), *options, *(("--", *arguments) if arguments else ()))


def cases_of(verb: str, taken: list[Any], effort: Effort) -> list[_Case]:
    """Return the command lines that a verb is attacked with: some words for every parameter, all over many seeds."""
    rng = effort.random(verb)
    cases = [_given(verb, taken, {}), tuple(verb.split()), (*verb.split(), "--nonsense"), (*verb.split(), "--help")]
    cases += [(*_given(verb, taken, {}), word) for word in ("more", "\x1b[31m", "")]
    for parameter in taken:
        if getattr(parameter, "is_flag", False):
            cases.append(_given(verb, taken, {parameter.name: ("",)}))
            continue
        words = rng.sample(_WORDS, _WORDS_EACH)
        cases += [_given(verb, taken, {parameter.name: (word,)}) for word in words]
        good = _GOOD.get(parameter.name)
        if good is not None:
            cases += [_given(verb, taken, {parameter.name: words}) for words in ((), (good,), (good, good))]
        cases += [_given(verb, taken, {parameter.name: ("x",) * 300})]
    rng.shuffle(cases)
    return cases[: effort.of(len(cases), least=2)]


def _make_workshop(folder: Path) -> None:
    """Write what the words name: good and bad files of every kind, a ledger with a piece, a pipe, a loop."""
    import soundfile

    t = np.arange(22_050) / 44_100
    soundfile.write(folder / "take.wav", 0.2 * np.sin(2 * np.pi * 587.33 * t), 44_100)
    (folder / "cut.wav").write_bytes((folder / "take.wav").read_bytes()[:2000])
    shutil.copy(folder / "take.wav", folder / "\x1b[2J.wav")
    (folder / "words.txt").write_text("these are words\n", encoding="utf-8")
    (folder / "empty").touch()
    (folder / "folder").mkdir()
    os.mkfifo(folder / "pipe")
    (folder / "loop").symlink_to("loop")
    (folder / "gone").symlink_to("nowhere")
    with (folder / "huge").open("wb") as stream:
        stream.truncate(3 << 30)
    (folder / "broken.ledger").write_bytes(b"SQLite format 3\0" + bytes(range(256)) * 20)
    (folder / "broken.toml").write_text("= = =", encoding="utf-8")
    (folder / "deep.toml").write_text(".".join(["a"] * 20_000) + " = 1", encoding="utf-8")
    (folder / "deep.json").write_text("[" * 100_000, encoding="utf-8")
    (folder / "list.json").write_text('{"format": "fluewright-trial/1", "notes": [[1], 2, null]}', encoding="utf-8")
    (folder / "log.csv").write_text("".join(f"{0.1 * n:.1f},{100 + n}\n" for n in range(30)), encoding="utf-8")
    (folder / "nan.csv").write_text("0,nan\n1,inf\n", encoding="utf-8")
    (folder / "long.csv").write_text("1" * 200_000 + ",2\n", encoding="utf-8")
    for words in (
        ("trial", "d5-cylinder", "--reading", "D5.jump_pa=280", "--out", str(folder / "trial.json")),
        ("ledger", "add-model", "d5-cylinder", "--ledger", str(folder / "shop.ledger")),
        ("ledger", "begin", "d5-cylinder", "--prefix", "D5", "--ledger", str(folder / "shop.ledger")),
        ("ledger", "cut", "D5-0001", "holes.3.diameter_mm", "6.5", "6.6", "--tool", "reamer", "--reason", "A5 flat",
         "--ledger", str(folder / "shop.ledger")),
    ):  # fmt: skip
        ended = run_command(*words)
        if ended.code:
            raise RuntimeError(f"{' '.join(words)}: {ended.err}")


def _end_what_does_not_end() -> None:
    """A server waits for ever and the demo computes for minutes: both end where that begins."""
    from fluewright.demo import kept_set, story
    from fluewright.errors import ComputeError
    from fluewright.web import serve

    def ended(*_: object, **__: object) -> None:
        raise ComputeError("the attack ends here")

    serve.run = lambda _, listener, __: listener.close()
    story.run_story = kept_set.demo_ledger = ended  # type: ignore[assignment]


def _tried(case: _Case) -> int:
    """Run a command line in a workshop of its own and return its exit code; anything wrong with it is an exception."""
    from fluewright.folders import cache_folder

    global _workshop
    if _workshop is None:
        _workshop = Path(tempfile.mkdtemp(prefix="fluewright-attack-"))
        # The compiled kernels stay where they are; ledgers by default do not.
        os.environ["FLUEWRIGHT_CACHE"] = str(cache_folder())
        for name in ("HOME", "XDG_DATA_HOME", "LOCALAPPDATA"):
            os.environ[name] = str(_workshop / "home")
        _make_workshop(_workshop)
        _end_what_does_not_end()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "work"
        folder.mkdir()
        for path in _workshop.iterdir():
            if path.name in ("huge", "pipe", "loop", "gone"):
                continue
            (shutil.copytree if path.is_dir() else shutil.copy)(path, folder / path.name)
        os.mkfifo(folder / "pipe")
        for link in ("loop", "gone"):
            (folder / link).symlink_to("loop" if link == "loop" else "nowhere")
        with (folder / "huge").open("wb") as stream:
            stream.truncate(3 << 30)
        with contextlib.chdir(folder):
            ended = run_command(*case)
        wrong = complaint(ended)
        if not wrong and not stat.S_ISFIFO((folder / "pipe").lstat().st_mode):
            wrong = "the pipe was replaced by a file"
        left = [path.name for path in Path(name).iterdir() if path.name != "work"]
        left += [path.name for path in folder.rglob("*.part")]
        if not wrong and left:
            wrong = f"left behind: {left}"
        if wrong:
            raise AssertionError(f"{' '.join(word[:60] for word in case)}: {wrong}")
    return ended.code


@part("verbs", quick=0.02)
def verbs(effort: Effort) -> list[Finding]:
    """Give every verb every hostile word in every place."""
    found = verbs_of_app()
    cases = [case for verb, taken in found.items() for case in cases_of(verb, taken, effort)]
    effort.random("verbs").shuffle(cases)
    warm = ("predict", "d5-cylinder")
    findings, codes = attack_with(_tried, cases, what="command lines", warm=warm)
    note = f"{len(found)} verbs; {codes[0]} did something, {codes[1]} failed, {codes[2]} were refused"
    return [*findings, Finding("verbs of the app", len(found), int(not codes[0] or not codes[2]), note)]
