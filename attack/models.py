"""Model files changed at random: each is refused with one message, or is a model that every computation can do."""

import json
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from random import Random
from typing import Final

from attack.command import complaint, run_command
from attack.registry import Effort, Finding, part
from attack.workers import attack_with

__all__ = ["changed", "models"]

_WHOLE: Final = 2000
_NUMBER: Final = re.compile(r"(?<![\w.\"'-])-?\d+(?:\.\d+)?(?:[eE][-+]?\d+)?(?![\w.\"'])")
_STRING: Final = re.compile(r'"[^"\n]*"')
_KEY: Final = re.compile(r"(?m)^[A-Za-z_][A-Za-z0-9_]*(?= = )")
_VALUES: Final = (
    "0", "0.0", "-0.0", "-1", "1", "5", "1e-308", "5e-324", "1e-12", "1e-6", "0.001", "0.05", "1e308", "1e400",
    "nan", "-nan", "inf", "-inf", "true", "false", '""', '"x"', '"3.0"', "[]", "[[]]", "{}", "1979-05-27", "07:32:00",
    "1979-05-27T07:32:00Z", "0xff", "0o17", "0b1", "1_0", "9223372036854775808", "9" * 60, "9" * 5000, "[1, 2]",
    "[[0, 1], [2, 3]]", "'''\n\n'''", "4999.99", "5000", "5000.1", "89.999999", "1e-300", "0.1", "100", "20000",
)  # fmt: skip
_TEXTS: Final = (
    "", " ", "x" * 80, "x" * 81, "x" * 60_000, r"\u001b[31mred\u001b[0m", r"\u001b]0;title\u0007", r"\u009b31m",
    r"a\nb", r"a\tb", r"\r", r"\u202egnp", r"\u2028", r"\u0000", "笛", "𝄞", r"\u007f", "../../../x", "a/b", "..",
    "<script>", "{{7*7}}", "#import", "$x$", "[bold]", "%s", "=1+1", "C5", "H9", "C99", "C-1", "ccc", "ooo ooo", "x.y",
    "holes", "*", "length_mm", "nan", "-", "con", "CON", r"\\", "null", "__class__", "{0}", "model_fields",
)  # fmt: skip


def _any(rng: Random, pattern: re.Pattern[str], text: str) -> re.Match[str] | None:
    found = list(pattern.finditer(text))
    return rng.choice(found) if found else None


def _put(text: str, at: re.Match[str] | None, word: str) -> str:
    return text if at is None else text[: at.start()] + word + text[at.end() :]


def _other_number(rng: Random, text: str) -> str:
    return _put(text, _any(rng, _NUMBER, text), rng.choice(_VALUES))


def _scaled_number(rng: Random, text: str) -> str:
    at = _any(rng, _NUMBER, text)
    return text if at is None else _put(text, at, repr(float(at[0]) * 10.0 ** rng.uniform(-4, 4)))


def _nudged_numbers(rng: Random, text: str) -> str:
    far = 10.0 ** rng.uniform(-4, -0.7)
    share = rng.choice((0.05, 0.3, 1.0))

    def nudged(at: re.Match[str]) -> str:
        return repr(float(at[0]) * (1.0 + far * rng.uniform(-1, 1))) if rng.random() < share else at[0]

    return re.sub(r"(?<== )-?\d+\.\d+", nudged, text)


def _other_text(rng: Random, text: str) -> str:
    return _put(text, _any(rng, _STRING, text), f'"{rng.choice(_TEXTS)}"')


def _other_key(rng: Random, text: str) -> str:
    words = ("x", '"\\u001b[2J"', '""', "'a.b'", "a.b.c", "format", "holes", "name", "é", "k" * 1000)
    return _put(text, _any(rng, _KEY, text), rng.choice(words))


def _optional_key(rng: Random, text: str) -> str:
    """Set keys that the starting models leave out."""
    wishes = (
        ("[head]", "ear_height_mm"), ("[head]", "broken_edge_mm"), ("[head.upper_chamfer]", "length_mm"),
        ("[head.lower_chamfer]", "length_mm"), ("[head.windway]", "entry_flare_mm"), ("[conditions]", "co2_fraction"),
        ("[conditions]", "breath_temperature_c"), ("[conditions]", "cooling_length_mm"),
        ("[[holes]]", "inner_chamfer_mm"), ("[[holes]]", "waist_mm"), ("[[holes]]", "outer_round_mm"),
        ("[[holes]]", "undercut.all_round_mm"),
        ("[[holes]]", "undercut.upstream_mm"), ("[[holes]]", "undercut.angle_deg"), ("[bore]", "wall_loss_factor"),
        ("[player]", "finger_bulge"), ("[player]", "half_open_fraction"), ("[target.breath]", "exponent"),
        ("[target.breath]", "lowest_note_pa"), ("[limits]", "length_min_mm"), ("[limits]", "foot_margin_mm"),
        ("[[holes]]", "min_diameter_mm"), ("[[holes]]", "max_position_mm"), ("[target]", "tolerance_cents"),
    )  # fmt: skip
    for table, key in rng.sample(wishes, rng.choice((1, 1, 2, 4))):
        value = rng.choice((*_VALUES[:18], repr(10.0 ** rng.uniform(-8, 3)), repr(rng.uniform(0, 2))))
        line = f"{table}\n{key} = {value}"
        text = re.sub(rf"(?m)^{re.escape(key)} = .*\n", "", text) if table != "[[holes]]" else text
        text = text.replace(table, line, 1) if table in text else f"{text}\n{line}\n"
    return text


