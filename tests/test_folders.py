"""Folders by the rules of three systems, and never one in which somebody else could put code that is run."""

import os
import stat
import sys
import tempfile
from pathlib import Path

import platformdirs
import pytest
from platformdirs.macos import MacOS
from platformdirs.unix import Unix
from platformdirs.windows import Windows

from fluewright import folders
from fluewright.errors import InputError
from fluewright.folders import cache_folder, data_folder, is_private

ME = os.geteuid()


@pytest.fixture(autouse=True)
def home(tmp_path, monkeypatch):
    """Return an empty home of a user who has set nothing."""
    home = tmp_path / "home"
    home.mkdir()
    for name in ("XDG_CACHE_HOME", "XDG_DATA_HOME", "FLUEWRIGHT_CACHE"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("HOME", str(home))
    (tmp_path / "tmp").mkdir()
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path / "tmp"))
    folders._fresh.cache_clear()
    yield home
    folders._fresh.cache_clear()


@pytest.fixture
def given_away(monkeypatch):
    """Return a call that makes a folder another user's: really so where root runs this, else in this process's eyes."""

    def give(folder):
        if ME == 0:
            os.chown(folder, 4321, 4321)
        else:
            monkeypatch.setattr(os, "geteuid", lambda: ME + 4321)

    return give


def mode(folder):
    return stat.S_IMODE(folder.stat().st_mode)


# --- the rules of each system


@pytest.mark.parametrize(
    ("system", "data", "cache"),
    [
        (Unix, ".local/share/fluewright", ".cache/fluewright"),
        (MacOS, "Library/Application Support/fluewright", "Library/Caches/fluewright"),
    ],
)
def test_linux_and_macos_keep_to_their_rules(monkeypatch, home, system, data, cache):
    monkeypatch.setattr(platformdirs, "PlatformDirs", system)
    assert data_folder() == home / data
    assert cache_folder() == home / cache
    assert data_folder().is_dir()
    assert mode(cache_folder()) == 0o700


def test_windows_keeps_to_its_rules_and_needs_no_user_number(monkeypatch, home):
    """There is no os.geteuid, no HOME, and mode bits say nothing."""
    monkeypatch.setattr(platformdirs, "PlatformDirs", Windows)
    monkeypatch.setattr("platformdirs.windows.get_win_folder", {"CSIDL_LOCAL_APPDATA": str(home / "Local")}.__getitem__)
    monkeypatch.setattr(sys, "platform", "win32")
    monkeypatch.delattr(os, "geteuid")
    monkeypatch.delenv("HOME")
    assert data_folder() == home / "Local" / "fluewright"
    assert cache_folder() == home / "Local" / "fluewright" / "Cache"
    assert cache_folder().is_dir()
    assert is_private(cache_folder())


def test_on_windows_nothing_is_shared_where_the_profile_cannot_be_written(monkeypatch, home, tmp_path):
    monkeypatch.setattr(platformdirs, "PlatformDirs", Windows)
    (home / "Local").write_text("a file")
    monkeypatch.setattr("platformdirs.windows.get_win_folder", {"CSIDL_LOCAL_APPDATA": str(home / "Local")}.__getitem__)
    monkeypatch.setattr(sys, "platform", "win32")
    found = cache_folder()
    assert found.parent == tmp_path / "tmp"
    assert found.name.startswith("fluewright-")
    assert found != tmp_path / "tmp" / f"fluewright-{ME}"


@pytest.mark.parametrize("system", [Unix, MacOS])
def test_the_environment_moves_them(monkeypatch, tmp_path, system):
    monkeypatch.setattr(platformdirs, "PlatformDirs", system)
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "c"))
    monkeypatch.setenv("XDG_DATA_HOME", str(tmp_path / "d"))
    assert cache_folder() == tmp_path / "c" / "fluewright"
    assert data_folder() == tmp_path / "d" / "fluewright"
    monkeypatch.setenv("FLUEWRIGHT_CACHE", str(tmp_path / "mine"))
    assert cache_folder() == tmp_path / "mine"


# --- where it cannot be as usual


@pytest.mark.parametrize("where", ["", "relative", None])
def test_without_a_home_the_cache_is_among_the_temporary_files_and_the_ledger_asks(monkeypatch, tmp_path, where):
    """As in a container that runs with a number for a user."""

    def nobody(number):
        raise KeyError(number)

    if where is None:
        monkeypatch.delenv("HOME")
    else:
        monkeypatch.setenv("HOME", where)
    monkeypatch.setattr("pwd.getpwuid", nobody)
    assert cache_folder() == tmp_path / "tmp" / f"fluewright-{ME}"
    with pytest.raises(InputError, match="--ledger"):
        data_folder()


def test_a_home_that_cannot_be_written_is_said(home):
    (home / ".local").write_text("a file")
    with pytest.raises(InputError, match=r"\.local/share/fluewright: cannot be made .*--ledger"):
        data_folder()


def test_a_cache_that_cannot_be_written_is_left_for_one_of_ones_own(home, tmp_path):
    (home / ".cache").write_text("a file")
    found = cache_folder()
    assert found == tmp_path / "tmp" / f"fluewright-{ME}"
    assert mode(found) == 0o700
    assert cache_folder() == found


