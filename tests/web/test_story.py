"""One instrument from model to certificate's state by clicks, keys and sound alone, in the real browser."""

import numpy as np
import pytest
import soundfile
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect, sync_playwright
from real_browser import (
    ARGS,
    BROWSER,
    Server,
    at_rest,
    begin,
    launched,
    listen,
    page_of,
    record_for,
    stop_listening,
    ticked,
)

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.demo.sound import play
from fluewright.instrument.starting import load


@pytest.fixture
def server(tmp_path):
    made = Server(tmp_path / "shop.ledger")
    yield made
    made.kill()


@pytest.fixture(scope="module")
def sound(tmp_path_factory):
    """Return a WAV of every note of d5-cylinder, 15 cents flat: what the browser takes for its microphone."""
    assert BROWSER, "Debian's chromium is missing; setup.sh dev installs it"
    network = build_network(load("d5-cylinder"))
    hz = resonances(network).frequencies_hz
    main = [i for i, f in enumerate(network.fingerings) if f.alternative == 0]
    path = tmp_path_factory.mktemp("sound") / "scale.wav"
    samples = play((hz[main] * 2.0 ** (-15.0 / 1200.0)).tolist(), note_s=0.5, rng=np.random.default_rng(1))
    # The browser takes a 24-bit file for silence.
    soundfile.write(path, np.concatenate([np.zeros(22050), samples, np.zeros(3 * 44100)]), 44100, subtype="PCM_16")
    return path


@pytest.fixture
def browser(sound):
    with sync_playwright() as play_it:
        made = launched(play_it, hears=sound)
        yield made
        made.close()


@pytest.mark.parametrize("width", [1280, 360])
def test_from_a_model_to_a_certificate_by_clicks_keys_and_sound(browser, server, width):
    page = page_of(browser, width)
    page.goto(server.url("/models"))
    page.get_by_role("link", name="d5-cylinder").click()
    page.locator("#chart svg").wait_for()
    at_rest(page)
    length = page.get_by_label("length, mm", exact=True)
    length.fill("263.5")
    length.press("Tab")
    expect(page.locator("#breath tbody tr")).to_have_count(13)
    page.get_by_role("button", name="Undo").click()
    assert length.input_value() == "264.430"
    page.get_by_label("Save as").fill("d5-mine")
    page.get_by_role("button", name="Save a version").click()
    page.get_by_text("Saved as d5-mine, version 1.").wait_for()
    page.get_by_role("heading", name="d5-mine version 1").wait_for()
    at_rest(page)
    page.get_by_label("window length, mm", exact=True).fill("4.30")
    page.keyboard.press("Tab")
    expect(page.locator("#breath-picture svg")).to_have_count(1)
    page.locator("#breath-picture text", has_text="beside the saved version").wait_for()
    page.get_by_role("button", name="Save a version").click()
    page.get_by_text("Saved as d5-mine, version 2.").wait_for()
    page.get_by_role("heading", name="d5-mine version 2").wait_for()
    page.get_by_role("button", name="Compare").click()
    page.wait_for_url("**/compare?old=d5-mine%401&new=d5-mine%402")
    expect(page.locator("#picture svg")).to_have_count(1)
    assert "window length" in page.get_by_role("region", name="What differs").inner_text()
    page.get_by_role("link", name="Bench").click()
    page.wait_for_url("**/bench")
    at_rest(page)
    page.get_by_label("Model").select_option("d5-mine")
    page.get_by_role("button", name="Begin it and play").press("Enter")
    page.wait_for_url("**/bench/D5-0001")
    listen(page)
    expect(ticked(page)).to_have_count(13)
    stop_listening(page)
    page.get_by_role("button", name="End the trial: what next?").click()
    page.get_by_text("Cut, in this order").wait_for()
    with page.expect_download() as paper:
        page.get_by_role("button", name="Certificate, PDF").click()
    assert paper.value.path().read_bytes().startswith(b"%PDF-")
    first = page.locator(".plan li").first
    assert "D5: shorten the foot" in first.inner_text()
    # A slip of the finger is asked about before it stands in the ledger.
    gauged = first.get_by_label("Gauged after the cut, mm")
    planned = gauged.input_value()
    gauged.fill("216.7")
    first.get_by_role("button", name="Done, log it").click()
    first.get_by_role("button", name="Really 216.70 mm? Press again").wait_for()
    gauged.fill(planned)
    first.get_by_role("button", name="Really 216.70 mm? Press again").click()
    expect(page.get_by_text("D5: shorten the foot")).to_have_count(0)
    # Cut and not yet played: a certificate would state what nobody heard.
    answer = page.request.post(server.url("/api/bench/D5-0001/certificate"), headers={"origin": server.url("")})
    assert answer.status == 400
    assert "cut since it was last played" in answer.json()["fault"]
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.get_by_role("link", name="History of this piece").click()
    table = page.get_by_role("table").first.inner_text()
    assert "trial" in table
    assert "length: 264.43 to" in table
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert page.faults == []