def _line_moved(rng: Random, text: str) -> str:
    lines = text.split("\n")
    a, b = rng.randrange(len(lines)), rng.randrange(len(lines))
    what = rng.choice(("lost", "doubled", "swapped", "moved"))
    if what == "lost":
        del lines[a]
    elif what == "doubled":
        lines.insert(b, lines[a])
    elif what == "swapped":
        lines[a], lines[b] = lines[b], lines[a]
    else:
        lines.insert(b, lines.pop(a))
    return "\n".join(lines)


def _letters_flipped(rng: Random, text: str) -> str:
    letters = list(text)
    for _ in range(rng.choice((1, 3, 30))):
        letters[rng.randrange(len(letters))] = rng.choice("[]{}\"'=.,#\n\t\\0123456789ae-+_ \x00\x1b\x7f\u202eé")
    return "".join(letters)


def _cut_off(rng: Random, text: str) -> str:
    return text[: rng.randrange(len(text))]


def _bomb(rng: Random, text: str) -> str:
    size = rng.choice((9, 100, 5000, 20_000, 60_000, 200_000))
    dotted = ".".join(["a"] * min(size, 500_000))
    bombs: tuple[Callable[[], str], ...] = (
        lambda: f"{dotted} = 1\n",
        lambda: f"[{dotted}]\n",
        lambda: f"[[{dotted}]]\n",
        lambda: f"a = {{{dotted} = 1}}\n",
        lambda: " . ".join(['"a"'] * min(size, 200_000)) + " = 1\n",
        lambda: "\n".join(f"[{'.'.join('a' * n)}]" for n in range(1, min(size, 1200))) + "\n",
        lambda: "a = " + "[" * size + "]" * rng.choice((0, size)) + "\n",
        lambda: "a = " + "{a = " * size + "1" + "}" * size + "\n",
        lambda: "a = [" + "1," * size + "]\n",
        lambda: "a = [\n" + "[1, 2],\n" * min(size, 100_000) + "]\n",
        lambda: "\n".join(f"k{n} = 1" for n in range(min(size, 90_000))) + "\n",
        lambda: "\n".join(f"[t{n}]" for n in range(min(size, 90_000))) + "\n",
        lambda: "[[holes]]\n" * min(size, 90_000),
        lambda: f'a = "{"x" * size}"\n',
        lambda: f"{'k' * size} = 1\n",
        lambda: f"a = {'1' * size}\n",
        lambda: f"a = 0.{'1' * size}\n",
        lambda: f"a = 0x{'f' * size}\n",
        lambda: f"a = {'1_' * size}1\n",
        lambda: '"""' + '""\\' * size,
        lambda: f"#{'#' * size}\n",
        lambda: "\n" * size,
        lambda: "a = 1\n" * min(size, 2),
        lambda: "\n".join(f"a.b{n}.c = 1" for n in range(min(size, 60_000))) + "\n",
        lambda: "[" * size,
        lambda: "a = '''" + "'" * size,
    )
    bomb = rng.choice(bombs)()
    return bomb + text if rng.random() < 0.5 else f"{text}\n{bomb}"


def _stations(rng: Random, text: str) -> str:
    """Write the bore or the outside anew: many stations, steps, cones as short as can be."""
    key = rng.choice(("stations_mm", "outside_mm"))
    found = re.search(rf"(?ms)^{key} = (\[\[.*?\]\])", text)
    if found is None:
        return text
    try:
        stations = json.loads(re.sub(r",\s*\]", "]", re.sub(r"#.*", "", found[1])))
        (x0, d0), (x1, d1) = stations[0], stations[-1]
    except ValueError:  # another trick has been here
        return text
    count = rng.choice((3, 10, 100, 498, 499, 5000))
    places = sorted(rng.uniform(x0, x1) for _ in range(count))
    wave = rng.choice((0.0, 1e-9, 0.01, 0.2))
    middle = [[x, d0 + (d1 - d0) * (x - x0) / (x1 - x0) + d0 * wave * rng.uniform(-1, 1)] for x in places]
    if rng.random() < 0.3:
        middle = [[x, d] for x, d in middle for d in (d, d + rng.choice((0.0, 1e-12, 0.3)))]
    return _put(text, found, f"{key} = {json.dumps([stations[0], *middle, stations[-1]])}")


