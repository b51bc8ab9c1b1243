"""Texts from files and people, made harmless where they are shown: what a terminal would obey is written out."""

import re

__all__ = ["cut_lines", "has_controls", "numbered", "one_line", "unobeyed", "written_out"]

# Control characters (a terminal obeys them, U+009B like escape and bracket), what turns the order of letters on screen
# over, and the separators that some programs take for a new line. The marks of right-to-left writing itself stay.
_CONTROLS = "\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069"
_OBEYED = re.compile(f"[{_CONTROLS}]")


def has_controls(text: str) -> bool:
    """Return whether a text holds what a terminal or a page would obey; line feeds and tabs are none of it."""
    return _OBEYED.search(text) is not None


def written_out(text: str) -> str:
    r"""Return the text with every character that would be obeyed written as its number, ``\x1b`` or ``\u202e``.

    Line feeds and tabs stay.
    """
    return _OBEYED.sub(lambda found: ascii(found[0])[1:-1], text)


def numbered(text: str) -> str:
    r"""Return the text with every character that would be obeyed as JSON writes its number: ``\u009b``."""
    return _OBEYED.sub(lambda found: f"\\u{ord(found[0]):04x}", text)


def unobeyed(text: str) -> str:
    """Return the text with one sign, U+FFFD, for every character that would be obeyed; for drawings and paper."""
    return _OBEYED.sub("\ufffd", text)


def one_line(text: str, most: int = 200) -> str:
    """Return the text harmless, on one line, and cut after ``most`` characters, for a message that quotes it."""
    flat = written_out(text.replace("\n", "\\n").replace("\t", "\\t"))
    return flat if len(flat) <= most else f"{flat[: most - 3]}..."


def cut_lines(text: str, most: int = 2000) -> str:
    """Return the text with the middle of every line left out that has more than ``most`` characters.

    A message that quotes what it was given keeps its beginning, which names the place, and its end, the mend.
    """
    half = most // 2 - 3
    lines = (line if len(line) <= most else f"{line[:half]} ... {line[-half:]}" for line in text.split("\n"))
    return "\n".join(lines)
