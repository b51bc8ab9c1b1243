"""When a certificate may be given, and what stands on it; its tables are read back in tests/making."""

import pypdfium2
import pytest

from fluewright.errors import InputError
from fluewright.ledger import open_ledger
from fluewright.shop.certificates import certify
from fluewright.shop.conditions import TrialConditions
from fluewright.shop.cutting import record_cut
from fluewright.shop.sitting import play, sit_down, sit_down_loose


def words(path):
    document = pypdfium2.PdfDocument(path)
    try:
        return " ".join(" ".join(page.get_textpage().get_text_bounded() for page in document).split())
    finally:
        document.close()


def test_a_piece_that_was_played_gets_a_certificate_of_what_was_heard(known, take_of, ledger, tmp_path):
    play(known, [take_of(-1.0, odd={"G5": 9.0})], conditions=TrialConditions(temperature_c=21.5))
    sitting = sit_down(ledger, "D5-0001", known=known)
    path = certify(sitting, tmp_path / "c.pdf", temperature_uncertainty_c=0.3, timestamp=1_700_000_000)
    text = words(path)
    assert "D5-0001" in text
    assert "21.5" in text
    with open_ledger(ledger) as book:
        event, digest = book.newest_event()
    assert f"event {event}" in text
    assert digest[:16] in text.replace(" ", "")
    first = path.read_bytes()
    assert (
        certify(sitting, tmp_path / "d.pdf", temperature_uncertainty_c=0.3, timestamp=1_700_000_000).read_bytes()
        == first
    )


def test_cuts_stand_with_the_trial_before_them(known, take_of, ledger, tmp_path):
    play(known, [take_of(-15.0)])
    sitting = sit_down(ledger, "D5-0001", known=known)
    record_cut(sitting, key="holes.3.diameter_mm", after_mm=8.01, tool="reamer", reason="A5 flat")
    play(sit_down(ledger, "D5-0001", known=known), [take_of(-3.0, name="second")])
    text = words(certify(sit_down(ledger, "D5-0001", known=known), tmp_path / "c.pdf"))
    assert "hole 3 diameter" in text
    assert "8.01" in text
    assert "A5 flat" in text


def test_no_certificate_is_given_of_what_was_not_heard_as_it_is(known, take_of, ledger, tmp_path, pitch):
    with pytest.raises(InputError, match="was not played yet"):
        certify(known, tmp_path / "c.pdf")
    play(known, [take_of(-15.0)])
    record_cut(sit_down(ledger, "D5-0001", known=known), key="length_mm", after_mm=263.0, tool="saw", reason="flat")
    with pytest.raises(InputError, match="was cut since it was last played"):
        certify(sit_down(ledger, "D5-0001", known=known), tmp_path / "c.pdf")
    with pytest.raises(InputError, match="in no ledger"):
        certify(sit_down_loose(pitch, {}), tmp_path / "c.pdf")
    assert not (tmp_path / "c.pdf").exists()