def middle(page, locator):
    """Return where the middle of something drawn is, once nothing is drawn anew any more."""
    at_rest(page)
    locator.scroll_into_view_if_needed()
    box = locator.bounding_box()
    return box["x"] + box["width"] / 2, box["y"] + box["height"] / 2


def test_a_size_is_dragged_in_the_section_and_on_the_body(browser, server):
    page = page_of(browser, 1280)
    page.goto(server.url("/models/d5-cylinder"))
    grip = page.locator('#section [data-size="head.window_length_mm"]').first
    window = page.get_by_label("window length, mm", exact=True)
    for step in (30, -60):
        before = float(window.input_value())
        x, y = middle(page, grip)
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + step / 2, y)
        page.mouse.move(x + step, y)
        page.mouse.up()
        at_rest(page)
        scale = float(page.locator("#section svg").get_attribute("data-scale"))
        expect(window).not_to_have_value(f"{before:.3f}")
        # The drawing may take another scale when the window grows: only the side and the size are sure.
        assert 0.2 < (float(window.input_value()) - before) * scale / (step * 180.0 / 1146.0) < 3.0
    page.get_by_role("button", name="Undo").click()
    page.get_by_role("button", name="Undo").click()
    assert window.input_value() == "4.500"
    hole = page.locator("#chart g.hole").nth(2)
    third = page.locator('[data-key="holes.3.position_mm"]')
    before = third.input_value()
    x, y = middle(page, hole)
    page.mouse.move(x, y)
    page.mouse.down()
    page.mouse.move(x + 20, y)
    page.mouse.up()
    expect(third).not_to_have_value(before)
    assert float(third.input_value()) > float(before)
    assert page.faults == []


def test_a_press_in_the_section_shows_effects_and_changes_nothing(browser, server):
    page = page_of(browser, 1280)
    page.goto(server.url("/models/d5-cylinder"))
    for place, says in (("upper-chamfer", "upper chamfer longer"), ("edge", "edge lower by 0.05 mm")):
        target = page.locator(f'#section [data-place="{place}"]').first
        x, y = middle(page, target)
        page.mouse.click(x, y)
        page.locator("#effects summary", has_text=says).wait_for()
    assert page.get_by_role("button", name="Undo").is_disabled()
    assert page.faults == []


def serious_faults(page):
    """Return what the accessibility engine finds serious or worse: (rule, element)."""
    found = Axe().run(page).response["violations"]
    return [(v["id"], v["nodes"][0]["html"][:120]) for v in found if v["impact"] in ("serious", "critical")]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_serious_fault_of_accessibility(browser, server, scheme):
    page = page_of(browser, 1280, color_scheme=scheme)
    begin(page, server)
    paths = (
        "/bench/D5-0001", "/bench", "/models", "/models/d5-cylinder", "/compare?old=d5-cylinder&new=f4-taper",
        "/voicing", "/voicing/D5-0001", "/ledger", "/ledger/D5-0001", "/pair", "/nowhere",
    )  # fmt: skip
    for path in paths:
        page.goto(server.url(path))
        at_rest(page)
        assert serious_faults(page) == [], path


