"""What is built holds the program and its data and nothing else, and runs where nothing but Python is."""

import email
import json
import os
import re
import signal
import socket
import subprocess
import sys
import tarfile
import time
import urllib.request
import zipfile
from pathlib import Path

import pytest

import fluewright

ROOT = Path(__file__).parents[2]
PACKAGE = ROOT / "src" / "fluewright"
VERSION = fluewright.__version__
KINDS = {".css", ".html", ".js", ".json", ".py", ".toml", ".typ", ".typed"}


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """Return (wheel, source archive)."""
    out = tmp_path_factory.mktemp("dist")
    subprocess.run([sys.executable, "-m", "hatchling", "build", "-d", out], cwd=ROOT, check=True, capture_output=True)
    (wheel,), (source,) = out.glob("*.whl"), out.glob("*.tar.gz")
    return wheel, source


def program_files():
    files = (p.relative_to(PACKAGE.parent) for p in PACKAGE.rglob("*") if p.is_file())
    return {p.as_posix() for p in files if "__pycache__" not in p.parts}


def test_the_wheel_holds_the_program_and_its_data_and_nothing_else(built):
    about = f"fluewright-{VERSION}.dist-info"
    with zipfile.ZipFile(built[0]) as wheel:
        names = set(wheel.namelist())
    extra = {f"{about}/{name}" for name in ("METADATA", "RECORD", "WHEEL", "entry_points.txt", "licenses/LICENSE")}
    assert names == program_files() | extra
    assert {Path(name).suffix for name in program_files()} == KINDS
    for one in (
        "py.typed", "instrument/data/d5-cylinder.toml", "instrument/data/model.schema.json", "making/sheet.typ",
        "web/static/bench.js", "web/static/look.css", "web/templates/base.html", "acoustics/data/window.json",
        "ledger/migrations/env.py",
    ):  # fmt: skip
        assert f"fluewright/{one}" in names


def test_the_source_archive_builds_the_same_wheel(built, tmp_path):
    with tarfile.open(built[1]) as source:
        names = {name.partition("/")[2] for name in source.getnames()}
        # Our own archive; the filter came with Python 3.11.4.
        source.extractall(tmp_path, **({"filter": "data"} if hasattr(tarfile, "data_filter") else {}))
    beside = {"pyproject.toml", "README.md", "LICENSE", "CHANGELOG.md", "PKG-INFO", ".gitignore"}
    assert names == {f"src/{name}" for name in program_files()} | beside
    (root,) = tmp_path.iterdir()
    subprocess.run(
        [sys.executable, "-m", "hatchling", "build", "-t", "wheel", "-d", tmp_path / "again"],
        cwd=root, check=True, capture_output=True,
    )  # fmt: skip
    (again,) = (tmp_path / "again").iterdir()
    with zipfile.ZipFile(again) as one, zipfile.ZipFile(built[0]) as other:
        assert {n: one.read(n) for n in one.namelist()} == {n: other.read(n) for n in other.namelist()}


def test_the_wheel_says_what_it_is(built):
    with zipfile.ZipFile(built[0]) as wheel:
        about = email.message_from_bytes(wheel.read(f"fluewright-{VERSION}.dist-info/METADATA"))
        starts = wheel.read(f"fluewright-{VERSION}.dist-info/entry_points.txt").decode()
    assert about["Name"] == "fluewright"
    assert about["Requires-Python"] == ">=3.11"
    assert about["License-Expression"] == "MIT"
    assert "duct flute" in about["Keywords"]
    assert {"web", "papers", "all"} <= set(about.get_all("Provides-Extra"))
    assert "# fluewright" in about.get_payload()
    assert "fluewright = fluewright.cli:main" in starts
    # Pictures and pages are beside the README in the checkout only: a reader of the package is sent nowhere.
    assert about.get_all("Project-URL") is None


# --- installed


class Installed:
    """The wheel in an empty environment of its own, run from an empty folder by a user whose home is empty."""

    def __init__(self, folder, wheel):
        self.folder, self.wheel = folder, wheel
        self.home, self.work = folder / "home", folder / "work"
        self.home.mkdir()
        self.work.mkdir()
        python = os.environ.get("INSTALL_PYTHON", sys.executable)
        self._timed("empty environment", [python, "-m", "venv", folder / "venv"], env=None)
        self.bin = folder / "venv" / ("Scripts" if sys.platform == "win32" else "bin")
        keep = {k: v for k, v in os.environ.items() if k in ("SYSTEMROOT", "TEMP", "TMP", "LANG", "LC_ALL")}
        self.environment = {**keep, "HOME": str(self.home), "PATH": "/usr/bin:/bin"}

    def pip(self, what):
        words = [self.bin / "python", "-m", "pip", "install", "-q", "--disable-pip-version-check", "--only-binary"]
        outside = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "VIRTUAL_ENV")}
        return self._timed(f"pip install {Path(what).name}", [*words, ":all:", what], env=outside)

    def fluewright(self, *words):
        return self._timed(f"fluewright {' '.join(words)}", [self.bin / "fluewright", *words], env=self.environment)

    def _timed(self, says, words, env):
        begun = time.monotonic()
        ended = subprocess.run(words, cwd=self.work, env=env, capture_output=True, text=True, encoding="utf-8")
        sys.stdout.write(f"\n  {time.monotonic() - begun:6.1f} s  {says}")
        return ended


