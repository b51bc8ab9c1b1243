"""Every table of the papers, read back column by column: from its data, and from the PDF as it is printed."""

import math
import re

import numpy as np
import pytest
from paper_models import distinct
from paper_reading import Box, Word, joined, lines_of, read_pages, tables_with, words_of
from picture_models import large_flute, marks_for, tapered_eight_hole

from fluewright.instrument.fingering import fingerings_of
from fluewright.instrument.pitch import note_to_midi
from fluewright.instrument.starting import load, starting_models
from fluewright.making import (
    CertificateCut,
    CertificateNote,
    MeasuringConditions,
    UnsavedSizes,
    write_certificate,
    write_sheet,
)
from fluewright.making.certificate import cut_table, note_table
from fluewright.making.sheet_tables import sheet_tables
from fluewright.making.template import template_sheets

TIME = 1_700_000_000
HOLES = ("hole", "x", "°", "⌀", "wall", "outer r.", "inner ch.", "waist", "undercut", "up", "down", "cut °", "finger")
MODELS = {
    **{name: load(name) for name in starting_models()}, "distinct": distinct(), "taper": tapered_eight_hole(),
    "large": large_flute(),
}  # fmt: skip


def said(value, digits=2):
    """Return a number as it is printed."""
    return f"{value:.{digits}f}".replace("-", "\u2212")


def shown(value):
    return f"{value:g}".replace("-", "\u2212")


def at(stations, x, side):
    """Return the diameter at x by the two stations about it; at a step that of the side."""
    known = [d for place, d in stations if place == x]
    if known:
        return known[0 if side == "head" else -1]
    return float(np.interp(x, [p for p, _ in stations], [d for _, d in stations]))


def wall(model, x, side="foot"):
    return 0.5 * (at(model.bore.outside_mm, x, side) - at(model.bore.stations_mm, x, side))


def expected(model):
    """Return every table of the sheet as columns, from the model's own numbers."""
    head, way = model.head, model.head.windway
    bore = list(model.bore.stations_mm)
    sides = ["head" if (x in [b for b, _ in bore[i + 1 :]]) else "foot" for i, (x, _) in enumerate(bore)]
    first = model.bore.outside_mm[0][0]
    targets = {}
    for f in fingerings_of(model):
        hertz = model.target.a4_hz * 2.0 ** ((note_to_midi(f.note) - 69) / 12.0)
        targets.setdefault((f.register, f.note), (said(hertz), f.text))
    return {
        ("x", "⌀ bore", "wall"): {
            "x": [said(x) for x, _ in bore], "⌀ bore": [said(d, 3) for _, d in bore],
            "wall": [said(wall(model, x, s)) if x >= first else "–" for (x, _), s in zip(bore, sides, strict=True)],
        },
        ("x", "⌀ outside"): {
            "x": [said(x) for x, _ in model.bore.outside_mm],
            "⌀ outside": [said(d) for _, d in model.bore.outside_mm],
        },
        ("head", "mm"): {
            "head": ["window, exit plane to edge", "window width", "ramp angle, °", "ears, height",
                     "edge from windway centre line", "edge above windway floor", "block face at x", "broken edges"],
            "mm": [said(head.window_length_mm), said(head.window_width_mm), said(head.ramp_angle_deg, 1),
                   "as the wall" if head.ear_height_mm is None else said(head.ear_height_mm),
                   said(head.edge_offset_mm), said(0.5 * way.exit_height_mm + head.edge_offset_mm),
                   said(head.block_depth_mm), said(head.broken_edge_mm)],
        },
        ("windway", "mm"): {
            "windway": ["windway length", "windway width", "entry height", "exit height", "entry flare",
                        "floor above bore line at exit", "upper chamfer, along flat × °",
                        "lower chamfer, along flat × °"],
            "mm": [said(way.length_mm), said(way.width_mm), said(way.entry_height_mm), said(way.exit_height_mm),
                   said(way.entry_flare_mm), said(way.floor_height_mm),
                   *(f"{said(c.length_mm)} × {shown(c.angle_deg)}" for c in (head.upper_chamfer, head.lower_chamfer))],
        },
        HOLES: {
            "hole": [h.name for h in model.holes], "x": [said(h.position_mm) for h in model.holes],
            "°": [shown(h.angle_deg) for h in model.holes], "⌀": [said(h.diameter_mm) for h in model.holes],
            "wall": [said(wall(model, h.position_mm)) for h in model.holes],
            "outer r.": [said(h.outer_round_mm) for h in model.holes],
            "inner ch.": [said(h.inner_chamfer_mm) for h in model.holes],
            "waist": [said(h.waist_mm) for h in model.holes],
            "undercut": [said(h.undercut.all_round_mm) for h in model.holes],
            "up": [said(h.undercut.upstream_mm) for h in model.holes],
            "down": [said(h.undercut.downstream_mm) for h in model.holes],
            "cut °": [shown(h.undercut.angle_deg) for h in model.holes],
            "finger": [h.finger or "–" for h in model.holes],
        },
        ("note", "reg.", "Hz", "fingering"): {
            "note": [note for _, note in targets], "reg.": [str(register) for register, _ in targets],
            "Hz": [hertz for hertz, _ in targets.values()], "fingering": [text for _, text in targets.values()],
        },
    }  # fmt: skip


