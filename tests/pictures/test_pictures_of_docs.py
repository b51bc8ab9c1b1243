"""Pictures of the documents are small, few, all there and all shown: the whole pages are made, not kept."""

import re
import shutil
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
KINDS = {".png", ".webp", ".jpg", ".jpeg", ".gif", ".svg"}
MOST_BYTES, MOST_TOGETHER = 60_000, 2**20
DOCUMENTS = [*sorted(ROOT.glob("*.md")), *sorted((ROOT / "docs").rglob("*.md"))]


def kept_pictures():
    """Return the pictures of docs that the repository keeps; of a copy without one, all but the whole pages."""
    if (ROOT / ".git").exists() and shutil.which("git"):
        listed = subprocess.run(
            ["git", "ls-files", "-z", "--", "docs"], cwd=ROOT, capture_output=True, text=True, check=True
        ).stdout.split("\0")
        files = [ROOT / name for name in listed if name and (ROOT / name).is_file()]
    else:
        files = [f for f in (ROOT / "docs").rglob("*") if "pages" not in f.parts]
    return [f for f in files if f.suffix.lower() in KINDS]


def shown_in(document):
    """Return the files that a document shows as pictures."""
    text = document.read_text(encoding="utf-8")
    found = re.findall(r"!\[[^\]]*\]\(([^)\s]+)\)", text) + re.findall(r"<img[^>]*src=\"([^\"]+)\"", text)
    return [(document.parent / name).resolve() for name in found if "://" not in name]


def test_each_picture_is_small_and_all_together_too():
    sizes = {f.relative_to(ROOT).as_posix(): f.stat().st_size for f in kept_pictures()}
    assert sizes
    assert {name: size for name, size in sizes.items() if size > MOST_BYTES} == {}
    assert sum(sizes.values()) <= MOST_TOGETHER


@pytest.mark.parametrize("document", DOCUMENTS, ids=lambda d: d.relative_to(ROOT).as_posix())
def test_every_picture_that_a_document_shows_is_there(document):
    kept = {f.resolve() for f in kept_pictures()}
    assert [name for name in shown_in(document) if name not in kept] == []


def test_every_picture_that_is_kept_is_shown_somewhere():
    shown = {name for document in DOCUMENTS for name in shown_in(document)}
    assert len(shown) >= 6
    assert [f.name for f in kept_pictures() if f.resolve() not in shown] == []
