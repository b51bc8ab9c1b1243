"""How results show themselves: one line, a table in a terminal, a picture or table in a notebook."""

import xml.etree.ElementTree as ET
from dataclasses import replace

import pytest

import fluewright as fw

SVG = "{http://www.w3.org/2000/svg}"


def drawn_in(svg):
    root = ET.fromstring(svg)
    assert root.tag == f"{SVG}svg"
    return [text.text for text in root.iter(f"{SVG}text")]


def test_every_result_tells_itself_in_one_short_line(results, model, sound, shop):
    for name, result in [*results.items(), ("model", model), ("sound", sound), ("shop", shop)]:
        told = repr(result)
        assert "\n" not in told, name
        assert 20 < len(told) < 250, name
        assert told.startswith(f"<{type(result).__name__} ") or name == "picture", name


def test_repr_says_what_matters(model, predicted, fitted, blown, sound, heard, advice, shop):
    assert repr(model) == str(model)
    assert "d5-cylinder: lowest note D5, 6 holes, 264.4 mm, A4 = 440 Hz at 20 degC" in repr(model)
    worst = max(predicted.notes, key=lambda n: abs(n.cents))
    assert f"14 fingerings, {predicted.rms_cents:.1f} cents rms, worst {worst.note}" in repr(predicted)
    assert "by resonance" in repr(fitted)
    assert "D5 planned at 150 Pa" in repr(blown)
    assert repr(sound).startswith("<PlayedSound d5-cylinder: D5; 0.2 s, ")
    assert "13 notes in 8.4 s" in repr(heard)
    assert "cuts are advised" in repr(advice)
    assert "first: shorten the foot" in repr(advice)
    assert "not played yet; 0 trials" in repr(shop.sit_down("D5-0002"))
    assert "1 trial, 1 cut since" in repr(shop.sit_down("D5-0001"))
    assert repr(fw.draw(model, "top")) == "Picture(title='d5-cylinder: top view')"


def test_a_prediction_beyond_a_formulas_range_says_so(model):
    wide = fw.change(model, {"head.ramp_angle_deg": 70.0})
    predicted = fw.predict(wide)
    assert predicted.out_of_range
    assert all(isinstance(n, fw.RangeNote) for n in predicted.out_of_range)
    assert f"{len(predicted.out_of_range)} formulas beyond their range" in repr(predicted)


def test_printing_gives_the_line_and_the_table(results):
    for name, result in results.items():
        lines = str(result).split("\n")
        rows = result.records()
        assert lines[0] in repr(result), name
        assert len(lines) == (2 + len(rows) if rows else 1), name
        if rows:
            assert lines[1].split() == list(rows[0]), name


def test_a_table_in_text_lines_up(model):
    lines = str(fw.sizes(model)).split("\n")
    assert lines[1].startswith("key ")
    at = lines[1].index("value") + len("value")
    assert all(line[at - 1] in "0123456789" for line in lines[2:])
    assert all(len(line[:at].split()[-1].split(".")[1]) == 2 for line in lines[2:])


def test_pictures_of_results_are_well_formed_and_hold_their_notes(predicted, blown, fitted, heard, advice, model):
    for result in (predicted, fitted, advice):
        assert {"D5", "C#6", "B6"} <= set(drawn_in(result._repr_svg_()))
        assert result._repr_svg_() == result.picture().svg
        assert result.picture(theme="dark").svg != result.picture().svg
    assert {"D5", "B6"} <= set(drawn_in(blown._repr_svg_()))
    few = drawn_in(blown.picture(notes=["D5"]).svg)
    assert "D5" in few
    assert "B6" not in few
    assert {"D5", "B6"} <= set(drawn_in(heard._repr_svg_()))
    assert any(text.startswith("head.window_length") for text in drawn_in(fw.sensitivity(model)._repr_svg_()))


def test_a_recording_without_a_named_note_has_no_picture(heard):
    nameless = replace(heard, named=replace(heard.named, rows=()))
    assert nameless._repr_svg_() is None
    with pytest.raises(fw.InputError, match="at least one note"):
        nameless.picture()


@pytest.mark.parametrize("view", ["side", "top", "head"])
@pytest.mark.parametrize("theme", ["light", "dark", "paper"])
def test_a_model_is_drawn_from_three_sides(model, view, theme, tmp_path):
    picture = fw.draw(model, view, theme=theme)
    drawn_in(picture._repr_svg_())
    path = picture.save(tmp_path / "view.svg")
    assert path.read_text(encoding="utf-8") == picture.svg


def test_the_head_is_drawn_with_its_jet(model):
    assert any("D5 at 150 Pa" in text for text in drawn_in(fw.draw(model, "head").svg))


def test_a_view_that_is_not_there(model):
    with pytest.raises(fw.InputError, match="view: is 'end'; it can be side, top, head"):
        fw.draw(model, "end")


def test_html_is_well_formed_and_tells_cuts_and_warnings(advice, shop, sound, results):
    page = ET.fromstring(advice._repr_html_())
    assert page.find(f"{SVG}svg") is not None
    cells = [td.text for td in page.iter("td")]
    assert all(cut.key in cells for cut in advice.plan)
    played, new = shop.sit_down("D5-0001"), shop.sit_down("D5-0002")
    assert ET.fromstring(played._repr_html_()).find(f"{SVG}svg") is not None
    assert "not played yet" in "".join(ET.fromstring(new._repr_html_()).itertext())
    assert new.picture() is None
    for name in ("models", "pieces", "history", "forecasts"):
        rows = results[name].records()
        body = ET.fromstring(results[name]._repr_html_()).findall("table/tbody/tr")
        assert len(body) == len(rows), name
    audio = ET.fromstring(sound._repr_html_()).find("audio")
    assert audio.get("src").startswith("data:audio/wav;base64,UklGR")


def test_words_in_html_are_escaped():
    table = fw.RecordTable("a < b", ({"<key>": "x & y", "value": 1.0},))
    page = ET.fromstring(table._repr_html_())
    assert page.find("p").text == "a < b"
    assert [th.text for th in page.iter("th")] == ["<key>", "value"]
    assert [td.text for td in page.iter("td")] == ["x & y", "1.00"]


def test_a_cell_without_a_figure_is_empty_and_small_figures_keep_their_digits():
    table = fw.RecordTable(
        "t", ({"a": None, "chance": 0.0123, "ok": True, "n": 3}, {"a": 2.0, "chance": 0.5, "ok": False, "n": 12})
    )
    assert str(table) == "t: 2 rows\n   a  chance  ok    n\n      0.0123  yes   3\n2.00  0.5000  no   12"
    assert len(table) == 2
    assert str(fw.RecordTable("t", ())) == "t: 0 rows"