@pytest.fixture(scope="module")
def papers(tmp_path_factory):
    folder = tmp_path_factory.mktemp("papers")
    return {
        name: read_pages(write_sheet(model, folder / f"{name}.pdf", marks=marks_for(model), timestamp=TIME))
        for name, model in MODELS.items()
    }


def test_the_distinct_model_tells_every_column_from_every_other():
    """What is swapped, halved or written in another unit shows: no number of a table stands in another column."""
    for columns, table in expected(MODELS["distinct"]).items():
        numbers = [{cell for cell in cells if any(c.isdigit() for c in cell)} for cells in table.values()]
        for i, one in enumerate(numbers):
            for j, other in enumerate(numbers):
                assert i == j or not one & other, (columns, i, j)
    head = expected(MODELS["distinct"])[("head", "mm")]["mm"] + expected(MODELS["distinct"])[("windway", "mm")]["mm"]
    assert len(set(head)) == len(head)


@pytest.mark.parametrize("name", MODELS)
def test_the_sheets_tables_hold_the_models_numbers(name):
    """The data that the page's code gets."""
    tables = [t for group in sheet_tables(MODELS[name]) for t in group.tables]
    for columns, wanted in expected(MODELS[name]).items():
        own = [{c: [row[i] for row in t.rows] for i, c in enumerate(columns)} for t in tables
               if tuple(t.columns) == columns]  # fmt: skip
        assert joined(own) == wanted


@pytest.mark.parametrize("name", MODELS)
def test_the_sheet_prints_every_table_column_by_column(papers, name):
    for columns, wanted in expected(MODELS[name]).items():
        printed = tables_with(papers[name], *columns)
        for column, cells in wanted.items():
            # A name wider than its column goes on in the next line, where a space is added in reading.
            assert [c.replace(" ", "") for c in printed[column]] == [c.replace(" ", "") for c in cells], column


def test_the_sheet_prints_the_conditions_of_its_targets(papers):
    text = " ".join(" ".join(page.text for page in papers["distinct"]).split())
    assert (
        "A4 = 442.5 Hz, temperament equal, at \u22123.5 °C, 37 % relative humidity, 987 hPa; breath on the lowest note "
        "163 Pa, rising with frequency to the power 1.21; tolerance ±6.5 cents."
    ) in text
    model = MODELS["distinct"]
    bore, outside = at(model.bore.stations_mm, 0.0, "foot"), at(model.bore.outside_mm, 0.0, "foot")
    assert f"Bore at the exit plane ⌀ {bore:.2f}, outside ⌀ {outside:.2f}." in text


