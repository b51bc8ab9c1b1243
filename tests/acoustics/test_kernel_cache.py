"""Compiled kernels are kept, and nothing that lies in the cache can stop or mislead a computation."""

import logging
import os
import pickle
import subprocess
import sys
from importlib.util import module_from_spec, spec_from_file_location

import pytest

from fluewright.acoustics import kernel_cache
from fluewright.acoustics.kernel_cache import kernel_folder

KERNEL = """
from fluewright.acoustics.kernels.compiled import kernel

@kernel
def twice(x):
    return 2 * x

@kernel
def four_times(x):
    return twice(twice(x))
"""


@pytest.fixture
def cache(tmp_path, monkeypatch):
    """Return the cache's folder, empty as at the first start."""
    monkeypatch.setenv("FLUEWRIGHT_CACHE", str(tmp_path / "cache"))
    return tmp_path / "cache"


@pytest.fixture
def start(cache, tmp_path, monkeypatch, caplog):
    """Return a call that loads the kernels as a fresh program does; it tells what was compiled."""
    source = tmp_path / "small_kernels.py"
    source.write_text(KERNEL)
    caplog.set_level(logging.INFO, logger="fluewright")

    def load():
        caplog.clear()
        monkeypatch.setattr(kernel_cache, "_compiling", kernel_cache._Compiling())
        spec = spec_from_file_location("small_kernels", source)
        module = module_from_spec(spec)
        spec.loader.exec_module(module)
        return module, kernel_cache._compiling

    return load


def kept():
    return sorted(kernel_folder().glob("*.kernel"))


def test_what_was_compiled_once_is_loaded_and_only_the_first_time_is_said(start, caplog):
    module, compiling = start()
    assert module.four_times(2.5) == 10.0
    assert compiling.count == 2
    assert caplog.messages == ["compiling the acoustic kernels, once on this computer: about a minute"]
    assert len(kept()) == 2
    module, compiling = start()
    assert module.four_times(2.5) == 10.0
    assert compiling.count == 0
    assert caplog.messages == []


def test_every_signature_is_kept_by_itself(start):
    module, _ = start()
    assert (module.twice(3), module.twice(1.5)) == (6, 3.0)
    module, compiling = start()
    assert (module.twice(3), module.twice(1.5)) == (6, 3.0)
    assert compiling.count == 0


@pytest.mark.parametrize("harm", ["empty", "cut off", "other bytes", "another kernel's", "no pickle", "gone"])
def test_a_damaged_file_is_compiled_anew(start, harm):
    module, _ = start()
    module.four_times(2.5)
    first, second = kept()
    whole = first.read_bytes()
    if harm == "empty":
        first.write_bytes(b"")
    elif harm == "cut off":
        first.write_bytes(whole[: len(whole) // 2])
    elif harm == "other bytes":
        first.write_bytes(whole[:-200] + bytes(200))
    elif harm == "another kernel's":
        first.write_bytes(second.read_bytes())
    elif harm == "no pickle":
        import hashlib

        first.write_bytes(hashlib.sha256(b"no pickle").digest() + b"no pickle")
    else:
        first.unlink()
    module, compiling = start()
    assert module.four_times(2.5) == 10.0
    assert compiling.count == 1
    module, compiling = start()
    assert module.four_times(2.5) == 10.0
    assert compiling.count == 0


class Planted:
    def __reduce__(self):
        return (os.mkdir, (os.environ["PLANTED"],))


def test_nothing_is_run_whose_sum_does_not_match(start, tmp_path, monkeypatch):
    monkeypatch.setenv("PLANTED", str(tmp_path / "was run"))
    module, _ = start()
    module.twice(2.5)
    (file,) = kept()
    file.write_bytes(file.read_bytes()[:32] + pickle.dumps(Planted()))
    module, _ = start()
    assert module.twice(2.5) == 5.0
    assert not (tmp_path / "was run").exists()
    # It would have been run: the check is what keeps it out.
    pickle.loads(pickle.dumps(Planted()))
    assert (tmp_path / "was run").exists()


@pytest.mark.parametrize("when", ["before", "while"])
def test_a_full_disk_costs_the_cache_and_not_the_result(start, monkeypatch, when):
    def full(*given, **more):
        raise OSError(28, "No space left on device")

    module, _ = start()
    monkeypatch.setattr("tempfile.mkstemp" if when == "before" else "pathlib.Path.replace", full)
    assert module.four_times(2.5) == 10.0
    assert list(kernel_folder().iterdir()) == []


def test_a_cache_that_goes_away_costs_nothing_else(start):
    module, _ = start()
    kernel_folder().rmdir()
    assert module.twice(2.5) == 5.0


def test_programs_that_compile_at_once_do_not_disturb_each_other(cache, tmp_path):
    """Each gets its own results whatever the others write meanwhile, and what they leave is whole."""
    source = tmp_path / "small_kernels.py"
    says = "\nimport sys\nfor x in (3, 1.5, 2j):\n    print(twice(x), four_times(x))\n"
    source.write_text(KERNEL + says)
    expected = "".join(f"{2 * x} {4 * x}\n" for x in (3, 1.5, 2j))
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(sys.path)}
    for _ in range(2):
        programs = [
            subprocess.Popen([sys.executable, str(source)], stdout=subprocess.PIPE, text=True, env=environment)
            for _ in range(4)
        ]
        assert [program.communicate()[0] for program in programs] == 4 * [expected]
    assert len(kept()) == 6
    assert [p for p in kernel_folder().iterdir() if p.suffix != ".kernel"] == []


def test_another_versions_kernels_go_when_nobody_has_used_them_for_a_month(cache):
    cache.mkdir(mode=0o700)
    used, unused = cache / "kernels-1", cache / "kernels-2"
    for folder in (used, unused):
        folder.mkdir()
        (folder / "a.kernel").write_bytes(b"")
    long_ago = used.stat().st_mtime - 40 * 24 * 3600.0
    for path in (unused, unused / "a.kernel", used):
        os.utime(path, (long_ago, long_ago))
    assert kernel_folder().is_dir()
    assert used.is_dir()
    assert not unused.exists()
