"""Whether a value is fit to be recorded: each check returns it in plain form or says what is wrong."""

import math
import numbers
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from fluewright.errors import LedgerError

__all__ = [
    "checked_json",
    "checked_number",
    "checked_prefix",
    "checked_serial",
    "checked_sha256",
    "checked_size",
    "checked_size_name",
    "checked_sizes",
    "checked_text",
    "checked_time",
    "checked_whole",
    "mm_text",
]

_PREFIX = re.compile(r"[A-Z][A-Za-z0-9#]{0,15}", re.ASCII)
_SERIAL = re.compile(r"([A-Z][A-Za-z0-9#]{0,15})-(\d{4,9})", re.ASCII)
_SIZE_LIMITS = {
    "_mm": (-5000.0, 5000.0),
    "_deg": (-360.0, 360.0),
    "_g": (0.0, 50000.0),
    "_fraction": (0.0, 1.0),
}
_NEVER_NEGATIVE = ("diameter_mm", "length_mm", "width_mm", "height_mm", "thickness_mm", "radius_mm")
_CLOCK_SLACK = timedelta(minutes=10)


def checked_text(place: str, value: Any, *, required: bool = True, most: int = 4000) -> str:
    """Return a text without surrounding space; refuse control characters, and emptiness where `required`."""
    if not isinstance(value, str):
        raise LedgerError(f"{place} is {value!r}, not a text: give it as a string.")
    text = value.strip()
    if required and not text:
        raise LedgerError(f"{place} is empty: say what it is.")
    if len(text) > most:
        raise LedgerError(f"{place} has {len(text)} characters, more than {most}: shorten it.")
    for character in text:
        if (ord(character) < 32 and character not in "\n\t") or 0xD800 <= ord(character) <= 0xDFFF:
            raise LedgerError(f"{place} holds the unprintable character {character!r}: remove it.")
    return text


def checked_number(place: str, value: Any, low: float, high: float, *, unit: str, mend: str) -> float:
    """Return a finite number within its limits, both ends included."""
    if isinstance(value, bool) or not isinstance(value, numbers.Real):
        raise LedgerError(f"{place} is {value!r}, not a number: {mend}.")
    number = float(value)
    spaced = f" {unit}" if unit else ""
    if not math.isfinite(number):
        raise LedgerError(f"{place} is {number}, not a finite number of{spaced or ' this kind'}: {mend}.")
    if not low <= number <= high:
        raise LedgerError(f"{place} is {number:g}{spaced}, outside {low:g} to {high:g}{spaced}: {mend}.")
    return number + 0.0  # no negative zero: SQLite does not keep it


def checked_whole(place: str, value: Any, low: int, high: int, *, mend: str) -> int:
    """Return a whole number within its limits, both ends included."""
    if isinstance(value, bool) or not isinstance(value, numbers.Integral):
        raise LedgerError(f"{place} is {value!r}, not a whole number: {mend}.")
    number = int(value)
    if not low <= number <= high:
        raise LedgerError(f"{place} is {number}, outside {low} to {high}: {mend}.")
    return number


def checked_sha256(place: str, value: Any) -> str:
    """Return a SHA-256 as 64 lower-case hexadecimal digits."""
    text = checked_text(place, value).lower()
    if not re.fullmatch(r"[0-9a-f]{64}", text):
        raise LedgerError(
            f"{place} is {text[:80]!r}, not a SHA-256 of 64 hexadecimal digits: give the hash of the "
            "whole recording file."
        )
    return text


def checked_time(place: str, value: Any) -> datetime:
    """Return a time with a zone, not in the future; ISO 8601 text is accepted."""
    if isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            raise LedgerError(f"{place} is {value!r}, not a time: write it like 2031-05-06T14:30:00+02:00.") from None
    elif isinstance(value, datetime):
        moment = value
    else:
        raise LedgerError(f"{place} is {value!r}, not a time: give a datetime with its time zone.")
    if moment.utcoffset() is None:
        raise LedgerError(f"{place} is {moment.isoformat()} without a time zone: add the zone, for example +02:00.")
    try:
        moment = moment.astimezone(UTC)
    except OverflowError:
        raise LedgerError(f"{place} is {value}, outside the calendar: check the year.") from None
    if moment > datetime.now(UTC) + _CLOCK_SLACK:
        raise LedgerError(f"{place} is {moment.isoformat()}, which is still to come: check the clock and the zone.")
    return moment