def _more_holes(rng: Random, text: str) -> str:
    at = text.find("[[holes]]")
    end = text.find("\n[[holes]]", at + 1)
    if at < 0 or end < 0:
        return text
    one = text[at : end + 1]
    return text[:at] + one * rng.choice((1, 2, 18, 19, 300)) + text[at:]


def _odd_bytes(rng: Random, text: str) -> bytes:
    raw = text.encode("utf-8")
    kind = rng.randrange(6)
    if kind == 0:
        return b"\xef\xbb\xbf" + raw
    if kind == 1:
        return raw.replace(b"\n", b"\r\n")
    if kind == 2:
        return text.encode("utf-16")
    if kind == 3:
        return raw.replace(b"\n", b"\r")
    if kind == 4:
        return rng.randbytes(rng.choice((0, 1, 4000)))
    at = rng.randrange(len(raw))
    return raw[:at] + rng.randbytes(3) + raw[at:]


_TRICKS: Final = (
    _other_number, _other_number, _scaled_number, _nudged_numbers, _nudged_numbers, _other_text, _other_text,
    _other_key, _optional_key, _optional_key, _line_moved, _letters_flipped, _cut_off, _bomb, _stations, _more_holes,
)  # fmt: skip


def changed(seed: str) -> tuple[str, bytes]:
    """Return what was done to which starting model, and the file; both depend on the seed alone."""
    from fluewright.instrument.starting import starting_models

    rng = Random(seed)
    name, path = rng.choice(sorted(starting_models().items()))
    text = path.read_text(encoding="utf-8")
    tricks = [rng.choice(_TRICKS) for _ in range(rng.choice((1, 1, 1, 2, 3)))]
    for trick in tricks:
        text = trick(rng, text) or text
    said = f"{name} {' '.join(trick.__name__.strip('_') for trick in tricks)}"
    if rng.random() < 0.05:
        return f"{said} odd_bytes", _odd_bytes(rng, text)
    return said, text.encode("utf-8", "surrogatepass")


# What may follow on a model that was accepted; the slow ones are drawn more rarely.
_FURTHER: Final = (
    ("sensitivity", "{}", "--json"), ("impedance", "{}", "--fingering", "ccc ooo"),
    ("standing-wave", "{}", "--fingering", "ooo ooo"),
    ("sheet", "{}", "-o", "{}.pdf"), ("predict", "{}", "--plot", "{}.svg"), ("blow", "{}", "--json", "--no-jumps"),
    ("fit", "{}", "--json"), ("voicing", "{}", "--json"), ("ledger", "add-model", "{}", "--ledger", "{}.ledger"),
)  # fmt: skip


def _tried(seed: str) -> str:
    """Return ``refused`` or ``computed``; whatever else happens to this file is an exception."""
    did, raw = changed(seed) if seed else ("unchanged", None)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "model.toml"
        if raw is None:
            run_command("new", "d5-cylinder", str(path))
        else:
            path.write_bytes(raw)
        verbs = [("check", "{}"), ("predict", "{}", "--json")]
        further = [*_FURTHER] if not seed else [Random(seed).choices(_FURTHER, (4, 2, 2, 3, 4, 2, 1, 1, 3))[0]]
        for verb in (*verbs, *further):
            words = [word.replace("{}", str(path)) for word in verb]
            try:
                ended = run_command(*words)
            except Exception as error:
                error.args = (f"{verb[0]} of {did}: {error}",)
                raise
            wrong = complaint(ended)
            if wrong:
                raise AssertionError(f"{verb[0]} of {did}: {wrong}")
            if verb == verbs[0] and ended.code:
                if str(path) not in ended.err:
                    raise AssertionError(f"{did}: the message does not name the file: {ended.err[:200]}")
                return "refused"
    return "computed"


@part("models", quick=0.02)
def models(effort: Effort) -> list[Finding]:
    """Change starting models in every way and do with the files what a maker does."""
    count = effort.of(_WHOLE)
    findings, answers = attack_with(
        _tried, [f"{effort.seed}/models/{n}" for n in range(count)], what="model files", warm=""
    )
    # Files that are all refused, or all good, would prove little.
    spread = min(answers["refused"], answers["computed"]) < count // 20
    note = f"{answers['refused']} refused, {answers['computed']} computed"
    return [*findings, Finding("model files: refused and good ones", count, int(spread), note)]
