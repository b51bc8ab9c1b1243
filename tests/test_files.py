import os
from pathlib import Path

import pytest

from fluewright.errors import InputError
from fluewright.files import (
    append_synced,
    named_after,
    narrowed,
    part_file,
    private_folder,
    read_text,
    write_whole,
)


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


def test_a_pipe_or_device_is_not_replaced_by_a_file(tmp_path):
    """The superuser's `--out /dev/null` replaced the device for everybody."""
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    with pytest.raises(InputError, match=r"pipe: is not a plain file; name another"):
        write_whole(pipe, "text")
    assert pipe.is_fifo()
    assert list(tmp_path.iterdir()) == [pipe]


def test_small_texts_are_read_and_all_else_is_refused_by_name(tmp_path):
    good, large, latin = tmp_path / "good.txt", tmp_path / "large.txt", tmp_path / "latin.txt"
    good.write_bytes(b"\xef\xbb\xbfgr\xc3\xbcn\r\n")
    assert read_text(good, "a list", most_bytes=1024) == "grün\r\n"
    with large.open("wb") as stream:
        stream.truncate(1 << 40)  # a terabyte, sparse
    latin.write_bytes(b"line\ngr\xfcn\n")
    for path, says in (
        (large, "is 1073741824 KiB large, above the 1 KiB that a list may have; name a list"),
        (latin, r"is not UTF-8 text \(line 2\); save it as UTF-8"),
        (tmp_path, "is a folder; name a list in it"),
        (tmp_path / "none", "there is no such file; check the name"),
        (tmp_path / ("x" * 400), r"cannot be read \(File name too long\)"),
        (Path("a\0b"), "cannot be read"),
        (Path("/dev/zero"), "is not a plain file; name a list"),
    ):
        with pytest.raises(InputError, match=says):
            read_text(path, "a list", most_bytes=1024)


@pytest.mark.parametrize(
    ("text", "name"),
    [
        ("D5 whistle (plum) #3", "D5 whistle (plum) #3"),
        ("../../etc/x", "_.._etc_x"),
        ("/root", "_root"),
        ("..", "unnamed"),
        (".hidden", "hidden"),
        ("-o", "o"),
        ('a\\b:c*?"<>|\x1b\n', "a_b_c________"),
        ("größe 笛", "größe 笛"),
        ("x" * 300, "x" * 80),
        ("", "unnamed"),
    ],
)
def test_a_file_named_after_a_text_stays_in_its_folder(text, name):
    assert named_after(text) == name
    assert Path(name).name == name
