"""Whether a value is fit to be recorded: each check returns it in plain form or says what is wrong.

The values come from outside (a person, a file, a program), so they may be anything: they are typed ``object``. Every
check is told the name of what it looks at; the error carries that name as its field.
"""

import math
import numbers
import re
from collections.abc import Callable, Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import TypeAlias

from fluewright.errors import LedgerError
from fluewright.plain_text import has_controls

__all__ = [
    "Json",
    "checked_json",
    "checked_mapping",
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
    "unit_of_size",
]

Json: TypeAlias = "bool | int | float | str | list[Json] | dict[str, Json] | None"
"""Plain JSON values, as the ledger writes them."""

_PREFIX = re.compile(r"[A-Z][A-Za-z0-9#]{0,15}", re.ASCII)
_SERIAL = re.compile(rf"({_PREFIX.pattern})-(\d{{4,9}})", re.ASCII)
_SIZE_LIMITS = {
    "_mm": (-5000.0, 5000.0),
    "_deg": (-360.0, 360.0),
    "_g": (0.0, 50000.0),
    "_fraction": (0.0, 1.0),
}
_NEVER_NEGATIVE = ("diameter_mm", "length_mm", "width_mm", "height_mm", "thickness_mm", "radius_mm", ".diameter")
_CLOCK_SLACK = timedelta(minutes=10)
_DEEPEST = 20


def checked_text(name: str, value: object, *, required: bool = True, most: int = 4000) -> str:
    """Return a text without surrounding space; control characters and, where `required`, emptiness are refused.

    Raises
    ------
    LedgerError
        It is not such a text, or longer than `most` characters.
    """
    if not isinstance(value, str):
        raise LedgerError(f"is {value!r}, not a text; give it as a string.", field=name)
    text = value.strip()
    if required and not text:
        raise LedgerError("is empty; say what it is.", field=name)
    if len(text) > most:
        raise LedgerError(f"has {len(text)} characters, more than {most}; shorten it.", field=name)
    for character in text:
        if has_controls(character) or 0xD800 <= ord(character) <= 0xDFFF:
            raise LedgerError(f"holds the unprintable character {character!r}; remove it.", field=name)
    return text


def checked_number(name: str, value: object, low: float, high: float, *, unit: str, mend: str) -> float:
    """Return a finite number within its limits, both ends included.

    Raises
    ------
    LedgerError
        It is not such a number.
    """
    if isinstance(value, bool) or not isinstance(value, numbers.Real):
        raise LedgerError(f"is {value!r}, not a number; {mend}.", field=name)
    number = float(value)
    spaced = f" {unit}" if unit else ""
    if not math.isfinite(number):
        raise LedgerError(f"is {number}, not a finite number of{spaced or ' this kind'}; {mend}.", field=name)
    if not low <= number <= high:
        raise LedgerError(f"is {number:g}{spaced}, outside {low:g} to {high:g}{spaced}; {mend}.", field=name)
    return number + 0.0  # no negative zero: SQLite does not keep it


def checked_whole(name: str, value: object, low: int, high: int, *, mend: str) -> int:
    """Return a whole number within its limits, both ends included.

    Raises
    ------
    LedgerError
        It is not such a number.
    """
    if isinstance(value, bool) or not isinstance(value, numbers.Integral):
        raise LedgerError(f"is {value!r}, not a whole number; {mend}.", field=name)
    number = int(value)
    if not low <= number <= high:
        raise LedgerError(f"is {number}, outside {low} to {high}; {mend}.", field=name)
    return number


def checked_sha256(name: str, value: object) -> str:
    """Return a SHA-256 as 64 lower-case hexadecimal digits.

    Raises
    ------
    LedgerError
        It is not a SHA-256.
    """
    text = checked_text(name, value).lower()
    if not re.fullmatch(r"[0-9a-f]{64}", text):
        raise LedgerError(
            f"is {text[:80]!r}, not a SHA-256 of 64 hexadecimal digits; give the hash of the whole recording file.",
            field=name,
        )
    return text


def checked_time(name: str, value: object) -> datetime:
    """Return a time in UTC; it has a zone and is not in the future. ISO 8601 text is accepted.

    Raises
    ------
    LedgerError
        It is not such a time.
    """
    if isinstance(value, str):
        try:
            moment = datetime.fromisoformat(value)
        except ValueError:
            raise LedgerError(
                f"is {value!r}, not a time; write it like 2031-05-06T14:30:00+02:00.", field=name
            ) from None
    elif isinstance(value, datetime):
        moment = value
    else:
        raise LedgerError(f"is {value!r}, not a time; give a datetime with its time zone.", field=name)
    if moment.utcoffset() is None:
        raise LedgerError(f"is {moment.isoformat()} without a time zone; add the zone, for example +02:00.", field=name)
    try:
        moment = moment.astimezone(UTC)
    except OverflowError:
        raise LedgerError(f"is {value}, outside the calendar; check the year.", field=name) from None
    if moment > datetime.now(UTC) + _CLOCK_SLACK:
        raise LedgerError(f"is {moment.isoformat()}, which is still to come; check the clock and the zone.", field=name)
    return moment