def checked_prefix(value: Any) -> str:
    """Return the prefix of a serial number."""
    text = checked_text("serial prefix", value)
    if not _PREFIX.fullmatch(text):
        raise LedgerError(
            f"serial prefix {text!r} is not a capital letter followed by up to 15 letters, digits or #: "
            "write it like D5 or F#4."
        )
    return text


def checked_serial(value: Any) -> tuple[str, str, int]:
    """Return a serial number with its prefix and its number."""
    text = checked_text("serial", value)
    match = _SERIAL.fullmatch(text)
    if match is None or int(match[2]) == 0 or (len(match[2]) > 4 and match[2].startswith("0")):
        raise LedgerError(
            f"serial {text!r} is not a prefix, a hyphen and a number of at least four digits from 0001: "
            "write it like D5-0007."
        )
    return text, match[1], int(match[2])


def _unit_of(name: str) -> str | None:
    """Return the ending that names a size's unit: of its last part that has one (``bore.stations_mm.2.diameter``)."""
    for part in reversed(name.split(".")):
        for unit in _SIZE_LIMITS:
            if part.endswith(unit):
                return unit
    return None


def checked_size_name(value: Any) -> str:
    """Return the name of a size; it, or the list that it stands in, ends with its unit."""
    name = checked_text("name of a size", value, most=120)
    if _unit_of(name) is None:
        raise LedgerError(
            f"size {name!r} does not end with its unit ({', '.join(_SIZE_LIMITS)}): write it like 'hole 3 diameter_mm'."
        )
    return name


def checked_size(name: str, value: Any) -> float:
    """Return a size within what its unit allows; only depths, places and offsets may be negative."""
    unit = _unit_of(name) or "_mm"
    low, high = _SIZE_LIMITS[unit]
    if name.endswith((*_NEVER_NEGATIVE, ".diameter")):
        low = 0.0
    return checked_number(name, value, low, high, unit=unit[1:], mend="measure it again")


def checked_sizes(place: str, value: Any) -> dict[str, float]:
    """Return a mapping of sizes by name."""
    if not isinstance(value, Mapping):
        raise LedgerError(f"{place} is {value!r}, not a mapping: give sizes by name.")
    sizes: dict[str, float] = {}
    for key, size in value.items():
        name = checked_size_name(key)
        if name in sizes:
            raise LedgerError(f"{place} names {name!r} twice: keep one of them.")
        sizes[name] = checked_size(name, size)
    return sizes


def checked_json(place: str, value: Any, *, depth: int = 0) -> Any:
    """Return plain JSON values: text, numbers, booleans, None, lists and mappings with text keys."""
    if depth > 20:
        raise LedgerError(f"{place} is nested more than 20 deep: flatten it.")
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return checked_text(place, value, required=False, most=100_000)
    if isinstance(value, numbers.Integral):
        return checked_whole(place, value, -(2**53), 2**53, mend="give it as text")
    if isinstance(value, numbers.Real):
        return checked_number(place, value, -1e308, 1e308, unit="", mend="leave it out when it is not known")
    if isinstance(value, datetime):
        return checked_time(place, value).isoformat()
    if isinstance(value, Mapping):
        result = {}
        for key, item in value.items():
            if not isinstance(key, str):
                raise LedgerError(f"{place} has the key {key!r}, not a text: name it with a string.")
            checked_text(f"a key in {place}", key)
            result[key] = checked_json(f"{place}[{key!r}]", item, depth=depth + 1)
        return result
    if isinstance(value, Sequence) and not isinstance(value, (bytes, bytearray)):
        return [checked_json(f"{place}[{index}]", item, depth=depth + 1) for index, item in enumerate(value)]
    if hasattr(value, "tolist"):  # arrays
        return checked_json(place, value.tolist(), depth=depth + 1)
    raise LedgerError(f"{place} is a {type(value).__name__}, which JSON cannot hold: give numbers, texts or lists.")


def mm_text(size_mm: float) -> str:
    """Return a size as the shop reads it: two decimals, more only where they matter."""
    return f"{size_mm:.2f}" if round(size_mm, 2) == size_mm else f"{size_mm:.5f}".rstrip("0")
