"""A disk that fails on purpose, laid under a program of its own: power cuts, a full disk, a read-only one, kills.

The layer is ``faulty_files.c``, built with the system's C compiler and laid under a program by the loader of Linux; it
needs no rights of an administrator. A power cut is played afterwards from the trace of every change and sync: what was
synced is there, of the rest anything may be missing.
"""

import functools
import os
import random
import shutil
import struct
import subprocess
import sys
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

__all__ = ["Op", "after_cut", "build_layer", "faulty_environment", "read_trace"]

_SOURCE = Path(__file__).with_name("faulty_files.c")
_HEAD = struct.Struct("<cQqII")
_SECTOR = 512


@functools.cache
def build_layer() -> Path:
    """Return the built layer; it is made once a run."""
    compiler = shutil.which("cc") or shutil.which("gcc") or shutil.which("clang")
    if compiler is None or not sys.platform.startswith("linux"):
        raise RuntimeError("the faulty disk needs Linux and a C compiler: install gcc")
    target = Path(tempfile.mkdtemp(prefix="faulty-disk-")) / "faulty.so"
    subprocess.run([compiler, "-O1", "-shared", "-fPIC", "-o", target, _SOURCE, "-ldl", "-lpthread"], check=True)
    return target


def faulty_environment(folder: Path, **how: object) -> dict[str, str]:
    """Return the environment of a program whose files below a folder fail.

    Parameters
    ----------
    folder : Path
    **how
        ``trace``: file to trace to; ``full``: bytes; ``read_only``: 1; ``kill``: number of the change.
    """
    said = {f"FAULTY_{key.upper()}": str(value) for key, value in how.items()}
    return {**os.environ, **said, "FAULTY_UNDER": str(folder.resolve()), "LD_PRELOAD": str(build_layer())}


@dataclass(frozen=True)
class Op:
    """One record of a trace: a change (C create, W write, T cut, R rename, L link, U unlink), S sync, A said aloud."""

    kind: str
    file: int
    place: int
    one: bytes
    two: bytes


def read_trace(path: Path) -> list[Op]:
    """Return the records of a trace."""
    return list(_records(path.read_bytes()))


def _records(data: bytes) -> Iterator[Op]:
    at = 0
    while at + _HEAD.size <= len(data):
        kind, file, place, first, second = _HEAD.unpack_from(data, at)
        at += _HEAD.size
        yield Op(kind.decode(), file, place, data[at : at + first], data[at + first : at + first + second])
        at += first + second


@dataclass
class _Disk:
    contents: dict[int, bytearray] = field(default_factory=dict)
    waiting: dict[int, list[Op]] = field(default_factory=dict)
    names: dict[str, int] = field(default_factory=dict)
    moves: list[Op] = field(default_factory=list)

    def rename(self, op: Op) -> None:
        one, two = op.one.decode(), op.two.decode()
        if op.kind == "C":
            self.names[one] = op.file
        elif op.kind == "U":
            self.names.pop(one, None)
        elif one in self.names:
            self.names[two] = self.names[one]
            if op.kind == "R":
                del self.names[one]


def _write(content: bytearray, op: Op, length: int | None = None) -> None:
    if op.kind == "T":
        del content[op.place :]
        content.extend(bytes(max(op.place - len(content), 0)))
        return
    data = op.one if length is None else op.one[:length]
    content.extend(bytes(max(op.place + len(data) - len(content), 0)))
    content[op.place : op.place + len(data)] = data


def after_cut(ops: Sequence[Op], at: int, folders: dict[int, Path], draw: random.Random) -> dict[str, bytes]:
    """Return what a disk holds after the power went before record ``at``: content by path.

    Parameters
    ----------
    ops : sequence of Op
    at : int
    folders : mapping
        Folders by their number on the disk: a sync of one puts the names in it down.
    draw : Random
        Draws what of the unsynced survived: names up to any one of them, writes in any choice, the last one torn.
    """
    disk = _Disk()
    for op in ops[:at]:
        if op.kind == "C":
            disk.contents[op.file], disk.waiting[op.file] = bytearray(), []
        if op.kind in "CRLU":
            disk.moves.append(op)
        elif op.kind in "WT":
            disk.waiting.setdefault(op.file, []).append(op)
        elif op.kind == "S" and op.file in folders:
            inside = [m for m in disk.moves if Path(m.one.decode()).parent == folders[op.file]]
            for move in inside:
                disk.rename(move)
            disk.moves = [m for m in disk.moves if m not in inside]
        elif op.kind == "S":
            for waiting in disk.waiting.get(op.file, []):
                _write(disk.contents.setdefault(op.file, bytearray()), waiting)
            disk.waiting[op.file] = []
    for move in disk.moves[: draw.randint(0, len(disk.moves))]:
        disk.rename(move)
    all_lost = draw.random() < 0.4
    for file, waiting in disk.waiting.items():
        for op in waiting:
            if not all_lost and draw.random() < 0.6:
                torn = draw.random() < 0.2
                length = draw.randrange(0, len(op.one) + 1, _SECTOR) if torn and op.one else None
                _write(disk.contents.setdefault(file, bytearray()), op, length)
    return {name: bytes(disk.contents.get(file, b"")) for name, file in disk.names.items()}