def test_the_sheets_drawings_print_their_sizes(papers):
    """Names with diameters, distances, profiles and the list under the head."""
    model = MODELS["distinct"]
    page = papers["distinct"][0]
    printed = [word.text for line in lines_of(page.letters) for word in words_of(line, gap_mm=1.7)]

    def trimmed(value):
        return said(value).rstrip("0").rstrip(".")

    assert [w for w in printed if ": ⌀" in w] == [f"{h.name}: ⌀{trimmed(h.diameter_mm)}" for h in model.holes]
    for hole in model.holes:
        assert trimmed(hole.position_mm) in printed
    for key in ("outside_mm", "stations_mm"):
        own = [f"⌀{trimmed(d)} @ {trimmed(x)}" for x, d in getattr(model.bore, key)]
        assert [w for w in printed if w in own] == own
    head, way = model.head, model.head.windway
    for words in (
        f"windway {said(way.length_mm)}", f"window {said(head.window_length_mm)}",
        f"entry height {said(way.entry_height_mm)}", f"exit height {said(way.exit_height_mm)}",
        f"floor {said(way.floor_height_mm)} over bore line", "upper chamfer 0.52 × 41.5°", "lower chamfer 0.38 × 37°",
        f"block depth {said(head.block_depth_mm)}", f"edge offset {said(head.edge_offset_mm)}", "ramp 16.4°",
        f"broken edge {said(head.broken_edge_mm)}", f"wall {said(wall(model, 0.0))}",
        f"ears {said(head.ear_height_mm)}",
    ):  # fmt: skip
        assert words in printed, words


@pytest.mark.parametrize("name", ["c5-eight-hole", "taper"])
def test_every_paper_calls_a_hole_by_its_name(papers, tmp_path, name):
    """Drawing, chart, table and template of the sheet, chart and cuts of the certificate; no hole has a number."""
    model, pages = MODELS[name], papers[name]
    names = [hole.name for hole in model.holes]
    drawn = [word.text for line in lines_of(pages[0].letters) for word in words_of(line, gap_mm=1.7)]
    sizes = dict(word.split(": ⌀") for word in drawn if ": ⌀" in word)
    assert sizes == {h.name: f"{h.diameter_mm:g}" for h in model.holes}
    (chart,) = [page for page in pages if "round: register 1" in page.text]
    template = [line for page in pages if "Hole template 1:1" in page.text for line in page.text.split("\r\n")]
    for hole in model.holes:
        # The next lines of the template are the hole's diameter and place.
        own = [i for i, line in enumerate(template) if line == hole.name]
        assert any(template[i + 1 : i + 3] == [f"⌀{hole.diameter_mm:g}", f"x {said(hole.position_mm)}"] for i in own)
    notes = [CertificateNote("C5", 1, 523.0, 524.0, 3.0, 1.0, True)]
    cuts = [CertificateCut(1, f"holes.{names[0]}.diameter_mm", 5.5, 5.6)]
    (certificate, *_) = read_pages(certify(tmp_path / "a.pdf", model, notes, cuts))
    assert "hole thumb diameter" in certificate.text
    for page, title in ((chart, model.model.name), (certificate, model.model.name)):
        assert _names_over_the_body(page, title) == sorted(
            names, key=lambda n: next((h.position_mm, i) for i, h in enumerate(model.holes) if h.name == n)
        )


def _names_over_the_body(page, title):
    """Return the names between a chart's title and its first lane, from left to right."""
    lines = [words_of(line, gap_mm=0.7) for line in lines_of(page.letters)]
    told = [" ".join(word.text for word in line) for line in lines]
    start = next(i for i, line in enumerate(told) if line.startswith(title) and "scale 1:" in line)
    found = []
    for line in lines[start + 1 :]:
        if {word.text for word in line} & {"C5", "F5", "E5", "D6"}:
            break
        names = [line[0]]
        for word in line[1:]:
            gap = word.box.left - names[-1].box.right
            if abs(gap - 0.6021 * 2.6) < 0.05:  # a space of this face: one name
                names[-1] = Word(f"{names[-1].text} {word.text}", Box(*_corner(names[-1]), *_corner(word, end=True)))
            else:
                names.append(word)
        found += [(name.box.left, name.text) for name in names]
    return [text for _, text in sorted(found)]


