"""How a record is written so that any later change to it shows.

Every event carries the SHA-256 of its own content together with the SHA-256 of the event before it. Changing,
dropping or inserting an event breaks every hash that follows. The content is canonical JSON (sorted keys, no
spaces, UTF-8), so the chain can be checked from an export with any programming language.
"""

import hashlib
import json
from collections.abc import Mapping

__all__ = ["CHAIN_START", "canonical_json", "counter_sha256", "event_sha256", "text_sha256"]

CHAIN_START = "0" * 64
"""What the first event names as the hash of the event before it."""


def canonical_json(value: object) -> str:
    """Return `value` as JSON with sorted keys and no spaces.

    Raises
    ------
    ValueError
        A number is not finite.
    TypeError
        Something in it is not plain JSON.
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def text_sha256(text: str) -> str:
    """Return the SHA-256 of a text in UTF-8, as 64 lower-case hexadecimal digits."""
    return hashlib.sha256(text.encode("utf-8")).hexdigest()


def counter_sha256(prefix: str, last_number: int) -> str:
    """Return the hash of a counter of serial numbers: it stands in no event, so it carries its own."""
    return text_sha256(canonical_json([prefix, last_number]))


def event_sha256(
    *,
    event_id: int,
    kind: str,
    serial: str | None,
    recorded_at: str,
    person: str,
    as_built_before: Mapping[str, float],
    as_built_after: Mapping[str, float],
    details: Mapping[str, object],
    former_sha256: str,
) -> str:
    """Return the hash of one event.

    Parameters
    ----------
    event_id : int
        Place in the chain, counted from 1.
    kind, serial, person : str
        What happened, to which instrument (None for events that concern a model), by whom.
    recorded_at : str
        UTC time as it stands in the ledger.
    as_built_before, as_built_after : mapping
        Sizes by name.
    details : mapping
        What the event says, in plain JSON values.
    former_sha256 : str
        Hash of the event before it, `CHAIN_START` for the first.

    Returns
    -------
    str
        64 lower-case hexadecimal digits.
    """
    return text_sha256(
        canonical_json(
            {
                "id": event_id,
                "kind": kind,
                "serial": serial,
                "recorded_at": recorded_at,
                "person": person,
                "as_built_before": as_built_before,
                "as_built_after": as_built_after,
                "details": details,
                "former_sha256": former_sha256,
            }
        )
    )
