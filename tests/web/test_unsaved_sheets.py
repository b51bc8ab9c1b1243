"""A sheet printed at the desk says on every page when its sizes are not those of the saved model."""

import pypdfium2 as pdfium
import pytest

API = "/api/models/d5-cylinder"


def pages_of(answer):
    assert answer.status_code == 200
    document = pdfium.PdfDocument(answer.content)
    try:
        return [page.get_textpage().get_text_range() for page in document]
    finally:
        document.close()


def sheet(client, name="d5-cylinder", **given):
    return pages_of(client.post(f"/api/models/{name}/sheet", json=given))


def test_the_saved_model_prints_as_itself(client):
    for given in (
        {"sizes": {}}, {"sizes": {"length_mm": 264.43}}, {"limits": {"length_max_mm": 300.0}},
    ):  # fmt: skip
        assert not any("unsaved" in page for page in sheet(client, **given)), given


@pytest.mark.parametrize("sizes", [{"length_mm": 262.0}, {"holes.1.diameter_mm": 7.01}])
def test_changed_sizes_say_so_on_every_page_until_they_are_saved(client, sizes):
    pages = sheet(client, sizes=sizes)
    assert len(pages) == 4
    assert all("unsaved sizes, not version 1 of d5-cylinder" in page for page in pages)
    assert client.post(f"{API}/save", json={"sizes": sizes, "name": "d5-cylinder"}).json()["version"] == 2
    assert not any("unsaved" in page for page in sheet(client, sizes=sizes))
    changed = sheet(client, sizes={"length_mm": 255.0})
    assert all("unsaved sizes, not version 2 of d5-cylinder" in page for page in changed)


def test_a_starting_model_that_no_ledger_has_is_named_as_one(client):
    pages = sheet(client, "f4-taper", sizes={"holes.1.diameter_mm": 8.51})
    assert all("unsaved sizes, not the starting model f4-taper" in page for page in pages)
    assert not any("unsaved" in page for page in sheet(client, "f4-taper", sizes={}))
