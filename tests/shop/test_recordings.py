import hashlib

import pytest

from fluewright.errors import InputError
from fluewright.shop.backups import records_findings
from fluewright.shop.recordings import (
    kept_folder,
    recording_findings,
    recording_is_kept,
    recording_path,
    store_recording,
)


@pytest.fixture
def kept(ledger, tmp_path):
    sound = tmp_path / "take.wav"
    sound.write_bytes(b"RIFF" * 1000)
    digest = hashlib.sha256(sound.read_bytes()).hexdigest()
    folder = kept_folder(ledger)
    assert store_recording(folder, sound, digest)
    assert not store_recording(folder, sound, digest), "it is there already"
    recording_is_kept(folder, digest)
    return recording_path(folder, digest)


def test_a_recording_is_kept_whole_and_for_its_owner_alone(ledger, kept):
    assert kept.read_bytes() == b"RIFF" * 1000
    assert kept.stat().st_mode & 0o777 == 0o600
    assert kept.parent.stat().st_mode & 0o777 == 0o700
    assert records_findings(ledger) == ()


def test_a_recording_that_is_missing_or_changed_is_named(ledger, kept):
    kept.write_bytes(b"RIFF" * 999 + b"RIFG")
    assert records_findings(ledger) == (f"recording {kept.name[:12]} was changed: its content does not match its hash",)
    kept.unlink()
    assert records_findings(ledger) == (f"recording {kept.name[:12]} is missing from {kept.parent}",)


def test_nothing_is_wrong_where_nothing_was_kept(tmp_path):
    assert recording_findings(tmp_path / "none") == ()


def test_a_recording_that_cannot_be_written_leaves_nothing(ledger, tmp_path, monkeypatch):
    sound = tmp_path / "take.wav"
    sound.write_bytes(b"RIFF")

    def full(*args):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("fluewright.shop.recordings.shutil.copyfileobj", full)
    folder = kept_folder(ledger)
    with pytest.raises(InputError, match="No space left"):
        store_recording(folder, sound, "ab" * 32)
    assert list((folder / "recordings").iterdir()) == []
