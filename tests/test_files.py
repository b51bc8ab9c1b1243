from pathlib import Path

import pytest

from fluewright.errors import InputError
from fluewright.files import write_whole


def test_text_is_written_with_line_feeds_and_nothing_else_is_left(tmp_path: Path) -> None:
    path = write_whole(tmp_path / "a.txt", "één\ntwo\n")
    assert path.read_bytes() == "één\ntwo\n".encode()
    assert [p.name for p in tmp_path.iterdir()] == ["a.txt"]


def test_who_may_read_it_is_set_before_it_has_its_name(tmp_path: Path) -> None:
    path = write_whole(tmp_path / "key", b"x", mode=0o600)
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_file_that_cannot_be_put_in_place_leaves_the_old_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    old = write_whole(tmp_path / "a", "old")

    def full(self: Path, target: Path) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(Path, "replace", full)
    with pytest.raises(InputError, match=r"cannot be written .No space left"):
        write_whole(old, "new")
    assert old.read_text() == "old"
    assert [p.name for p in tmp_path.iterdir()] == ["a"]


@pytest.mark.parametrize("name", [".", "missing/a"])
def test_a_folder_or_a_missing_folder_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match=r"a folder|cannot be written"):
        write_whole(tmp_path / name, "x")