def checked_prefix(value: object) -> str:
    """Return the prefix of a serial number.

    Raises
    ------
    LedgerError
        It is not a prefix.
    """
    text = checked_text("prefix", value)
    if not _PREFIX.fullmatch(text):
        raise LedgerError(
            f"is {text!r}, not a capital letter followed by up to 15 letters, digits or #; write it like D5 or F#4.",
            field="prefix",
        )
    return text


def checked_serial(value: object) -> tuple[str, str, int]:
    """Return a serial number with its prefix and its number.

    Raises
    ------
    LedgerError
        It is not a serial number.
    """
    text = checked_text("serial", value)
    match = _SERIAL.fullmatch(text)
    if match is None or int(match[2]) == 0 or (len(match[2]) > 4 and match[2].startswith("0")):
        raise LedgerError(
            f"is {text!r}, not a prefix, a hyphen and a number of at least four digits from 0001; "
            "write it like D5-0007.",
            field="serial",
        )
    return text, match[1], int(match[2])


def unit_of_size(name: str) -> str | None:
    """Return the ending that names a size's unit: of its last part that has one (``bore.stations_mm.2.diameter``)."""
    for part in reversed(name.split(".")):
        for unit in _SIZE_LIMITS:
            if part.endswith(unit):
                return unit
    return None


def checked_size_name(name: str, value: object) -> str:
    """Return the name of a size; it, or the list that it stands in, ends with its unit.

    Raises
    ------
    LedgerError
        It is not a text, or names no unit.
    """
    size_name = checked_text(name, value, most=120)
    if unit_of_size(size_name) is None:
        raise LedgerError(
            f"{size_name!r} does not end with its unit ({', '.join(_SIZE_LIMITS)}); "
            "write it like 'hole 3 diameter_mm'.",
            field=name,
        )
    return size_name


def checked_size(name: str, value: object) -> float:
    """Return a size within what its unit allows; only depths, places and offsets may be negative.

    Parameters
    ----------
    name : str
        The size's name, as `checked_size_name` returned it.
    value : object
        The size in the unit that its name ends with.

    Raises
    ------
    LedgerError
        It is not such a size.
    """
    unit = unit_of_size(name) or "_mm"
    low, high = _SIZE_LIMITS[unit]
    if name.endswith(_NEVER_NEGATIVE):
        low = 0.0
    shown = "" if unit == "_fraction" else unit[1:]
    return checked_number(name, value, low, high, unit=shown, mend="measure it again")


def checked_sizes(
    name: str, value: object, *, check: Callable[[str, object], float] = checked_size
) -> dict[str, float]:
    """Return a mapping of sizes by name.

    Parameters
    ----------
    name : str
        Of the mapping.
    value : object
        The mapping.
    check : callable
        Takes a size's name and what is given for it; another one than `checked_size` for changes of sizes.

    Raises
    ------
    LedgerError
        It is not a mapping, or a name or a size in it cannot be.
    """
    sizes: dict[str, float] = {}
    for key, size in checked_mapping(name, value, mend="give sizes by name").items():
        size_name = checked_size_name(f"a name in {name}", key)
        if size_name in sizes:
            raise LedgerError(f"names {size_name!r} twice; keep one of them.", field=name)
        sizes[size_name] = check(size_name, size)
    return sizes


def checked_mapping(name: str, value: object, *, mend: str) -> Mapping[object, object]:
    """Return a mapping as it is.

    Raises
    ------
    LedgerError
        It is something else.
    """
    if not isinstance(value, Mapping):
        raise LedgerError(f"is {value!r}, not a mapping; {mend}.", field=name)
    return value


def checked_json(name: str, value: object, *, depth: int = 0) -> Json:
    """Return plain JSON values: text, numbers, booleans, None, lists and mappings with text keys.

    Raises
    ------
    LedgerError
        It holds something else, or is nested more than 20 deep.
    """
    if depth > _DEEPEST:
        raise LedgerError(f"is nested more than {_DEEPEST} deep; flatten it.", field=name)
    if value is None or isinstance(value, bool):
        return value
    if isinstance(value, str):
        return checked_text(name, value, required=False, most=100_000)
    if isinstance(value, numbers.Integral):
        return checked_whole(name, value, -(2**53), 2**53, mend="give it as text")
    if isinstance(value, numbers.Real):
        return checked_number(name, value, -1e308, 1e308, unit="", mend="leave it out when it is not known")
    if isinstance(value, datetime):
        return checked_time(name, value).isoformat()
    if isinstance(value, Mapping):
        result: dict[str, Json] = {}
        for key, item in value.items():
            if not isinstance(key, str):
                raise LedgerError(f"has the key {key!r}, not a text; name it with a string.", field=name)
            checked_text(f"a key in {name}", key)
            result[key] = checked_json(f"{name}[{key!r}]", item, depth=depth + 1)
        return result
    if isinstance(value, Sequence) and not isinstance(value, (bytes, bytearray)):
        return [checked_json(f"{name}[{index}]", item, depth=depth + 1) for index, item in enumerate(value)]
    if hasattr(value, "tolist"):  # arrays
        return checked_json(name, value.tolist(), depth=depth + 1)
    raise LedgerError(f"is a {type(value).__name__}, which JSON cannot hold; give numbers, texts or lists.", field=name)


def mm_text(size_mm: float) -> str:
    """Return a size as the shop reads it: two decimals, more only where they matter."""
    return f"{size_mm:.2f}" if round(size_mm, 2) == size_mm else f"{size_mm:.5f}".rstrip("0")
