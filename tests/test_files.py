from pathlib import Path

import pytest

from fluewright.errors import InputError
from fluewright.files import append_synced, narrowed, part_file, private_folder, write_whole


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


def test_a_line_is_added_by_its_owner_alone_and_never_through_a_link(tmp_path: Path) -> None:
    path = tmp_path / "list"
    for line, at in ((b"one\n", None), (b"tw", None), (b"two\n", 4)):
        append_synced(path, line, at=at)
    assert path.read_bytes() == b"one\ntwo\n"
    assert path.stat().st_mode & 0o777 == 0o600
    (tmp_path / "link").symlink_to(path)
    with pytest.raises(OSError, match="symbolic link"):
        append_synced(tmp_path / "link", b"three\n")
    assert path.read_bytes() == b"one\ntwo\n"


def test_a_folder_of_the_program_is_closed_to_others(tmp_path: Path) -> None:
    (tmp_path / "wide").mkdir(mode=0o755)
    for name in ("wide", "new/inner"):
        assert private_folder(tmp_path / name).stat().st_mode & 0o777 == 0o700
    (tmp_path / "link").symlink_to(tmp_path / "wide")
    with pytest.raises(InputError, match="is a link"):
        private_folder(tmp_path / "link")
    (tmp_path / "file").touch()
    with pytest.raises(InputError, match="cannot be made"):
        private_folder(tmp_path / "file" / "inner")


def test_rights_are_taken_away_and_never_given(tmp_path: Path) -> None:
    (tmp_path / "a").touch()
    for before, after in ((0o664, 0o600), (0o400, 0o400), (0o600, 0o600)):
        (tmp_path / "a").chmod(before)
        narrowed(tmp_path / "a")
        assert (tmp_path / "a").stat().st_mode & 0o777 == after
    narrowed(tmp_path / "none")


def test_a_part_of_a_file_is_never_left(tmp_path: Path) -> None:
    target = write_whole(tmp_path / "a.wav", "old")

    def fails() -> None:
        with part_file(target) as part:
            assert part.suffix == ".wav"
            part.write_text("half")
            raise OSError(28, "No space left on device")

    with pytest.raises(InputError, match="No space left"):
        fails()
    assert target.read_text() == "old"
    with part_file(target, mode=0o600) as part:
        part.write_text("new")
    assert (target.read_text(), target.stat().st_mode & 0o777) == ("new", 0o600)
    assert [one.name for one in tmp_path.iterdir()] == ["a.wav"]
