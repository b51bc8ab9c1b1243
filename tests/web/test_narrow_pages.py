"""On a phone no page is wider than its screen, whatever long names a maker gave; what is wide scrolls by itself."""

import pytest
from playwright.sync_api import sync_playwright
from real_browser import Server, at_rest, launched, page_of

from fluewright.bench.pitch_model import PitchModel
from fluewright.bench.voicing.advice import step_of
from fluewright.bench.voicing.trial import HeadTrial, NoteTrial, Reading
from fluewright.demo.sound import DrawnNote
from fluewright.instrument.sizes import with_sizes
from fluewright.instrument.starting import load
from fluewright.ledger import open_ledger
from fluewright.shop.cutting import correct_cut, record_cut
from fluewright.shop.head_records import log_adjustment, log_head_trial
from fluewright.shop.models import save_version
from fluewright.shop.pieces import begin_piece, measure_piece, set_state
from fluewright.shop.sitting import Take, play, sit_down

PHONE_PX = 360
# Written as one word each, so that no line can be broken for them.
MODEL = "d5cylinderwithawiderwindowandathinnerwallforcherrywood442hz1"
LONG = "seasonedcherrywoodofthelowerorchardfelledinthewetwinter" * 3
SERIAL = "D5CHERRY442HZNEW-0001"


@pytest.fixture(scope="module")
def ledger(tmp_path_factory):
    """Return a ledger whose folder, models, serials, materials, tools, reasons and recordings all have long names."""
    folder = tmp_path_factory.mktemp("therecordsofalltheinstrumentsthatwerebegunsincetheworkshopmoved")
    path = folder / "instrumentsoftheworkshopsincethemoveintothenewhouse.ledger"
    model = load("d5-cylinder")
    save_version(path, model, MODEL)
    save_version(path, with_sizes(model, {"length_mm": model.length_mm + 0.5}), MODEL)
    for _ in range(2):
        begin_piece(path, MODEL, prefix=SERIAL.partition("-")[0], material=LONG[:120], lot=LONG[:60], version=1)
    measure_piece(path, SERIAL, {"length_mm": model.length_mm}, gauge=LONG[:60], remarks=LONG)
    pitch = PitchModel.of(model)
    hz = pitch.network.targets_hz * 2.0 ** ((pitch.cents({}) - 25.0) / 1200.0)
    notes = tuple(DrawnNote(float(f), 0.1) for f, g in zip(hz, pitch.fingerings, strict=True) if g.alternative == 0)
    play(sit_down(path, SERIAL), [Take(f"{LONG}.wav", "0" * 64, notes)])
    cut = record_cut(
        sit_down(path, SERIAL), key="length_mm", after_mm=model.length_mm - 1.0, tool=LONG[:60], reason=LONG
    )
    correct_cut(path, SERIAL, cut.event, after_mm=model.length_mm - 0.9, reason=LONG)
    set_state(path, SERIAL, "waiting for material", reason=LONG)
    other = SERIAL.replace("0001", "0002")
    head = HeadTrial((NoteTrial("D5", 1, {"jump_pa": Reading(280.0, 9.0)}),), other, LONG[:60], True, 20.0, (LONG,))
    log_head_trial(path, other, head, remarks=LONG)
    log_adjustment(path, other, step_of("window-longer"), 1.0, (), reason=LONG)
    return path


WIDER = """(most) => [...document.querySelectorAll("main *, footer *, nav *")].filter((one) => {
  if (one.getBoundingClientRect().right <= most + 1) return false;
  for (let box = one.parentElement; box; box = box.parentElement) {
    if (getComputedStyle(box).overflowX !== "visible") return false;
  }
  return true;
}).map((one) => one.outerHTML.slice(0, 120))"""


def test_no_page_overflows_a_phone_whatever_is_named_how(ledger):
    with open_ledger(ledger) as book:
        serials = [i.serial for i in book.instruments()]
    assert serials[0] == SERIAL
    names = f"old={MODEL}@1&new={MODEL}@2"
    paths = [
        "/bench", f"/bench/{SERIAL}", "/voicing", f"/voicing/{SERIAL}", "/models", f"/models/{MODEL}",
        f"/compare?{names}", "/ledger", f"/ledger?search={LONG[:60]}", *(f"/ledger/{serial}" for serial in serials),
        "/pair", f"/ledger/{LONG[:60]}", f"/models/{LONG[:60]}",
    ]  # fmt: skip
    server = Server(ledger)
    wide = {}
    try:
        with sync_playwright() as driver:
            browser = launched(driver)
            page = page_of(browser, PHONE_PX)
            for path in paths:
                page.goto(server.url(path))
                at_rest(page)
                over = page.evaluate(WIDER, PHONE_PX)
                if page.evaluate("document.documentElement.scrollWidth") > PHONE_PX or over:
                    wide[path] = over
            browser.close()
    finally:
        server.kill()
    assert wide == {}
