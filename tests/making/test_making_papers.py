import math
import xml.etree.ElementTree as ET
from itertools import pairwise
from pathlib import Path

import numpy as np
import pypdfium2 as pdfium
import pytest
from picture_models import large_flute, marks_for, tapered_eight_hole, whistle

from fluewright.errors import InputError
from fluewright.instrument.model import Model
from fluewright.instrument.shape import outside_diameter_mm
from fluewright.making import (
    CertificateCut,
    CertificateNote,
    MeasuringConditions,
    template_sheets,
    write_certificate,
    write_sheet,
)
from fluewright.making.template import OVERLAP_MM, seam_angle_deg, unrolled_mm
from fluewright.plain_text import has_controls

SVG = "{http://www.w3.org/2000/svg}"
TIME = 1_700_000_000
HOSTILE = '#read("/etc/passwd") <script>"x"</script> $a$ *b* @c \\u{41}'
DOTS_PER_MM = 300.0 / 25.4


def text_of(path: Path) -> list[str]:
    document = pdfium.PdfDocument(str(path))
    try:
        return [page.get_textpage().get_text_range().replace("\u200b", "") for page in document]
    finally:
        document.close()


def ink_of(path: Path, page: int) -> np.ndarray:
    document = pdfium.PdfDocument(str(path))
    try:
        return document[page].render(scale=300.0 / 72.0, grayscale=True).to_numpy().squeeze() < 110
    finally:
        document.close()


def longest_run(row: np.ndarray) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate(([0], row.astype(np.int8), [0]))))
    return int((edges[1::2] - edges[::2]).max(initial=0))


def notes_for(model: Model) -> list[CertificateNote]:
    return [
        CertificateNote(m.note, m.register, 590.0, 591.25, m.cents, m.uncertainty_cents, abs(m.cents) <= 5.0)
        for m in marks_for(model, kinds=("measured",))
    ]


def certify(path: Path, model: Model, **changes) -> Path:
    arguments = {
        "model": model,
        "serial": "D5-0007",
        "rows": notes_for(model),
        "conditions": MeasuringConditions(22.6, 0.3, 0.48, (140.0, 900.0), "steady tones", "recording"),
        "rounds": [CertificateCut(1, "hole 3, diameter", 5.5, 5.65, "undercut toward the foot")],
        "verdict": "Fit for sale.",
        "newest_event": "9f" * 32,
        "timestamp": TIME,
    }
    return write_certificate(path, **{**arguments, **changes})


