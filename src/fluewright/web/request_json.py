"""JSON from a device, read with care: nothing in it that cannot be computed with, kept or said back."""

import json
from typing import Any

from fluewright.errors import InputError

__all__ = ["read_json"]

# What a page counts with is exact up to 2**53; longer ones are no sizes, no events, no steps.
_MOST_DIGITS = 15


def read_json(text: bytes | str) -> Any:
    """Return what JSON text says.

    Raises
    ------
    InputError
        It is no JSON, nests too deep, or holds a number or a letter that cannot be meant.
    """
    try:
        found = json.loads(text, parse_int=_whole, parse_constant=_no_number)
        # Half of a pair of surrogates can stand in JSON, but in no text that is written or sent.
        json.dumps(found, ensure_ascii=False).encode()
    except InputError:
        raise
    except UnicodeEncodeError as error:
        raise InputError("the request holds half a letter (a lone surrogate); type the text anew") from error
    except (ValueError, RecursionError) as error:
        raise InputError("the request is no JSON") from error
    return found


def _whole(digits: str) -> int:
    if len(digits.lstrip("-")) > _MOST_DIGITS:
        raise InputError(
            f"{digits[:20]}... has {len(digits.lstrip('-'))} digits and cannot be meant; give at most {_MOST_DIGITS}"
        )
    return int(digits)


def _no_number(word: str) -> float:
    raise InputError(f"{word} is no number")
