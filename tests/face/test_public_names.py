"""What `import fluewright` offers: these names and no others, each loaded when it is used and not before."""

import inspect
import json
import subprocess
import sys
from importlib import resources

import pytest

import fluewright

VERBS = [
    "advise", "blow", "change", "draw", "fit", "hear", "listen", "load", "models", "open_ledger", "predict", "save",
    "sensitivity", "sheet", "sizes",
]  # fmt: skip
RESULTS = [
    "BlownNotes", "FittedModel", "HeardNotes", "Picture", "PieceAdvice", "PieceAtBench", "PlayedSound",
    "PredictedNotes", "RecordTable", "RecordedCut", "ShopLedger", "SizeEffects",
]  # fmt: skip
GIVEN = ["CutPolicy", "Model", "RangeNote", "ShopTolerances"]
ERRORS = [
    "ComputeError",
    "FluewrightError",
    "InputError",
    "LedgerError",
    "MissingPartError",
    "ModelError",
    "RecordingError",
]


def loaded_after(code):
    told = "import json, sys\nbefore = set(sys.modules)\n" + code
    told += "\nprint(json.dumps(sorted(set(sys.modules) - before)))"
    ended = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, timeout=600)
    assert ended.returncode == 0, ended.stderr
    return json.loads(ended.stdout.splitlines()[-1])


def test_these_are_the_public_names():
    """A name is added here on purpose, with its place in docs/python.md."""
    assert sorted(fluewright.__all__) == sorted(["__version__", *VERBS, *RESULTS, *GIVEN, *ERRORS])
    assert dir(fluewright) == sorted(fluewright.__all__)


@pytest.mark.parametrize("name", fluewright.__all__)
def test_every_name_is_found_and_known_to_its_home(name):
    found = getattr(fluewright, name)
    assert getattr(fluewright, name) is found
    if name != "__version__":
        assert found.__name__ == name
        assert inspect.getdoc(found)


def test_every_result_of_a_verb_is_public():
    """A user can name the type of what a verb returns without reaching into the packages."""
    for verb in VERBS:
        returned = inspect.signature(getattr(fluewright, verb)).return_annotation
        assert returned.__name__ in {*RESULTS, *GIVEN, "Path"}, verb


def test_a_name_that_is_not_offered():
    with pytest.raises(AttributeError, match="no attribute 'tune'"):
        _ = fluewright.tune


def test_importing_loads_nothing_but_the_version():
    assert [m for m in loaded_after("import fluewright") if m.startswith("fluewright")] == [
        "fluewright", "fluewright.version"
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("code", "unwanted"),
    [
        ("import fluewright", {"numpy", "scipy", "numba", "sqlalchemy", "soundfile", "pydantic", "typing_extensions"}),
        ("import fluewright\nfluewright.InputError", {"numpy", "numba", "sqlalchemy", "soundfile", "pydantic"}),
        ("import fluewright\nfluewright.load('d5-cylinder')", {"scipy", "numba", "sqlalchemy", "soundfile"}),
        ("import fluewright\nfluewright.predict", {"sqlalchemy", "soundfile", "typst"}),
        ("import fluewright\nfluewright.listen", {"sqlalchemy", "typst"}),
    ],
)
def test_a_name_loads_only_what_it_needs(code, unwanted):
    assert not unwanted & set(loaded_after(code))


def test_importing_everything_by_star():
    found = {}
    exec("from fluewright import *", found)
    assert set(fluewright.__all__) <= set(found)


def test_types_travel_with_the_package():
    assert (resources.files("fluewright") / "py.typed").is_file()