def _corner(word, *, end=False):
    return (word.box.right, word.box.bottom) if end else (word.box.left, word.box.top)


def certify(path, model, notes, cuts, **changes):
    given = {
        "serial": "plain", "conditions": MeasuringConditions(22.6), "verdict": "Fit for sale.", "newest_event": "",
        "timestamp": TIME, **changes,
    }  # fmt: skip
    return write_certificate(path, model=model, rows=notes, rounds=cuts, **given)


NOTES = [
    CertificateNote(note, register, 500.5 + 37.25 * i, 501.75 + 38.5 * i, -7.3 + 1.6 * i, 0.4 + 0.1 * i, i % 3 != 0)
    for i, (note, register) in enumerate(
        [("C5", 1), ("D5", 1), ("E5", 1), ("F5", 1), ("G5", 1), ("A5", 1), ("B5", 1), ("C6", 1), ("D6", 2), ("E6", 2)]
    )
]
CUTS = [
    CertificateCut(round, place, before, after, remark)
    for round, place, before, after, remark in (
        (1, "holes.thumb.diameter_mm", 4.11, 4.26, "reamer"), (1, "holes.3.undercut.upstream_mm", 0.64, 0.93, ""),
        (2, "length_mm", 286.73, 286.41, "file"), (2, "head.window_length_mm", 4.13, 4.22, "knife"),
        (3, "hole 7, diameter", 5.72, 5.88, "undercut toward the foot"),
        (4, "holes.1.diameter_mm", 4.34, 4.47, "drill"),
        (5, "holes.2.diameter_mm", 4.57, 4.81, ""),
    )
]  # fmt: skip


@pytest.mark.parametrize("count", [3, 10])
def test_the_certificate_prints_notes_and_cuts_column_by_column(tmp_path, count):
    notes, cuts = NOTES[:count], CUTS[: max(count - 3, 2)]
    wanted_notes = {
        "note": [n.note for n in notes], "reg.": [str(n.register) for n in notes],
        "target Hz": [f"{n.target_hz:.2f}" for n in notes], "measured Hz": [f"{n.measured_hz:.2f}" for n in notes],
        "cents": [f"{n.cents:+.1f} ± {n.uncertainty_cents:.1f}".replace("-", "\u2212") for n in notes],
        "within": ["yes" if n.within_tolerance else "NO" for n in notes],
    }  # fmt: skip
    places = {
        "holes.thumb.diameter_mm": "hole thumb diameter",
        "holes.3.undercut.upstream_mm": "hole 3 undercut toward the window",
        "length_mm": "length", "head.window_length_mm": "window length", "hole 7, diameter": "hole 7, diameter",
        "holes.1.diameter_mm": "hole 1 diameter", "holes.2.diameter_mm": "hole 2 diameter",
    }  # fmt: skip
    wanted_cuts = {
        "round": [str(c.round) for c in cuts], "place": [places[c.place] for c in cuts],
        "before mm": [f"{c.before_mm:.2f}" for c in cuts], "after mm": [f"{c.after_mm:.2f}" for c in cuts],
        "remark": [c.remark for c in cuts],
    }  # fmt: skip
    for table, wanted in ((note_table(notes), wanted_notes), (cut_table(cuts), wanted_cuts)):
        assert {c: [row[i] for row in table.rows] for i, c in enumerate(table.columns)} == wanted
    pages = read_pages(certify(tmp_path / "a.pdf", MODELS["distinct"], notes, cuts))
    assert tables_with(pages, *wanted_notes) == wanted_notes
    assert tables_with(pages, *wanted_cuts) == wanted_cuts
    assert f"Notes: {sum(n.within_tolerance for n in notes)} of {count} within the tolerance" in pages[0].text