@pytest.fixture(scope="module")
def sheets(tmp_path_factory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("sheets")
    models = {"whistle": whistle(), "taper": tapered_eight_hole(), "large": large_flute()}
    return {
        name: write_sheet(model, folder / f"{name}.pdf", marks=marks_for(model), timestamp=TIME)
        for name, model in models.items()
    }


def test_pages_are_drawings_tables_and_one_for_each_template_sheet(sheets) -> None:
    for name, build in (("whistle", whistle), ("taper", tapered_eight_hole), ("large", large_flute)):
        pages = text_of(sheets[name])
        template = [i for i, page in enumerate(pages) if "Hole template 1:1" in page]
        assert template == list(range(len(pages) - len(template_sheets(build())), len(pages)))
        assert "scale 1:" in pages[0]
        assert "head, length section" in pages[0]
    # The whistle's chart fits on the first page, its tables on the second.
    pages = text_of(sheets["whistle"])
    assert len(pages) == 2 + len(template_sheets(whistle()))
    assert "round: register 1" in pages[0]


def test_tables_name_the_datum_targets_and_cautions(sheets) -> None:
    tables = text_of(sheets["whistle"])[1]
    for words in ("exit plane of the windway, x = 0", "A4 = 442 Hz", "23 °C", "138.40", "Long drills.", "Acetal.",
                  "590.00", "edge above windway floor"):  # fmt: skip
        assert words in tables


@pytest.mark.parametrize("name", ["whistle", "taper", "large"])
def test_both_check_rules_measure_100_mm_on_every_template_page(sheets, name: str) -> None:
    pages = text_of(sheets[name])
    template = [i for i, page in enumerate(pages) if "Hole template 1:1" in page]
    for page in (template[0], template[-1]):
        ink = ink_of(sheets[name], page)
        # The rules lie in the upper left; end ticks are 0.1 mm wide about the ends, the line ends in their middle.
        across = ink[: round(60 * DOTS_PER_MM), : round(125 * DOTS_PER_MM)]
        lengths = [longest_run(row) / DOTS_PER_MM for row in across]
        near = [length for length in lengths if 98.0 < length < 102.0]
        assert max(near) == pytest.approx(100.1, abs=0.2)
        upright = ink[:, round(15 * DOTS_PER_MM) : round(23 * DOTS_PER_MM)]
        heights = [longest_run(column) / DOTS_PER_MM for column in upright.T]
        near = [height for height in heights if 98.0 < height < 102.0]
        assert max(near) == pytest.approx(100.1, abs=0.2)


def test_template_outline_on_paper_is_the_circumference(sheets) -> None:
    model = whistle()
    page = next(i for i, text in enumerate(text_of(sheets["whistle"])) if "Hole template 1:1" in text)
    ink = ink_of(sheets["whistle"], page)
    # The exit-plane line runs from edge to edge of the template and is the longest but for the rule and the header.
    right = ink[round(50 * DOTS_PER_MM) :, round(30 * DOTS_PER_MM) :]
    widest = max(longest_run(row) for row in right) / DOTS_PER_MM
    assert widest == pytest.approx(math.pi * 15.0, abs=0.45)  # 0.25 mm line width and two pixels
    assert outside_diameter_mm(model, 0.0) == 15.0


@pytest.mark.parametrize("build", [whistle, tapered_eight_hole, large_flute])
def test_template_holes_lie_at_x_and_angle(build) -> None:
    model = build()
    for sheet in template_sheets(model):
        root = ET.fromstring(sheet.svg)
        outlines = [
            [tuple(float(v) for v in p.split(",")) for p in el.get("points").split()]
            for el in root.iter(f"{SVG}polygon")
        ]
        outlines = [points for points in outlines if len(points) == 72]
        assert len(outlines) == len(model.holes)
        for hole, points in zip(model.holes, outlines, strict=True):
            across, along = [u for u, _ in points], [x for _, x in points]
            radius = 0.5 * outside_diameter_mm(model, hole.position_mm)
            assert 0.5 * (min(along) + max(along)) == pytest.approx(hole.position_mm, abs=2e-4)
            assert max(along) - min(along) == pytest.approx(hole.diameter_mm, abs=3e-4)
            # Drilled through a cylinder the hole is wider on the unrolled surface.
            wide = 2.0 * radius * math.asin(0.5 * hole.diameter_mm / radius)
            assert max(across) - min(across) == pytest.approx(wide, abs=3e-4)
            turn = -0.5 * (min(across) + max(across)) / radius
            assert math.remainder(turn - math.radians(hole.angle_deg), 2.0 * math.pi) == pytest.approx(0.0, abs=1e-4)


def test_no_hole_is_split_by_the_seam() -> None:
    model = tapered_eight_hole()
    seam = seam_angle_deg(model)
    for hole in model.holes:
        reach = math.degrees(hole.diameter_mm / outside_diameter_mm(model, hole.position_mm))
        assert abs(math.remainder(hole.angle_deg - seam, 360.0)) > reach + 5.0
    assert unrolled_mm(model, 300.0, 0.0) == 0.0


@pytest.mark.parametrize("build", [whistle, tapered_eight_hole, large_flute])
def test_template_sheets_overlap_and_cover_the_whole_body(build) -> None:
    model = build()
    sheets = template_sheets(model)
    assert sheets[0].top_mm < 0.0
    assert sheets[-1].top_mm + sheets[-1].height_mm > model.length_mm
    rows = sorted({(s.top_mm, s.height_mm) for s in sheets})
    for (top, height), (below, _) in pairwise(rows):
        assert top + height - below == pytest.approx(OVERLAP_MM)
        join = below + 0.5 * OVERLAP_MM
        assert all(abs(join - h.position_mm) > 0.5 * h.diameter_mm + 4.9 for h in model.holes)
    columns = sorted({(s.left_mm, s.width_mm) for s in sheets})
    widest = max(math.pi * outside_diameter_mm(model, x) for x in (-5.0, model.length_mm))
    assert columns[-1][0] + columns[-1][1] - columns[0][0] >= widest
    assert all(s.width_mm <= 166.0 + 1e-9 and s.height_mm <= 218.0 + 1e-9 for s in sheets)


def test_same_data_and_time_give_the_same_bytes(tmp_path: Path) -> None:
    model = whistle()
    first = write_sheet(model, tmp_path / "a.pdf", marks=marks_for(model), timestamp=TIME).read_bytes()
    again = write_sheet(model, tmp_path / "b.pdf", marks=marks_for(model), timestamp=TIME).read_bytes()
    later = write_sheet(model, tmp_path / "b.pdf", marks=marks_for(model), timestamp=TIME + 60).read_bytes()
    assert first == again
    assert first != later
    assert certify(tmp_path / "c.pdf", model).read_bytes() == certify(tmp_path / "d.pdf", model).read_bytes()


def test_hostile_names_print_literally(tmp_path: Path) -> None:
    model = whistle(HOSTILE)
    sheet = "".join(text_of(write_sheet(model, tmp_path / "a.pdf", marks=marks_for(model), timestamp=TIME)))
    certificate = "".join(text_of(certify(tmp_path / "b.pdf", model, serial=HOSTILE, verdict=HOSTILE)))
    for text in (sheet, certificate):
        flat = text.replace("\r", "").replace("\n", "").replace(" ", "")
        assert '#read("/etc/passwd")<script>"x"</script>$a$*b*@c\\u{41}' in flat
        assert "root:" not in flat


def test_what_a_reader_of_the_text_would_obey_does_not_reach_the_page(tmp_path: Path) -> None:
    texts = ["a\x1b[31mb", "c\x9bd", "e\u202ef", "g\x00h"]
    path = certify(tmp_path / "a.pdf", whistle(), verdict=" ".join(texts), serial=texts[0])
    text = "".join(text_of(path))
    assert not has_controls(text.replace("\r\n", "\n"))
    assert "a\ufffd[31mb" in text


def test_long_words_stay_on_the_page(tmp_path: Path) -> None:
    model = whistle("w" * 80)
    paths = [
        write_sheet(model, tmp_path / "a.pdf", marks=marks_for(model), timestamp=TIME),
        certify(tmp_path / "b.pdf", model, serial="S" * 200, verdict="v" * 300, newest_event="e" * 300),
    ]
    for path in paths:
        ink = ink_of(path, 0)
        assert not ink[:, round(197 * DOTS_PER_MM) :].any()


@pytest.mark.parametrize("build", [whistle, tapered_eight_hole, large_flute])
def test_certificate_is_one_page_with_every_note_and_cut(tmp_path: Path, build) -> None:
    model = build()
    rounds = [CertificateCut(1 + i // 4, f"hole {i % 6 + 1}, diameter", 5.5, 5.6 + 0.01 * i) for i in range(12)]
    pages = text_of(certify(tmp_path / "a.pdf", model, rounds=rounds))
    assert len(pages) == 1
    for row in notes_for(model):
        assert f"{abs(row.cents):.1f} ± {row.uncertainty_cents:.1f}" in pages[0]
    for words in ("D5-0007", "22.6 °C ± 0.3 °C", "140 to 900 Pa", "2023-11-14", "9f9f9f", "5.71", "Fit for sale."):
        assert words in pages[0]


def test_certificate_with_too_much_for_one_page_drops_nothing(tmp_path: Path) -> None:
    model = tapered_eight_hole()
    rounds = [CertificateCut(i, f"place {i}", 5.0, 5.0 + 0.001 * i, "a longer remark on it") for i in range(120)]
    text = "".join(text_of(certify(tmp_path / "a.pdf", model, rounds=rounds)))
    assert all(f"place {i}" in text for i in range(120))


def test_certificate_claims_no_outside_authority(tmp_path: Path) -> None:
    text = " ".join(text_of(certify(tmp_path / "a.pdf", whistle()))[0].lower().split())
    assert "no outside body has examined it" in text
    for word in ("certified", "accredit", "guarantee", "traceable", "iso "):
        assert word not in text


def test_certificate_without_a_note_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no measured note"):
        certify(tmp_path / "a.pdf", whistle(), rows=[])
    assert not (tmp_path / "a.pdf").exists()


def test_numbers_that_are_not_finite_are_refused(tmp_path: Path) -> None:
    row = CertificateNote("D5", 1, 590.0, float("nan"), 0.0, 1.0, True)
    with pytest.raises(InputError, match="not finite"):
        certify(tmp_path / "a.pdf", whistle(), rows=[row])


def test_a_missing_folder_names_the_mend_and_leaves_nothing(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="choose a folder that exists"):
        write_sheet(whistle(), tmp_path / "no" / "a.pdf", timestamp=TIME)
    assert list(tmp_path.iterdir()) == []


def test_a_time_outside_the_calendar_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="timestamp is -1"):
        write_sheet(whistle(), tmp_path / "a.pdf", timestamp=-1)
    with pytest.raises(InputError, match="timestamp is"):
        certify(tmp_path / "a.pdf", whistle(), timestamp=10**13)
