"""Code cites pages by path and anchor; each must lead there, and so must the links between pages."""

import shutil
from pathlib import Path

import pytest
from doc_pages import FOLDERS, Broken, anchors_of, broken_citations, broken_links, old_citations

ROOT = Path(__file__).parents[2]
DOCS = "docs"  # written so, the citations below are none of this repository
PAGE = (
    '# Holes\n\n## Inner length\n\n<a id="t-m"></a>Text.\n\n```\n# no heading\n```\n\n## Inner length\n\n[up](#holes)\n'
)


@pytest.fixture
def small(tmp_path):
    """A repository with one page, one module that cites it and one page that links to it."""
    for folder in FOLDERS:
        (tmp_path / folder).mkdir()
    (tmp_path / "docs" / "physics").mkdir()
    (tmp_path / "docs" / "physics" / "holes.md").write_text(PAGE)
    (tmp_path / "src" / "a.py").write_text(
        f'"""See {DOCS}/physics/holes.md#inner-length and {DOCS}/physics/holes.md."""\n'
    )
    (tmp_path / "README.md").write_text(f"[holes]({DOCS}/physics/holes.md#t-m), [far](https://example.org/x.md#y)\n")
    return tmp_path


def test_every_citation_leads_to_a_page_and_its_anchor():
    assert broken_citations(ROOT) == []


def test_every_relative_link_of_the_pages_leads_somewhere():
    assert broken_links(ROOT) == []


def test_no_section_is_cited_by_its_number():
    assert old_citations(ROOT) == []


def test_code_does_cite_the_pages():
    """The search finds what it should: citations in code, many of them, of most pages of formulas."""
    cited = {
        path.name
        for path in (ROOT / "docs" / "physics").glob("*.md")
        if any(
            f"docs/physics/{path.name}#" in source.read_text(encoding="utf-8")
            for folder in ("src", "tests")
            for source in (ROOT / folder).rglob("*.py")
        )
    }
    assert {"air.md", "ducts.md", "ends.md", "holes.md", "window.md", "network.md", "jet.md", "synthesis.md"} <= cited


def test_anchors_are_those_of_code_hosts():
    assert anchors_of(PAGE) == {"holes", "inner-length", "inner-length-1", "t-m"}
    assert anchors_of("## What `t_a` is, and why (open)\n") == {"what-t_a-is-and-why-open"}
    assert anchors_of("## See [the hole](holes.md)\n") == {"see-the-hole"}


def test_a_sound_repository_has_nothing_broken(small):
    assert broken_citations(small) == broken_links(small) == old_citations(small) == []


@pytest.mark.parametrize(
    "cited",
    [f"{DOCS}/physics/holes.md#outer-length", f"{DOCS}/physics/hole.md#inner-length", f"{DOCS}/holes.md"],
)
def test_a_broken_citation_is_found_with_its_line(small, cited):
    (small / "tests" / "b.py").write_text(f"x = 1\n# see {cited}\n")
    assert broken_citations(small) == [Broken("tests/b.py", 2, cited)]


@pytest.mark.parametrize("target", ["holes.md#no-heading", "#outer", "../blown.md", "../../src/b.py"])
def test_a_broken_link_is_found_with_its_line(small, target):
    (small / "docs" / "physics" / "ends.md").write_text(f"# Ends\n\n```\n[code](nowhere.md)\n```\n\n[see]({target})\n")
    assert broken_links(small) == [Broken("docs/physics/ends.md", 7, target)]


def test_a_citation_breaks_when_its_heading_is_renamed(small):
    page = small / "docs" / "physics" / "holes.md"
    page.write_text(page.read_text().replace("Inner length", "Length inside"))
    assert [b.file for b in broken_citations(small)] == ["src/a.py"]


def test_links_break_when_a_page_is_gone(small):
    shutil.rmtree(small / "docs" / "physics")
    assert [b.target for b in broken_links(small)] == [f"{DOCS}/physics/holes.md#t-m"]
    assert len(broken_citations(small)) == 3  # README's link is a citation too


def test_a_section_cited_by_its_number_is_found(small):
    (small / "src" / "b.py").write_text('"""Physics no' + "tes, 4.2; No" + 'tes 4.3: see there."""\n')
    assert [b.target for b in old_citations(small)] == ["Physics no" + "tes", "No" + "tes 4.3"]