def test_a_folder_that_only_may_be_read_is_not_taken(monkeypatch, home):
    (home / ".cache" / "fluewright").mkdir(parents=True)
    may = os.access
    monkeypatch.setattr(os, "access", lambda path, how: may(path, how) and home not in Path(path).parents)
    assert home not in cache_folder().parents


def test_a_chosen_cache_that_will_not_do_is_refused_with_its_mend(monkeypatch, tmp_path):
    open_to_all = tmp_path / "open"
    open_to_all.mkdir()
    open_to_all.chmod(0o777)
    for chosen in (open_to_all, open_to_all / "inside", tmp_path / "tmp" / ".." / "open"):
        monkeypatch.setenv("FLUEWRIGHT_CACHE", str(chosen))
        with pytest.raises(InputError, match=r"FLUEWRIGHT_CACHE is .*only you can write"):
            cache_folder()
    assert list(open_to_all.iterdir()) == []


# --- other people


def test_a_folder_planted_among_the_temporary_files_is_left_alone(home, tmp_path, given_away, caplog):
    """Whoever guesses the name first could put code there that this user would run."""
    caplog.set_level("INFO", logger="fluewright")
    (home / ".cache").write_text("no cache at home")
    given_away(home)
    planted = tmp_path / "tmp" / f"fluewright-{os.geteuid()}"
    planted.mkdir(mode=0o700)
    given_away(planted)
    found = cache_folder()
    assert found.parent == tmp_path / "tmp"
    assert found != planted
    assert mode(found) == 0o700
    assert cache_folder() == found
    assert len(caplog.messages) == 1
    assert "FLUEWRIGHT_CACHE" in caplog.text


@pytest.mark.parametrize("open_to", [0o020, 0o002])
def test_a_folder_of_ones_own_that_others_could_write_is_left_alone(home, tmp_path, open_to):
    (home / ".cache").write_text("no cache at home")
    planted = tmp_path / "tmp" / f"fluewright-{ME}"
    planted.mkdir()
    planted.chmod(0o700 | open_to)
    assert not is_private(planted)
    assert cache_folder() != planted


def test_a_link_planted_by_somebody_else_is_not_followed(home, tmp_path, monkeypatch):
    mine = tmp_path / "documents"
    mine.mkdir()
    mine.chmod(0o755)
    link = tmp_path / "tmp" / f"fluewright-{ME}"
    link.symlink_to(mine)
    (home / ".cache").write_text("no cache at home")
    look = Path.lstat

    def planted(path):
        about = look(path)
        return os.stat_result((*about[:4], ME + 4321, *about[5:])) if path == link else about

    monkeypatch.setattr(Path, "lstat", planted)
    assert cache_folder() != link
    assert mode(mine) == 0o755
    assert list(mine.iterdir()) == []


def test_another_users_home_is_not_used_and_nothing_is_made_in_it(home, given_away):
    """As with the administrator's rights and the user's HOME: a folder of root's there would lock the user out."""
    (home / ".cache").mkdir()
    given_away(home)
    assert home not in cache_folder().parents
    assert list((home / ".cache").iterdir()) == []


@pytest.mark.parametrize("place", ["home", "home/.cache"])
def test_a_folder_above_that_others_can_write_is_not_used(home, tmp_path, place):
    """There they could exchange the cache for their own."""
    (home / ".cache" / "fluewright").mkdir(parents=True)
    (tmp_path / place).chmod(0o777)
    assert not is_private(home / ".cache" / "fluewright")
    assert home not in cache_folder().parents
    (tmp_path / place).chmod(0o1777)  # sticky, as /tmp is: nobody moves what is another's
    assert cache_folder() == home / ".cache" / "fluewright"


def test_a_group_of_ones_own_is_nobody_else(home, monkeypatch):
    """Many systems give each user a group, and let it write what is made."""
    from types import SimpleNamespace

    (home / ".cache" / "fluewright").mkdir(parents=True)
    (home / ".cache").chmod(0o775)
    look = Path.lstat

    def grouped(path):
        about = look(path)
        return os.stat_result((*about[:5], 7777, *about[6:])) if path == home / ".cache" else about

    monkeypatch.setattr(Path, "lstat", grouped)
    monkeypatch.setattr("pwd.getpwuid", lambda number: SimpleNamespace(pw_name="kim"))
    for name, members, trusted in (
        ("kim", [], True),
        ("kim", ["kim"], True),
        ("kim", ["lee"], False),
        ("users", [], False),
    ):
        monkeypatch.setattr("grp.getgrgid", lambda number, n=name, m=members: SimpleNamespace(gr_name=n, gr_mem=m))
        assert is_private(home / ".cache" / "fluewright") is trusted, (name, members)


def test_what_was_made_readable_for_others_is_closed(home):
    (home / ".cache" / "fluewright").mkdir(parents=True)
    (home / ".cache" / "fluewright").chmod(0o755)
    assert mode(cache_folder()) == 0o700


def test_a_link_of_ones_own_is_followed(home, tmp_path):
    """A cache moved to another disk."""
    (tmp_path / "disk").mkdir()
    (home / ".cache").symlink_to(tmp_path / "disk")
    assert cache_folder() == home / ".cache" / "fluewright"
    assert (tmp_path / "disk" / "fluewright").is_dir()