def test_the_certificate_prints_who_when_and_under_which_conditions(tmp_path):
    path = certify(
        tmp_path / "a.pdf", MODELS["distinct"], NOTES, [], serial="C5 piece 12", verdict="tuned: every note is in",
        newest_event="event 31, abcd",
        conditions=MeasuringConditions(-1.5, 0.4, 0.43, (151.0, 872.0), "steady tones", "a recording of every note"),
    )  # fmt: skip
    (page,) = read_pages(path)
    lines = page.text.split("\r\n")
    for words in (
        "C5 piece 12", "model plain", "2023-11-14", "Result: tuned: every note is in",
        "measured at \u22121.5 °C ± 0.4 °C, 43 % relative humidity", "breath 151 to 872 Pa, steady tones",
        "target A4 = 442.5 Hz, equal temperament, at \u22123.5 °C, tolerance ±6.5 cents",
        "method a recording of every note",
    ):  # fmt: skip
        assert any(line.endswith(words) or line == words for line in lines), words
    assert any(line.startswith("ledger event 31, abcd") for line in lines)


def test_the_certificates_chart_prints_each_notes_cents_under_its_name(tmp_path):
    (page,) = read_pages(certify(tmp_path / "a.pdf", MODELS["distinct"], NOTES, []))
    lines = [words_of(line, gap_mm=1.0) for line in lines_of(page.letters)]
    measured = [line for line in lines if line and line[0].text == "measured"]
    told = {}
    for line in measured:
        names = next(
            words for words in reversed(lines[: lines.index(line)])
            if words and all(word.text in {n.note for n in NOTES} for word in words)
        )  # fmt: skip
        for word in line[1:]:
            (name,) = [n for n in names if abs(n.box.centre[0] - word.box.centre[0]) < 0.6]
            told[name.text, "1" if line is measured[0] else "2"] = word.text
    assert told == {
        (n.note, str(n.register)): ("0.0" if abs(n.cents) < 0.05 else f"{n.cents:+.1f}").replace("-", "\u2212")
        for n in NOTES
    }


def test_unsaved_sizes_are_told_on_every_page(tmp_path):
    model = MODELS["c5-eight-hole"]
    unsaved = UnsavedSizes("c5-eight-hole", 3)
    pages = read_pages(write_sheet(model, tmp_path / "a.pdf", marks=marks_for(model), unsaved=unsaved, timestamp=TIME))
    assert len(pages) == 3 + len(template_sheets(model))
    for page in pages:
        assert "unsaved sizes, not version 3 of c5-eight-hole" in page.text
        # It stands in the page's head, over the model's name.
        told = {"".join(w.text for w in line).replace(" ", ""): line[0].box.top for line in lines_of(page.letters)}
        (top,) = [y for text, y in told.items() if text.startswith("unsavedsizes,notversion3ofc5-eight-hole")]
        (name,) = [y for text, y in told.items() if text.startswith("c5-eight-holeworkshopsheet")]
        assert 3.0 < top < name < 17.0
    saved = read_pages(write_sheet(model, tmp_path / "b.pdf", marks=marks_for(model), timestamp=TIME))
    assert not any("unsaved" in page.text for page in saved)
    never = UnsavedSizes("c5-eight-hole", None)
    pages = read_pages(write_sheet(model, tmp_path / "c.pdf", unsaved=never, timestamp=TIME))
    assert all("unsaved sizes, not the starting model c5-eight-hole" in page.text for page in pages)
    assert not any(math.isnan(letter.box.left) for page in pages for letter in page.letters)


def test_no_number_of_a_paper_has_a_hyphen_for_its_sign(papers, tmp_path):
    (certificate,) = read_pages(
        certify(tmp_path / "a.pdf", MODELS["distinct"], NOTES, CUTS, conditions=MeasuringConditions(-1.5))
    )
    for page in (*papers["distinct"], certificate):
        text = page.text.replace("2023-11-14", "")
        assert re.findall(r".*-\.?\d.*", text) == []
    whole = [" ".join(page.text for page in papers["distinct"]), certificate.text]
    assert all(text.count("\u2212") > 5 for text in whole)
