import hashlib

import pytest

from fluewright.ledger.chain import CHAIN_START, canonical_json, event_sha256, text_sha256


def test_canonical_json_is_one_text_for_one_value() -> None:
    said = {"b": [1, 2.5, None, True], "a": {"z": "Fluß\n", "y": 'a "b"'}}
    assert canonical_json(said) == '{"a":{"y":"a \\"b\\"","z":"Fluß\\n"},"b":[1,2.5,null,true]}'
    assert canonical_json(dict(reversed(said.items()))) == canonical_json(said)


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
def test_what_json_has_no_number_for_is_refused(number: float) -> None:
    with pytest.raises(ValueError, match="JSON compliant"):
        canonical_json({"cents": number})


def test_what_is_no_json_is_refused() -> None:
    with pytest.raises(TypeError, match="not JSON serializable"):
        canonical_json({"cents": object()})


def test_the_hash_is_sha256_of_utf8() -> None:
    # FIPS 180-4, the published example of one block; and 'ß' is two bytes in UTF-8.
    assert text_sha256("abc") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    assert text_sha256("ß") == hashlib.sha256(b"\xc3\x9f").hexdigest()


SAID = {
    "event_id": 7,
    "kind": "cut",
    "serial": "D5-0001",
    "recorded_at": "2024-03-05T09:01:07.000250Z",
    "person": "bench 1",
    "as_built_before": {"wall_mm": 2.1},
    "as_built_after": {"wall_mm": 2.0},
    "details": {"tool": "file"},
    "former_sha256": "ab" * 32,
}
TEXT = (
    '{"as_built_after":{"wall_mm":2.0},"as_built_before":{"wall_mm":2.1},"details":{"tool":"file"},'
    '"former_sha256":"' + "ab" * 32 + '","id":7,"kind":"cut","person":"bench 1",'
    '"recorded_at":"2024-03-05T09:01:07.000250Z","serial":"D5-0001"}'
)


def test_an_events_hash_covers_all_that_it_says() -> None:
    """The text is written out, as someone without fluewright would; ledgers of all times hold to it."""
    assert event_sha256(**SAID) == hashlib.sha256(TEXT.encode()).hexdigest()
    others = {event_sha256(**SAID)}
    for name, value in SAID.items():
        changed = value + 1 if isinstance(value, int) else {"x_mm": 1.0} if isinstance(value, dict) else value + "0"
        others.add(event_sha256(**(SAID | {name: changed})))
    assert len(others) == 1 + len(SAID)
    assert event_sha256(**(SAID | {"serial": None})) not in others


def test_the_chain_starts_at_64_zeros() -> None:
    assert CHAIN_START == "0" * 64
