"""A ledger read as plain bytes, where SQLite itself cannot read it: in a read-only folder, or on a full disk.

SQLite reads a ledger only where it can lay its shared index beside it. Here the file and the commits that still stand
in its ``-wal`` are put together in memory (https://www.sqlite.org/fileformat2.html#the_write_ahead_log).
"""

import sqlite3
import struct
from pathlib import Path
from typing import Final

__all__ = ["image_connection", "ledger_image"]

_HEADER, _FRAME_HEADER = 32, 24
_MAGIC: Final = {0x377F0682: "<", 0x377F0683: ">"}
_TRIES: Final = 5


def image_connection(path: Path) -> sqlite3.Connection:
    """Return a connection to a copy of a ledger in memory, which refuses to be written.

    Raises
    ------
    OSError
        The file cannot be read.
    sqlite3.Error
        It is no database.
    """
    connection = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    try:
        connection.deserialize(ledger_image(path))
        connection.execute("PRAGMA query_only = ON")
    except BaseException:
        connection.close()
        raise
    return connection


def ledger_image(path: Path) -> bytes:
    """Return a ledger's content with every commit of its ``-wal``, as a database that needs none.

    Raises
    ------
    OSError
        The file cannot be read.
    """
    wal = path.with_name(f"{path.name}-wal")
    for _ in range(_TRIES):
        before = _stamps(path, wal)
        content, log = path.read_bytes(), wal.read_bytes() if wal.exists() else b""
        if _stamps(path, wal) == before:
            break  # else a program that may write it folded the log away meanwhile
    pages = bytearray(content)
    _lay_over(pages, log)
    if pages[18:20] == b"\x02\x02":
        pages[18:20] = b"\x01\x01"  # a database in memory has no write-ahead log
    return bytes(pages)


def _stamps(*paths: Path) -> list[tuple[int, int] | None]:
    found: list[tuple[int, int] | None] = []
    for path in paths:
        try:
            about = path.stat()
        except FileNotFoundError:
            found.append(None)
        else:
            found.append((about.st_mtime_ns, about.st_size))
    return found


def _lay_over(pages: bytearray, log: bytes) -> None:
    """Write the pages of all whole commits of a log over those of the file."""
    if len(log) < _HEADER:
        return
    magic, _, page_size, _, salt_1, salt_2, sum_1, sum_2 = struct.unpack(">8I", log[:_HEADER])
    order = _MAGIC.get(magic)
    if order is None or page_size < 512 or page_size & (page_size - 1):
        return
    if _checksum(order, log[:24], (0, 0)) != (sum_1, sum_2):
        return
    sums = (sum_1, sum_2)
    waiting: list[tuple[int, int]] = []
    for at in range(_HEADER, len(log) - _FRAME_HEADER - page_size + 1, _FRAME_HEADER + page_size):
        number, size, own_1, own_2, sum_1, sum_2 = struct.unpack(">6I", log[at : at + _FRAME_HEADER])
        body = at + _FRAME_HEADER
        sums = _checksum(order, log[at : at + 8], sums)
        sums = _checksum(order, log[body : body + page_size], sums)
        if (own_1, own_2) != (salt_1, salt_2) or sums != (sum_1, sum_2) or number == 0:
            return  # of an older round, or never finished
        waiting.append((number, body))
        if size:
            length = size * page_size
            pages.extend(bytes(max(length - len(pages), 0)))
            for page, start in waiting:
                if page <= size:
                    pages[(page - 1) * page_size : page * page_size] = log[start : start + page_size]
            del pages[length:]
            waiting.clear()


def _checksum(order: str, data: bytes, sums: tuple[int, int]) -> tuple[int, int]:
    one, two = sums
    words = struct.unpack(f"{order}{len(data) // 4}I", data)
    for even, odd in zip(words[::2], words[1::2], strict=True):
        one = (one + even + two) & 0xFFFFFFFF
        two = (two + odd + one) & 0xFFFFFFFF
    return one, two
