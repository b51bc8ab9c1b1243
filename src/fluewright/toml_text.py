"""TOML from files that anybody may have written: what would take the parser minutes or gigabytes is refused before it.

A key of 20 000 dotted parts, 80 kB of text, costs Python's parser half a minute and 1.6 GB, since it keeps every part
of every key; a number of 60 000 digits and underscores costs as much; brackets nest until its stack ends.
"""

import re
import tomllib
from typing import Any, Final

from fluewright.errors import InputError
from fluewright.plain_text import one_line

__all__ = ["DEEPEST", "LONGEST_LINE", "LONGEST_WORD", "toml_data"]

DEEPEST: Final = 8
"""Parts of a dotted key, or brackets within brackets; a model needs three."""
LONGEST_LINE: Final = 65_536
"""Letters in a line; 500 stations of a bore need half of that."""
LONGEST_WORD: Final = 100
"""Letters or digits of a key or a number outside quotes."""

# Strings and comments, which hide everything within. Every way on is told by its first sign, so nothing is looked at
# twice; groups are not possessive, which Python before 3.11.5 gets wrong (gh-106052). A string that does not end is a
# fault that the parser finds; all before it has been seen by then.
_HIDDEN: Final = re.compile(
    r'''"""(?:[^\\"]|\\.|"(?!""))*(?:"{3,5}|\Z)'''
    r"""|'''(?:[^']|'(?!''))*(?:'{3,5}|\Z)"""
    r"""|"(?:[^\\"\n]|\\[^\n])*"?"""
    r"""|'[^'\n]*+'?"""
    r"""|\#[^\n]*+""",
    re.DOTALL,
)
_PART: Final = r"(?:[^\s.=\[\]{},\"']++)"
_LONG_KEY: Final = re.compile(rf"{_PART}(?:[ \t]*+\.[ \t]*+{_PART}){{{DEEPEST},}}")
_LONG_WORD: Final = re.compile(rf"[^\s.=\[\]{{}},\"']{{{LONGEST_WORD + 1},}}+")
_BRACKET: Final = re.compile(r"[\[\]{}]")


def toml_data(text: str) -> dict[str, Any]:
    """Return what a TOML text holds.

    Raises
    ------
    InputError
        It is no TOML, or has a line, a key or brackets beyond what can be read with ease; without a place.
    """
    # The parser wants bare line feeds; files from other systems have pairs.
    text = text.replace("\r\n", "\n")
    _check_lines(text)
    _check_words(text)
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputError(f"is not valid TOML: {one_line(str(error))}; mend that line") from None
    except RecursionError:
        raise InputError("is not valid TOML: brackets are nested too deeply; mend it") from None
    except (ValueError, OverflowError) as error:
        raise InputError(f"is not valid TOML: {one_line(str(error))}; mend that value") from None


def _check_lines(text: str) -> None:
    for number, line in enumerate(text.split("\n"), start=1):
        if len(line) > LONGEST_LINE:
            raise InputError(
                f"line {number} has {len(line)} letters, above the {LONGEST_LINE} that a line may have; it begins with "
                f"{one_line(line, 40)}; break it into several lines or leave it out"
            )


def _check_words(text: str) -> None:
    """Refuse words too long, keys of too many parts and brackets too deep, outside strings and comments."""
    bare = _HIDDEN.sub(_as_word, text)
    found = _LONG_WORD.search(bare)
    if found:
        line = bare.count("\n", 0, found.start()) + 1
        raise InputError(
            f"line {line}: {one_line(found[0], 40)} has {len(found[0])} letters or digits, above the "
            f"{LONGEST_WORD} that a key or a number may have; shorten it"
        )
    found = _LONG_KEY.search(bare)
    if found:
        line = bare.count("\n", 0, found.start()) + 1
        parts = found[0].count(".") + 1
        raise InputError(
            f"line {line}: the key {one_line(found[0], 40)} has {parts} parts, above the {DEEPEST} that a key may "
            "have; shorten it"
        )
    _check_brackets(bare)


def _check_brackets(bare: str) -> None:
    depth = 0
    for bracket in _BRACKET.finditer(bare):
        depth += 1 if bracket[0] in "[{" else -1
        if depth > DEEPEST:
            line = bare.count("\n", 0, bracket.start()) + 1
            raise InputError(
                f"line {line}: brackets are nested more than {DEEPEST} deep; a model needs three, take the others out"
            )


def _as_word(hidden: re.Match[str]) -> str:
    """Return what stands for a string or a comment: a letter, since a key may be quoted, and the same lines."""
    return ("" if hidden[0][0] == "#" else "q") + "\n" * hidden[0].count("\n")
