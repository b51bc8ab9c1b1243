"""The code of docs/python.md and of the notebooks runs from top to bottom, and shows what the page says it shows."""

import xml.etree.ElementTree as ET
from pathlib import Path

import pytest
from code_cells import (
    Cell,
    cells_of_notebook,
    cells_of_page,
    renewed,
    run_cells,
    shows,
    words_of_notebook,
)

import fluewright

DOCS = Path(__file__).parents[2] / "docs"
PAGE = DOCS / "python.md"
NOTEBOOKS = sorted((DOCS / "notebooks").glob("*.py"))
SMALL = "# Page\n\n```python\na = 2\nprint('two')\na\n```\n\n```output\ntwo\n2\n```\n\n```python\na += 1\n```\n"


def test_the_page_runs_and_shows_what_it_says(tmp_path):
    cells = cells_of_page(PAGE.read_text(encoding="utf-8"))
    ran = run_cells(cells, tmp_path, name=str(PAGE))
    wrong = [(r.cell.line, r.told) for r in ran if r.cell.output is not None and not shows(r.cell.output, r.told)]
    assert wrong == []
    assert [r.cell.line for r in ran if r.told and r.cell.output is None] == [], "told, but not shown on the page"
    assert sum(r.cell.output is not None for r in ran) >= 12
    assert {path.suffix for path in tmp_path.iterdir()} >= {".toml", ".svg", ".wav", ".pdf", ".ledger"}


def test_the_page_names_everything_that_is_offered():
    text = PAGE.read_text(encoding="utf-8")
    table = text[text.index("## All names") :]
    assert [name for name in fluewright.__all__ if f"`{name}`" not in table] == []


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_runs_and_its_cells_show_themselves(path, tmp_path):
    cells = cells_of_notebook(path.read_text(encoding="utf-8"))
    ran = run_cells(cells, tmp_path, name=str(path))
    shown = [r.value for r in ran if r.value is not None]
    assert len(shown) >= 5
    pictures = 0
    for value in shown:
        assert "\n" not in repr(value)
        for kind in ("_repr_svg_", "_repr_html_"):
            if hasattr(value, kind):
                ET.fromstring(getattr(value, kind)())
                pictures += 1
    assert pictures >= 3


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_a_notebook_begins_with_its_title_and_runs_as_a_script_too(path):
    text = path.read_text(encoding="utf-8")
    assert text.startswith("# %% [markdown]\n# # ")
    assert [line for line in words_of_notebook(text) if not line.startswith("#")] == []
    compile(text, str(path), "exec")


def test_there_are_notebooks():
    assert [p.stem for p in NOTEBOOKS] == ["design_a_whistle", "read_a_recording"]


def test_cells_of_a_page_and_their_outputs():
    cells = cells_of_page(SMALL)
    assert cells == [Cell("a = 2\nprint('two')\na\n", 4, "two\n2\n"), Cell("a += 1\n", 15)]


@pytest.mark.parametrize("page", ["```output\n2\n```\n", "```python\n2\n```\nText.\n```output\n2\n```\n"])
def test_an_output_behind_no_cell_is_a_fault(page):
    with pytest.raises(ValueError, match="an output behind no cell"):
        cells_of_page(page)


def test_cells_share_their_names_and_tell_print_and_last_value(tmp_path):
    first, second = run_cells(cells_of_page(SMALL), tmp_path, name="page")
    assert first.told == "two\n2\n"
    assert (second.told, second.value) == ("", None)


def test_an_error_names_the_line_of_the_page(tmp_path):
    cells = cells_of_page("Text.\n\n```python\n1 + 1\n1 / 0\n```\n")
    with pytest.raises(ZeroDivisionError) as caught:
        run_cells(cells, tmp_path, name="page.md")
    last = caught.traceback[-1]
    assert (str(last.path), last.lineno + 1) == ("page.md", 5)


def test_files_are_written_into_the_folder_given(tmp_path):
    here = Path.cwd()
    run_cells([Cell("open('x.txt', 'w').close()\n", 1)], tmp_path, name="page")
    assert (tmp_path / "x.txt").exists()
    assert Path.cwd() == here


def test_a_wrong_output_is_seen():
    assert shows("two\n2\n", "two\n2")
    assert not shows("two\n3\n", "two\n2")
    assert not shows("two", "two\n2")
    assert shows("copied to ..., 3 events", "copied to /tmp/x, 3 events")
    assert not shows("copied to ..., 3 events", "copied to /tmp/x, 4 events")


def test_a_page_is_renewed_where_it_is_wrong_alone(tmp_path):
    wrong = SMALL.replace("two\n2\n", "two\n3\n")
    assert renewed(wrong, run_cells(cells_of_page(wrong), tmp_path, name="page")) == SMALL
    loose = SMALL.replace("two\n2\n", "t...\n2\n")
    assert renewed(loose, run_cells(cells_of_page(loose), tmp_path, name="page")) == loose


def test_cells_of_a_notebook():
    text = "# %% [markdown]\n# # Title\n#\n# Words.\n\n# %%\na = 1\n\n# %%\na\n"
    assert cells_of_notebook(text) == [Cell("\na = 1\n\n", 6), Cell("\na\n", 9)]
    assert words_of_notebook(text) == ["# # Title", "#", "# Words."]