@pytest.fixture(scope="module")
def bare(built, tmp_path_factory):
    """Return the program without any of its parts."""
    made = Installed(tmp_path_factory.mktemp("installed"), built[0])
    ended = made.pip(str(built[0]))
    assert ended.returncode == 0, ended.stderr
    return made


@pytest.fixture(scope="module")
def whole(bare):
    """Return the program with all of its parts."""
    ended = bare.pip(f"{bare.wheel}[all]")
    assert ended.returncode == 0, ended.stderr
    return bare


@pytest.mark.install
def test_nothing_of_the_checkout_is_used(bare):
    ended = subprocess.run(
        [bare.bin / "python", "-c", "import fluewright, sys; print(sys.version.split()[0], fluewright.__file__)"],
        cwd=bare.work, env=bare.environment, capture_output=True, text=True,
    )  # fmt: skip
    sys.stdout.write(f"\n  {ended.stdout.strip()}")
    assert str(bare.folder / "venv") in ended.stdout


@pytest.mark.install
def test_a_missing_part_is_named_with_the_command_that_brings_it(bare):
    ended = bare.fluewright("serve")
    assert (ended.returncode, ended.stdout) == (1, "")
    assert ended.stderr == 'fluewright: fluewright serve needs the web part: pip install "fluewright[web]"\n'


@pytest.mark.install
def test_models_are_listed(bare):
    ended = bare.fluewright("models")
    assert ended.returncode == 0, ended.stderr
    assert "d5-cylinder" in ended.stdout


@pytest.mark.install
def test_the_first_use_says_that_it_compiles_and_the_second_does_not(bare):
    first = bare.fluewright("predict", "d5-cylinder", "--json")
    assert first.returncode == 0, first.stderr
    assert first.stderr.startswith(
        "fluewright: compiling the acoustic kernels, once on this computer: about a minute\n"
    )
    second = bare.fluewright("predict", "d5-cylinder", "--json")
    assert "compiling" not in second.stderr
    notes = [[note["frequency_hz"] for note in json.loads(ended.stdout)["notes"]] for ended in (first, second)]
    assert notes[0] == pytest.approx(notes[1], rel=1e-12)
    assert "D5" in bare.fluewright("predict", "d5-cylinder").stdout


@pytest.mark.install
def test_a_sheet_is_written(whole):
    ended = whole.fluewright("sheet", "d5-cylinder")
    assert ended.returncode == 0, ended.stderr
    assert (whole.work / "d5-cylinder-sheet.pdf").read_bytes().startswith(b"%PDF-")


def free_port():
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return probe.getsockname()[1]


@pytest.mark.install
def test_the_pages_are_served_and_it_stops_when_told(whole):
    port = free_port()
    begun = time.monotonic()
    words = [whole.bin / "fluewright", "serve", "--port", str(port)]
    with subprocess.Popen(
        words, cwd=whole.work, env=whole.environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as server:
        address = re.search(r"http://\S+", server.stdout.readline())[0]
        while True:
            try:
                with urllib.request.urlopen(f"{address}/bench") as answer:
                    page = answer.read().decode()
                break
            except OSError:
                assert server.poll() is None, server.stderr.read()
                time.sleep(0.05)
        sys.stdout.write(f"\n  {time.monotonic() - begun:6.1f} s  fluewright serve, until the first page")
        with urllib.request.urlopen(f"{address}/static/bench.js") as answer:
            assert answer.status == 200
        server.send_signal(signal.SIGINT)
        server.wait()
        assert "Traceback" not in server.stderr.read()
    assert "d5-cylinder" in page


@pytest.mark.install
def test_only_the_users_own_folders_were_written(whole):
    code = "from fluewright.folders import *; print(data_folder(), cache_folder(), sep='\\n')"
    ended = subprocess.run(
        [whole.bin / "python", "-c", code], env=whole.environment, capture_output=True, text=True, check=True
    )
    data, cache = map(Path, ended.stdout.splitlines())
    written = [path for path in whole.home.rglob("*") if path.is_file()]
    assert [path for path in written if not {data, cache} & set(path.parents)] == []
    assert data / "shop.ledger" in written
    assert {path.parent.name.partition("-")[0] for path in written if cache in path.parents} == {"kernels"}
    assert [path.name for path in whole.work.iterdir()] == ["d5-cylinder-sheet.pdf"]
