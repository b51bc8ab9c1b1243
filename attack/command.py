"""Runs the command line within this process and says what was wrong with how it ended."""

import contextlib
import io
import re
import sys
from dataclasses import dataclass
from typing import Final

__all__ = ["Ended", "complaint", "run_command"]

# What a terminal obeys instead of showing, and what turns the order of letters on screen; line feeds are meant.
_OBEYED: Final = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u2028-\u202e\u2066-\u2069]")
_LONGEST_MESSAGE: Final = 20_000


@dataclass(frozen=True)
class Ended:
    """How a command ended and what it put out."""

    code: int
    out: str
    err: str


def run_command(*words: str) -> Ended:
    """Run ``fluewright`` with these words; any exception but its own end is the caller's."""
    from fluewright.cli import main

    out, err = (io.TextIOWrapper(io.BytesIO(), encoding="utf-8", newline="\n") for _ in range(2))
    arguments = sys.argv
    sys.argv = ["fluewright", *words]
    code = 0
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
    except SystemExit as ended:
        code = ended.code if isinstance(ended.code, int) else 0 if ended.code is None else 99
    finally:
        sys.argv = arguments
    texts = []
    for stream in (out, err):
        stream.flush()
        texts.append(stream.buffer.getvalue().decode("utf-8"))
    return Ended(code, *texts)


def complaint(ended: Ended) -> str:
    """Return what is wrong with how a command ended, whatever it was given; empty when nothing is."""
    if ended.code not in (0, 1, 2):
        return f"exit code {ended.code}"
    for stream, text in (("stdout", ended.out), ("stderr", ended.err)):
        found = _OBEYED.search(text)
        if found:
            return f"{found[0]!r} in {stream}: {text[max(0, found.start() - 30) : found.end() + 30]!r}"
        if "Traceback (most recent" in text:
            return f"a traceback in {stream}"
    if ended.code == 0:
        return ""
    if ended.out.lstrip().startswith("Usage:") or (ended.code == 1 and ended.out.strip()):
        return ""  # the help of a group, or findings that are the answer
    if not ended.err.strip():
        return f"exit code {ended.code} without a message"
    told = [line for line in ended.err.splitlines() if line.startswith("fluewright: ")]
    if len(told) != 1:
        return f"{len(told)} messages: {ended.err[:300]!r}"
    if len(ended.err) > _LONGEST_MESSAGE:
        return f"a message of {len(ended.err)} letters"
    return ""
