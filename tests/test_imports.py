"""Starting the command is quick because the heavy libraries wait for the verb that needs them."""

import subprocess
import sys

import pytest

HEAVY = ("numpy", "scipy", "numba", "sqlalchemy", "typst", "soundfile", "pydantic")


def loaded_after(code):
    told = f"\nimport sys\nsys.stderr.write('LOADED ' + ' '.join(n for n in {HEAVY!r} if n in sys.modules))"
    ended = subprocess.run([sys.executable, "-c", code + told], capture_output=True, text=True, timeout=600)
    assert ended.returncode == 0, ended.stderr
    return ended.stderr.rpartition("LOADED ")[2].split(), ended.stdout


def test_package_loads_nothing_heavy():
    assert loaded_after("import fluewright")[0] == []


@pytest.mark.parametrize("option", ["--help", "--version"])
def test_asking_the_command_loads_nothing_heavy(option):
    code = (
        "import sys\nfrom fluewright.cli import main\n"
        f"sys.argv = ['fluewright', '{option}']\n"
        "try:\n    main()\nexcept SystemExit as ended:\n    assert not ended.code\n"
    )
    heavy, out = loaded_after(code)
    assert heavy == []
    assert "fluewright" in out


def test_heavy_library_would_be_seen():
    assert "numpy" in loaded_after("import numpy")[0]