def test_nothing_ticked_is_lost_when_the_server_dies_and_the_page_comes_back(browser, server):
    page = page_of(browser, 900)
    begin(page, server)
    listen(page)
    ticked(page).nth(3).wait_for()
    before = page.locator("#notes tr.ticked td:first-child").all_inner_texts()
    server.kill()
    page.get_by_text("trying again by itself").wait_for()
    server.start()
    page.get_by_text("trying again by itself").wait_for(state="hidden")
    ticked(page).nth(3).wait_for()
    assert set(before) <= set(page.locator("#notes tr.ticked td:first-child").all_inner_texts())
    # And it goes on listening by itself.
    expect(ticked(page)).to_have_count(13)


def test_a_refused_microphone_is_said_with_its_mend(server):
    with sync_playwright() as play_it:
        browser = launched(play_it, [a for a in ARGS if not a.startswith("--use-fake")])
        page = page_of(browser, 1280, permissions=[])
        begin(page, server)
        listen(page)
        says = page.get_by_role("alert")
        says.wait_for()
        assert "microphone" in says.inner_text()
        assert "recording" in says.inner_text()
        browser.close()


def test_a_trial_ends_by_itself_with_both_hands_on_the_instrument(browser, server):
    page = page_of(browser, 900)
    begin(page, server)
    page.get_by_label("End by itself").check()
    listen(page)
    page.get_by_text("Cut, in this order").wait_for()
    expect(page.locator("#state")).to_contain_text("1 trial")
    assert page.faults == []


def test_a_take_is_recorded_by_the_page_and_judged(browser, server):
    page = page_of(browser, 900)
    begin(page, server)
    page.get_by_role("button", name="Record instead").click()
    page.get_by_text("Recording, ").wait_for()
    record_for(page, 13)
    page.get_by_role("button", name="Stop").click()
    page.get_by_text("D5-0001-take.wav was heard.").wait_for()
    page.get_by_text("Cut, in this order").wait_for()
    page.locator("#states").select_option("on hold")
    page.get_by_label("Why").fill("the wood still moves")
    page.get_by_role("button", name="Set the state").press("Enter")
    expect(page.locator("#state")).to_contain_text("on hold")
    assert page.faults == []


@pytest.mark.parametrize("width", [1280, 360])
def test_a_head_is_tried_by_its_steps_and_judged(browser, server, width):
    """Recordings are taken by the page from the microphone; breath is typed; what is wrong and what to do appears."""
    page = page_of(browser, width)
    begin(page, server)
    page.get_by_role("link", name="Voice its head").click()
    page.wait_for_url("**/voicing/D5-0001")
    for tick in ("dirt or water", "leak", "fingering as", "head, block and joints"):
        page.get_by_label(tick).check()
        # The answer to a tick draws all ticks anew: one that is set meanwhile goes for a moment.
        at_rest(page)
    button = page.get_by_role("button", name="Record: Low notes, tongued")
    button.press("Enter")
    page.get_by_text("dB of full scale").wait_for()
    record_for(page, 12)
    button.press("Enter")
    page.get_by_text("Taken: low.wav").wait_for()
    page.get_by_text("D5, register 1: rise of the attack").wait_for()
    for name, value in (("lowest breath that speaks", "62"), ("breath at which it jumps up", "350")):
        page.get_by_label(f"D5: {name}, Pa").fill(value)
        page.get_by_label(f"D5: {name}, Pa").press("Tab")
    wrong = page.get_by_label("D5: breath at which it falls back, Pa")
    wrong.fill("900")
    wrong.press("Tab")
    expect(page.get_by_role("alert")).to_contain_text("exchanged")
    expect(page.locator("#picture svg")).to_have_count(1)
    page.get_by_role("button", name="End the trial: what is wrong?").click()
    page.get_by_role("heading", name="Why (nothing wrong").wait_for()
    assert page.locator("#do").inner_text()
    # The section answers to the keys.
    page.locator('#section [data-place="window"]').first.press("Enter")
    page.get_by_text("cut the edge back: window longer by 0.1 mm").first.wait_for()
    at_rest(page)
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    assert serious_faults(page) == []
    assert [f for f in page.faults if "400" not in f] == []
