"""The web app as devices meet it in the shop, in Debian's browser.

Pairing over TLS, every trouble of a microphone, eight devices at one bench, small screens, the keyboard alone.
"""

import hashlib
import json
import re
import socket
import ssl
import threading
from itertools import pairwise

import numpy as np
import pytest
import segno
import soundfile
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import expect, sync_playwright
from real_browser import (
    ARGS,
    LanServer,
    Server,
    all_heard,
    at_rest,
    begin,
    count_of_plays,
    free_port,
    launched,
    listen,
    page_of,
    plays,
    stop_listening,
    ticked,
    until,
)
from web_addresses import LIVE

from fluewright.acoustics.network import build_network
from fluewright.acoustics.resonance import resonances
from fluewright.demo.sound import play
from fluewright.instrument.starting import load
from fluewright.web.tls_certificate import own_tls_certificate

RATE = 44100
WIDTHS = (360, 768, 1280, 1920)
FLAT_CENTS = -15.0


class Relay:
    """A line to the program that can be cut, or can fall silent for good without being cut."""

    def __init__(self, port):
        self.port, self.to = free_port(), port
        self.up = True
        self.ends, self.dead = [], set()
        self.carriers = []
        self.door = socket.create_server(("127.0.0.1", self.port))
        threading.Thread(target=self._let_in, daemon=True).start()

    def _let_in(self):
        while True:
            try:
                near, _ = self.door.accept()
            except OSError:
                return
            if not self.up:
                near.close()
                continue
            far = socket.create_connection(("127.0.0.1", self.to))
            self.ends += [near, far]
            for a, b in ((near, far), (far, near)):
                self.carriers.append(threading.Thread(target=self._carry, args=(a, b), daemon=True))
                self.carriers[-1].start()

    def _carry(self, a, b):
        while True:
            try:
                data = a.recv(65536)
                if not data:
                    break
                if b not in self.dead:
                    b.sendall(data)
            except OSError:
                break
        self._end(b)

    def lines(self):
        """Return how many lines are open: two carry one, each its way."""
        return sum(carrier.is_alive() for carrier in self.carriers) // 2

    @staticmethod
    def _end(end):
        try:
            end.shutdown(socket.SHUT_RDWR)
        except OSError:
            return

    def fall_silent(self):
        self.dead |= set(self.ends)

    def cut(self):
        self.up = False
        for end in self.ends:
            self._end(end)

    def mend(self):
        self.up = True

    def close(self):
        self.cut()
        self._end(self.door)
        for end in (self.door, *self.ends):
            end.close()


def frequencies(names):
    """Return the frequencies of some notes of d5-cylinder, or of all, as far flat as the sounds of this file play."""
    network = build_network(load("d5-cylinder"))
    hz = resonances(network).frequencies_hz * 2.0 ** (FLAT_CENTS / 1200.0)
    main = {f"{f.note} {f.register}": h for f, h in zip(network.fingerings, hz, strict=True) if f.alternative == 0}
    return [main[name] for name in names] if names else list(main.values())


THREE = ("D5 1", "G5 1", "A5 1")


def notes(names=THREE, note_s=0.4):
    return play(frequencies(names), note_s=note_s, rng=np.random.default_rng(1))


@pytest.fixture(scope="module")
def sounds(tmp_path_factory):
    """Return a writer of what a browser takes for its microphone, over and over: channels by columns, 16 bits."""
    folder = tmp_path_factory.mktemp("sounds")

    def write(name, samples):
        path = folder / f"{name}.wav"
        quiet = np.zeros((RATE // 2, *samples.shape[1:]))
        soundfile.write(path, np.concatenate([quiet, samples, quiet]), RATE, subtype="PCM_16")
        return path

    return write


@pytest.fixture(scope="module")
def scale(sounds):
    return sounds("scale", notes((), note_s=0.33))


@pytest.fixture(scope="module")
def driver():
    with sync_playwright() as started:
        yield started


@pytest.fixture
def browse(driver):
    """Return a launcher of browsers that hear a file, or that lack what is left out."""
    opened = []

    def launch(wav=None, *, without=(), more=()):
        made = launched(driver, [*(a for a in ARGS if a not in without), *more], hears=wav)
        opened.append(made)
        return made

    yield launch
    for made in opened:
        made.close()


@pytest.fixture(scope="module")
def server(tmp_path_factory):
    made = Server(tmp_path_factory.mktemp("shop") / "shop.ledger")
    yield made
    made.kill()


@pytest.fixture
def relay(server):
    made = Relay(server.port)
    yield made
    made.close()


@pytest.fixture
def lan_server(tmp_path):
    made = LanServer(tmp_path / "shop.ledger")
    yield made
    made.kill()


# --- another device, over TLS


def device(browser, width=390):
    """Return a page of a phone that was told to go on in spite of the computer's own TLS certificate."""
    return page_of(browser, width, 800, ignore_https_errors=True)


WHAT_IS_SHUT = """async () => {
  const status = async (path, how) => (await fetch(path, { redirect: "manual", ...how })).status;
  const live = await new Promise((told) => {
    const socket = new WebSocket(`wss://${location.host}/live/D5-0001`);
    socket.onopen = () => told("open");
    socket.onclose = () => told("shut");
  });
  const found = { live };
  for (const path of ["/bench", "/bench/D5-0001", "/ledger", "/ledger/D5-0001", "/models", "/models/d5-cylinder", "/"])
    found[path] = await status(path);
  for (const path of ["/api/bench/D5-0001", "/api/ledger/trust"]) found[path] = await status(path);
  for (const path of ["/api/bench", "/api/bench/D5-0001/certificate", "/api/models/d5-cylinder/drag"])
    found[`to ${path}`] = await status(path, { method: "POST", body: "{}" });
  return found;
}"""


def test_another_device_hears_for_the_bench_once_it_is_paired(browse, lan_server, scale):
    """Nothing is open to it before; then its microphone works over TLS and the computer's own page shows the note."""
    browser = browse(scale)
    computer = device(browser, 1280)
    assert begin(computer, lan_server) == "D5-0001"
    phone = device(browser)
    phone.goto(f"{lan_server.others}/bench/D5-0001")
    assert phone.url == f"{lan_server.others}/pair"
    assert "D5-0001" not in phone.content()
    found = phone.evaluate(WHAT_IS_SHUT)
    assert found.pop("live") == "shut"
    # The browser gives no status where it was sent elsewhere.
    assert {path: status for path, status in found.items() if status not in (0, 401)} == {}
    phone.faults.clear()  # the browser's own remarks on all that was refused

    own = ssl.get_server_certificate(("127.0.0.1", lan_server.port))
    assert hashlib.sha256(ssl.PEM_cert_to_DER_cert(own)).digest().hex(":") == lan_server.fingerprint

    computer.get_by_role("link", name="Devices").click()
    code = computer.locator("#code").inner_text()
    assert re.fullmatch(r"\d{4} \d{4}", code)
    assert computer.get_by_text(f"{lan_server.others}/pair").count() == 1
    phone.get_by_label("Code from the workshop's computer").click()
    phone.keyboard.type(code)
    phone.keyboard.press("Enter")
    phone.wait_for_url("**/bench")
    (cookie,) = phone.context.cookies()
    assert (cookie["secure"], cookie["httpOnly"], cookie["sameSite"]) == (True, True, "Strict")

    computer.goto(lan_server.url("/bench/D5-0001"))
    phone.get_by_role("link", name="D5-0001").click()
    assert phone.evaluate("isSecureContext")
    listen(phone)
    expect(ticked(phone).first).to_be_visible()
    expect(ticked(computer).first).to_be_visible()
    expect(phone.get_by_role("alert")).to_be_hidden()
    assert phone.faults == []
    assert computer.faults == []
    phone.get_by_role("button", name="Stop listening").click()

    # Pairing ends with the program; the phone says so instead of trying for ever.
    lan_server.kill()
    lan_server.start()
    phone.get_by_role("link", name="pair it again").click()
    phone.get_by_role("heading", name="Devices").wait_for()
    expect(computer.get_by_text("trying again by itself")).to_be_hidden()


def try_code(page, code):
    field = page.get_by_label("Code from the workshop's computer")
    field.fill(code)
    page.get_by_role("button", name="Pair this device").click()


def test_a_code_works_once_and_guesses_have_to_wait(browse, lan_server):
    browser = browse()
    computer, phone, tablet, guest = (device(browser) for _ in range(4))
    computer.goto(lan_server.url("/pair"))
    code = computer.locator("#code").inner_text().replace(" ", "")
    # The picture holds the address with the code behind the sign that is never sent.
    link = f"{lan_server.others}/pair#{code}"
    drawn = computer.locator(".qr svg path").last.get_attribute("d")
    assert f'd="{drawn}"' in segno.make(link, error="m").svg_inline()
    assert computer.evaluate("document.documentElement.scrollWidth <= innerWidth")
    phone.goto(link)
    phone.get_by_role("button", name="Pair this device").press("Enter")
    phone.wait_for_url("**/bench")
    phone.get_by_role("heading", name="Instruments").wait_for()

    # The computer shows the next code by itself, and the one before is worth nothing.
    computer.get_by_text("this is the next one").wait_for()
    fresh = computer.locator("#code").inner_text().replace(" ", "")
    assert fresh != code
    tablet.goto(f"{lan_server.others}/pair")
    try_code(tablet, code)
    expect(tablet.get_by_role("alert")).to_contain_text("not the code that the workshop's computer shows now")
    # A link that comes while the page is open fills the field as well.
    tablet.goto(f"{lan_server.others}/pair#{fresh}")
    expect(tablet.get_by_label("Code from the workshop's computer")).to_have_value(fresh)
    tablet.get_by_role("button", name="Pair this device").click()
    tablet.wait_for_url("**/bench")

    guest.goto(f"{lan_server.others}/pair#%zz")
    computer.get_by_text(re.compile(r"^(?!" + f"{fresh[:4]} {fresh[4:]}" + r")\d{4} \d{4}$")).wait_for()
    right = computer.locator("#code").inner_text().replace(" ", "")
    wrong = "0" * 8 if right != "0" * 8 else "1" * 8
    told = ""
    while "too many" not in told:
        # It is hidden until there is something to say.
        guest.locator("[role=alert]").evaluate("alert => { alert.textContent = ''; }")
        try_code(guest, wrong)
        expect(guest.get_by_role("alert")).to_contain_text(re.compile("not the code|too many"))
        told = guest.get_by_role("alert").inner_text()
    assert re.search(r"too many wrong codes; wait \d+ seconds", told)
    assert guest.context.cookies() == []


def test_a_lost_device_is_sent_away_from_the_page(browse, lan_server):
    browser = browse()
    computer, phone = device(browser, 1280), device(browser)
    assert begin(computer, lan_server) == "D5-0001"
    computer.goto(lan_server.url("/pair"))
    computer.get_by_text("None yet.").wait_for()
    code = computer.locator("#code").inner_text().replace(" ", "")
    phone.goto(f"{lan_server.others}/pair#{code}")
    phone.get_by_label("Name of this device").fill("Bench phone")
    phone.get_by_role("button", name="Pair this device").click()
    phone.wait_for_url("**/bench")
    phone.get_by_role("link", name="D5-0001").click()
    at_rest(phone)
    # The page of the computer shows it by itself; whoever was sent away is told on the page that it has open.
    row = computer.get_by_role("row").filter(has_text="Bench phone")
    row.get_by_role("button", name="Send Bench phone away").click()
    computer.get_by_text("Sent away").wait_for()
    computer.get_by_text("None yet.").wait_for()
    phone.get_by_role("link", name="pair it again").wait_for()

    before = computer.locator("#code").inner_text()
    computer.get_by_role("button", name="Begin a new code").click()
    computer.get_by_text("This is a new code").wait_for()
    assert computer.locator("#code").inner_text() != before
    computer.get_by_role("button", name="Send all devices away").click()
    computer.get_by_role("button", name="Really send all away? Press again").click()
    computer.get_by_text("All devices were sent away.").wait_for()
    assert computer.faults == []


# --- a microphone's troubles


# Keeps every stream that was given out: none may go on listening after a trouble.
STREAMS = """
window.streams = [];
const real = MediaDevices.prototype.getUserMedia;
MediaDevices.prototype.getUserMedia = async function (...given) {
  const stream = await real.apply(this, given);
  window.streams.push(stream);
  return stream;
};
"""
BUSY = """
MediaDevices.prototype.getUserMedia = async () => { throw new DOMException("in use", "NotReadableError"); };
"""
SLOW = """
const Plain = AudioContext;
window.AudioContext = class extends Plain { constructor() { super({ sampleRate: 8000 }); } };
"""
FAKE = ("--use-fake-device-for-media-stream", "--use-fake-ui-for-media-stream")


@pytest.mark.parametrize(
    ("without", "script", "says"),
    [
        (FAKE[1:], "", ("was not allowed", "Allow it for this page", "press Listen again", "use a recording")),
        (FAKE[:1], "", ("has no microphone", "Plug one in", "press Listen again", "use a recording")),
        ((), BUSY, ("Another program keeps the microphone", "Close the other program", "press Listen again")),
        ((), SLOW, ("8000 samples a second", "16000 to 192000", "wireless headset", "choose another input")),
    ],
    ids=["refused", "absent", "busy", "slow"],
)
def test_a_microphone_that_cannot_be_had_is_said_with_its_mend(browse, server, without, script, says):
    permissions = [] if FAKE[1] in without else ["microphone"]
    page = page_of(browse(without=without), 1280, permissions=permissions)
    page.add_init_script(STREAMS + script)
    begin(page, server)
    listen(page)
    alert = page.get_by_role("alert")
    expect(alert).to_be_visible()
    for words in says:
        assert words in alert.inner_text()
    button = page.get_by_role("button", name="Listen", exact=True)
    expect(button).to_have_attribute("aria-pressed", "false")
    assert page.evaluate("streams.flatMap(s => s.getTracks()).every(t => t.readyState === 'ended')")


def test_a_silent_microphone_is_said_until_sound_comes(browse, server, sounds):
    wav = sounds("silent", np.concatenate([np.zeros(round(4.7 * RATE)), notes(THREE[:1], note_s=1.2)]))
    page = page_of(browse(wav), 900)
    begin(page, server)
    # What is said for a moment only: every word is kept.
    page.evaluate("""() => {
      const mic = document.getElementById("mic");
      window.said = [];
      new MutationObserver(() => said.push(mic.textContent)).observe(mic, { childList: true, characterData: true });
    }""")
    listen(page)
    page.wait_for_function("""() => {
      const silent = said.findIndex((text) => text.startsWith("Nothing"));
      return silent >= 0 && said.slice(silent).some((text) => text.startsWith("Listening"));
    }""")
    silent, after = next(pair for pair in pairwise(page.evaluate("said")) if pair[0].startswith("Nothing"))
    assert "Nothing comes from the microphone: is it the right one, and is its level up?" in silent
    assert "sound settings" in silent
    assert "Listening at 44100 samples a second" in after
    expect(ticked(page)).to_have_count(1)


def test_a_microphone_that_is_unplugged_can_be_plugged_in_again(browse, server, scale):
    page = page_of(browse(scale), 900)
    page.add_init_script(STREAMS)
    begin(page, server)
    listen(page)
    expect(ticked(page).first).to_be_visible()
    page.evaluate("streams[0].getAudioTracks()[0].dispatchEvent(new Event('ended'))")
    says = page.locator("#mic")
    expect(says).to_have_text("The microphone was unplugged. Plug it in and press Listen again.")
    assert page.evaluate("streams[0].getAudioTracks()[0].readyState") == "ended"
    all_heard(page)
    before = count_of_plays(page)
    listen(page)
    expect(says).to_contain_text("Listening at")
    until(page, lambda: count_of_plays(page) > before)
    stop_listening(page)
    expect(says).to_have_text("")
    assert page.evaluate("streams.length") == 2
    assert page.evaluate("streams.flatMap(s => s.getTracks()).every(t => t.readyState === 'ended')")
    assert page.faults == []


def stereo():
    """Return one note on the left side, one on the right, one on both in opposite senses, as leads and inputs do it."""
    left, right, both = (notes([name], note_s=0.8) for name in THREE)
    pause = np.zeros((RATE, 2))
    sides = [np.stack(pair, axis=1) for pair in ((left, 0 * left), (0 * right, right), (both, -both))]
    return np.concatenate([part for side in sides for part in (side, pause)])


def clipped():
    return np.clip(12.0 * notes(), -1.0, 1.0)


def faint():
    """Return notes whose loudest sample is 60 dB under full scale."""
    samples = notes()
    return samples * 10.0 ** (-60.0 / 20.0) / np.abs(samples).max()


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (stereo, ("Listening at 44100 samples a second.",)),
        (clipped, ("overdriven", "Go farther away, or turn its level down", "sound settings")),
        (faint, ("Only faint sound", "Go nearer, or turn its level up", "sound settings")),
    ],
)
def test_odd_sound_gives_the_same_notes_and_the_mend_is_said(browse, server, sounds, make, says):
    """Pitch lives through one side, opposite sides, clipping and -60 dB: the same notes and no other, to 2 cents."""
    page = page_of(browse(sounds(make.__name__, make())), 900)
    begin(page, server)
    listen(page)
    expect(ticked(page)).to_have_count(3)
    for words in says:
        expect(page.locator("#mic")).to_contain_text(words)
    found = {row[0]: row[2] for row in plays(page) if row[1]}
    assert set(found) == {name.replace(" ", " register ") for name in THREE}
    network = build_network(load("d5-cylinder"))
    asked = {
        f"{f.note} register {f.register}": 1200.0 * np.log2(h / t) + FLAT_CENTS
        for f, h, t in zip(network.fingerings, resonances(network).frequencies_hz, network.targets_hz, strict=True)
        if f.alternative == 0
    }
    for name, cents in found.items():
        assert float(cents.replace("\u2212", "-")) == pytest.approx(asked[name], abs=2.0), name
    expect(page.get_by_role("alert")).to_be_hidden()
    assert page.faults == []


def test_the_last_note_counts_though_listening_is_stopped_at_once(browse, server, sounds):
    """What has sounded is not lost because nobody waited until it was ticked."""
    page = page_of(browse(sounds("one", notes(THREE[1:2], note_s=90.0))), 900)
    begin(page, server)
    listen(page)
    expect(page.locator("#now-note")).to_have_text("G5")
    sent = len(page.sent)
    until(page, lambda: len(page.sent) > sent + 12)  # of 46 ms each
    assert ticked(page).count() == 0
    page.get_by_role("button", name="Stop listening").click()
    expect(ticked(page)).to_have_count(1)


def test_the_screen_stays_on_while_it_listens(browse, server, scale):
    page = page_of(browse(scale), 390)
    page.context.grant_permissions(["microphone", "screen-wake-lock"])
    page.add_init_script("""
      window.locks = [];
      const ask = WakeLock.prototype.request;
      WakeLock.prototype.request = async function (kind) {
        const lock = await ask.call(this, kind);
        locks.push(lock);
        return lock;
      };
    """)
    begin(page, server)
    assert page.evaluate("locks.length") == 0
    listen(page)
    page.wait_for_function("() => locks.length === 1 && !locks[0].released")
    page.get_by_role("button", name="Stop listening").click()
    page.wait_for_function("() => locks[0].released")


# --- several devices at one bench


def test_eight_devices_see_every_note_and_one_that_was_away_sees_them_too(browse, server, scale, sounds, relay):
    """The first of them hears three notes; then one is away while another device hears all."""
    browser = browse(
        sounds("three", notes()), more=[f"--host-resolver-rules=MAP localhost:{server.port} 127.0.0.1:{relay.port}"]
    )
    first, second = page_of(browser, 1280), page_of(browse(scale), 900)
    serial = begin(first, server)
    away, *watchers = (page_of(browser, 390) for _ in range(6))
    for page in (second, *watchers):
        page.goto(server.url(f"/bench/{serial}"))
    away.goto(f"http://localhost:{server.port}/bench/{serial}")
    away.locator("#chart svg").wait_for()
    listen(first)
    expect(ticked(away)).to_have_count(3)
    away.context.set_offline(True)
    relay.cut()
    away.get_by_text("trying again by itself").wait_for()
    listen(second)
    expect(ticked(first)).to_have_count(13)
    stop_listening(second)
    assert ticked(away).count() == 3
    away.context.set_offline(False)
    relay.mend()
    expect(away.get_by_text("trying again by itself")).to_be_hidden()
    everybody = [first, second, away, *watchers]
    for page in everybody:
        expect(ticked(page)).to_have_count(13)

    # The last word may still be on its way: what never comes fails, what is late does not.
    def agreed():
        shown = [plays(page) for page in everybody]
        state = first.request.get(server.url(f"/api/bench/{serial}")).json()
        return shown == [shown[0]] * 8 and [row[1] for row in shown[0]] == [str(n["plays"]) for n in state["notes"]]

    until(first, agreed)
    assert first.faults == second.faults == []


def test_the_device_that_listened_first_gives_way_to_the_next(browse, server, scale):
    """With two microphones at one bench every playing would count twice."""
    browser = browse(scale)
    first, second = page_of(browser, 900), page_of(browser, 900)
    serial = begin(first, server)
    second.goto(server.url(f"/bench/{serial}"))
    listen(first)
    expect(ticked(first).first).to_be_visible()
    listen(second)
    expect(first.locator("#mic")).to_have_text(
        "Another device listens for this bench now. Press Listen to listen here again."
    )
    expect(first.get_by_role("button", name="Listen", exact=True)).to_have_attribute("aria-pressed", "false")
    before = count_of_plays(second)
    expect(second.get_by_role("button", name="Stop listening")).to_be_visible()
    until(second, lambda: count_of_plays(second) > before)


@pytest.mark.long
def test_a_line_that_falls_silent_without_an_end_is_noticed(browse, server, relay):
    """A phone that was out of reach while the program gave it up has a line that nobody closed."""
    browser = browse(more=[f"--host-resolver-rules=MAP localhost:{server.port} 127.0.0.1:{relay.port}"])
    page = page_of(browser, 390)
    page.goto(f"http://localhost:{server.port}/bench")
    page.get_by_role("button", name="Begin it and play").click()
    page.wait_for_url("**/bench/D5-0*")
    page.locator("#chart svg").wait_for()
    until(page, lambda: relay.lines() == 1)  # the program closes what was opened for single requests
    relay.fall_silent()
    page.get_by_text("trying again by itself").wait_for()
    expect(page.get_by_text("trying again by itself")).to_be_hidden()
    other = page_of(browser, 390)
    other.goto(server.url(f"/bench/{page.url.rpartition('/')[2]}"))
    other.get_by_label("Temperature now").fill("19.5")
    other.get_by_label("Temperature now").press("Tab")
    expect(page.get_by_label("Temperature now")).to_have_value("19.5")


def test_a_size_that_is_being_typed_stays_while_notes_are_ticked(browse, server, scale):
    browser = browse(scale)
    page, other = page_of(browser, 900), page_of(browser, 900)
    serial = begin(page, server)
    page.get_by_label("Use a recording").set_input_files(scale)
    size = page.get_by_label("Gauged after the cut, mm").first
    size.fill("262.7")
    other.goto(server.url(f"/bench/{serial}"))
    other.get_by_label("Temperature now").fill("21.5")
    other.get_by_label("Temperature now").press("Tab")
    expect(page.get_by_label("Temperature now")).to_have_value("21.5")
    expect(size).to_have_value("262.7")
    expect(size).to_be_focused()


# --- every page on every screen, by keyboard, with less motion and with the reader's own colours


def every_page(page, server):
    """Return the paths of all pages that links lead to, one of each kind, and one that is not there."""
    waiting, found = ["/bench"], {}
    while waiting:
        path = waiting.pop(0)
        parts = path.partition("?")[0].strip("/").split("/")
        kind = (parts[0], len(parts))
        if kind in found:
            continue
        found[kind] = path
        page.goto(server.url(path))
        waiting += page.evaluate("[...document.querySelectorAll('a[href^=\"/\"]')].map(a => a.getAttribute('href'))")
    return [*found.values(), "/pair", "/nowhere"]


# Whatever is pressed or typed into, as a finger meets it: a field with its label, a link that stands alone.
SMALL = """() => {
  const found = [];
  const alone = (a) => a.matches("nav a, .card, .button, td a") || a.parentElement.matches(".row")
    || [...a.parentElement.childNodes].every((n) => n === a || !n.textContent.trim());
  for (const one of document.querySelectorAll("button, input, select, textarea, summary, a[href], [role=button]")) {
    if (one.matches("a") && !alone(one) || one.matches(".skip, [type=hidden]")) continue;
    const target = one.matches("[type=file], [type=checkbox], [type=radio]") ? one.closest("label") ?? one : one;
    const { height, width } = target.getBoundingClientRect();
    // A place in a drawing to scale is as large as what it shows; on a small screen a finger's width apart has to do.
    const least = one.ownerSVGElement ? 24 : 44;
    if (!width || !height || height >= least - 0.1) continue;
    found.push(`${Math.round(height)} px: ${target.outerHTML.slice(0, 120)}`);
  }
  return found;
}"""


STRUCTURE = """() => {
  const found = [];
  const count = (what, few, many = few) => {
    const n = document.querySelectorAll(what).length;
    if (n < few || n > many) found.push(`${n} of ${what}`);
  };
  count("h1", 1); count("main", 1); count("header", 1); count("footer", 1); count("nav[aria-label]", 1, 9);
  if (document.documentElement.lang !== "en") found.push("no language");
  if (document.title.length < 5) found.push("no title");
  const ids = [...document.querySelectorAll("[id]")].map((e) => e.id);
  ids.forEach((id, i) => { if (ids.indexOf(id) !== i) found.push(`${id} stands twice`); });
  for (const field of document.querySelectorAll("input, select, textarea")) {
    const label = [...(field.labels ?? [])].map((l) => l.textContent.trim()).join("") || field.ariaLabel;
    if (!label && !field.hasAttribute("aria-labelledby")) found.push(`no label: ${field.outerHTML.slice(0, 100)}`);
  }
  for (const one of document.querySelectorAll("button, a[href]")) {
    if (!one.textContent.trim() && !one.ariaLabel) found.push(`no name: ${one.outerHTML.slice(0, 100)}`);
  }
  for (const reference of ["aria-labelledby", "aria-describedby"]) {
    for (const one of document.querySelectorAll(`[${reference}]`)) {
      for (const id of one.getAttribute(reference).split(" ")) {
        if (!document.getElementById(id)) found.push(`nothing is called ${id}`);
      }
    }
  }
  let level = 1;
  for (const heading of document.querySelectorAll("h1, h2, h3, h4")) {
    const its = Number(heading.tagName[1]);
    if (its > level + 1) found.push(`${heading.textContent.trim()} skips a level`);
    level = its;
  }
  for (const one of document.querySelectorAll("*")) {
    const style = getComputedStyle(one);
    const moves = style.transitionDuration.split(", ").some((t) => t !== "0s") || style.animationName !== "none";
    if (moves) found.push(`moves: ${one.outerHTML.slice(0, 80)}`);
  }
  return found;
}"""


@pytest.fixture(scope="module")
def visited(driver, server, scale):
    """Return what was found on every page, once an instrument has a trial and a plan.

    Small and large screens, in dark colours, with less motion asked for.
    """
    browser = launched(driver)
    page = page_of(browser, WIDTHS[0], color_scheme="dark", reduced_motion="reduce")
    begin(page, server)
    page.get_by_label("Use a recording").set_input_files(scale)
    page.get_by_text("Cut, in this order").wait_for()
    found = {"wide": [], "small": [], "built": [], "axe": []}
    paths = every_page(page, server)
    for path in paths:
        page.goto(server.url(path))
        at_rest(page)
        for width in WIDTHS:
            page.set_viewport_size({"width": width, "height": 900})
            wide = page.evaluate("document.documentElement.scrollWidth")
            found["wide"] += [f"{path} is {wide} px wide on {width}"] if wide > width else []
            found["small"] += [f"{path} at {width}: {one}" for one in page.evaluate(SMALL)]
        page.set_viewport_size({"width": WIDTHS[0], "height": 900})
        found["built"] += [f"{path}: {one}" for one in page.evaluate(STRUCTURE)]
        for fault in Axe().run(page).response["violations"]:
            if fault["impact"] in ("serious", "critical"):
                found["axe"].append(f"{path}: {fault['id']}, {fault['nodes'][0]['html'][:160]}")
    browser.close()
    return paths, found


def test_no_page_scrolls_sideways_on_any_screen(visited):
    paths, found = visited
    assert len(paths) >= 9, paths
    assert found["wide"] == []


def test_whatever_is_pressed_or_typed_into_is_44_px_high(visited):
    assert visited[1]["small"] == []


def test_every_page_is_built_for_readers_and_moves_nothing_that_need_not(visited):
    """One h1, landmarks, language, ids that stand once, names for fields; no motion where less is asked for."""
    assert visited[1]["built"] == []


def test_no_page_has_a_serious_fault_of_access_on_a_small_dark_screen(visited):
    assert visited[1]["axe"] == []


def test_motion_is_there_where_it_is_wanted_and_marks_keep_their_colours(browse, server, scale):
    """With the reader's own colours backgrounds go: the mark of what sounds still has to stand out from its axis."""
    page = page_of(browse(scale), 900)
    begin(page, server)
    moves = "getComputedStyle(document.getElementById('now-mark')).transitionDuration"
    assert page.evaluate(moves) == "0.06s"
    page.emulate_media(reduced_motion="reduce", forced_colors="active")
    assert page.evaluate(moves) == "0s"
    listen(page)
    expect(page.locator("#now-mark")).to_be_visible()
    mark, axis, zero = page.evaluate(
        "['#now-mark', '#now-axis', '#now-axis .zero'].map(q => document.querySelector(q))"
        ".map(e => [getComputedStyle(e).backgroundColor, getComputedStyle(e).borderLeftColor])"
    )
    assert mark[0] != axis[0]
    assert zero[1] != axis[0]
    pressed = page.get_by_role("button", name="Stop listening")
    plain = page.get_by_role("button", name="End the trial: what next?")
    ground = "e => getComputedStyle(e).backgroundColor"
    assert pressed.evaluate(ground) != plain.evaluate(ground)


# The name by which a screen reader would tell of what the keyboard is at.
AT = """() => {
  const one = document.activeElement;
  if (!one || one === document.body) return "";
  return one.ariaLabel || [...(one.labels ?? [])].map((l) => l.innerText.trim()).join(" ") || one.innerText.trim();
}"""


def tab_to(page, name):
    """Press Tab until the keyboard is at what has this name, and see that it shows."""
    met = []
    for _ in range(90):
        page.keyboard.press("Tab")
        met.append(page.evaluate(AT))
        if met[-1].startswith(name):
            style = page.evaluate(
                "[getComputedStyle(document.activeElement), "
                "getComputedStyle(document.activeElement.closest('.file') ?? document.activeElement)]"
                ".map(s => s.outlineStyle)"
            )
            assert "solid" in style, f"{name} does not show that it is chosen"
            return
    raise AssertionError(f"Tab never came to {name}: {met}")


def test_a_whole_trial_and_a_cut_by_the_keyboard_alone(browse, server, scale):
    page = page_of(browse(scale), 1280)
    page.goto(server.url("/ledger"))
    tab_to(page, "Bench")
    page.keyboard.press("Enter")
    page.wait_for_url("**/bench")
    tab_to(page, "Model")
    page.keyboard.press("Control+a")
    page.keyboard.type("d5-cylinder")
    tab_to(page, "Serial begins with")
    tab_to(page, "Begin it and play")
    page.keyboard.press("Enter")
    page.wait_for_url("**/bench/D5-0*")
    page.locator("#chart svg").wait_for()
    tab_to(page, "Listen")
    page.keyboard.press("Enter")
    expect(ticked(page)).to_have_count(13)
    expect(page.get_by_role("button", name="Stop listening")).to_be_focused()
    page.keyboard.press("Enter")
    expect(page.get_by_role("button", name="Listen", exact=True)).to_be_focused()
    all_heard(page)
    tab_to(page, "Temperature now")
    page.keyboard.type("20")
    tab_to(page, "take back the last D5 of register 1")
    at_rest(page)
    # The sound goes round: until the bench has heard that it stops, a note may come once more.
    for left in range(int(plays(page)[0][1]), 0, -1):
        assert plays(page)[0][:2] == ["D5 register 1", str(left)]
        page.keyboard.press("Enter")
        expect(page.locator("#notes tbody tr").first.locator("td").nth(2)).to_have_text(str(left - 1 or ""))
        at_rest(page)
    expect(ticked(page)).to_have_count(12)
    # The keyboard's place is not lost with the button.
    assert page.evaluate("document.activeElement.closest('section').getAttribute('aria-labelledby')") == "noteshead"
    page.keyboard.press("Shift+Tab")
    for _ in range(60):
        if page.evaluate(AT) == "End the trial: what next?":
            break
        page.keyboard.press("Shift+Tab")
    page.keyboard.press("Enter")
    page.get_by_text("Cut, in this order").wait_for()
    at_rest(page)
    tab_to(page, "Gauged after the cut, mm")
    first = page.locator(".plan li").first.inner_text().partition(":")[0]
    after = float(page.evaluate("document.activeElement.value"))
    page.keyboard.press("Control+a")
    page.keyboard.type(f"{after + 0.02:.2f}")
    before = page.locator(".plan li").count()
    tab_to(page, "Done, log it")
    page.keyboard.press("Enter")
    expect(page.locator(".plan li")).to_have_count(before - 1)
    assert page.evaluate("document.activeElement.closest('section').getAttribute('aria-labelledby')") == "nexthead"
    tab_to(page, "History of this piece")
    page.keyboard.press("Enter")
    page.wait_for_url("**/ledger/D5-0*")
    assert f"to {after + 0.02:.2f}" in page.get_by_role("table").first.inner_text(), first
    assert page.faults == []


# --- without a browser


def test_a_device_that_sends_nonsense_is_told_and_stays(client):
    """Deep brackets, and more faults than its news can hold, end neither its line nor anybody's."""
    with client.websocket_connect(LIVE) as watcher, client.websocket_connect(LIVE) as socket:
        socket.send_text("[" * 100_000)
        assert "no sound header" in json.loads(socket.receive_text())["fault"]
        for _ in range(300):
            socket.send_text(json.dumps({"rate_hz": 8000}))
        socket.send_text(json.dumps({"rate_hz": RATE}))
        socket.send_bytes(np.zeros(2048, dtype="float32").tobytes())
        while "now" not in (news := json.loads(socket.receive_text())):
            assert "8000 samples a second" in news["fault"]
        assert "now" in json.loads(watcher.receive_text())


def test_a_line_gives_a_sign_of_life(client, monkeypatch):
    monkeypatch.setattr("fluewright.web.live._BEAT_S", 0.05)
    with client.websocket_connect(LIVE) as socket:
        assert json.loads(socket.receive_text()) == {"beat": True}


def test_a_tls_certificate_that_is_damaged_or_belongs_to_another_key_is_made_anew(tmp_path):
    addresses = ["127.0.0.1", "192.0.2.7"]
    certificate, key, first = own_tls_certificate(tmp_path, addresses)
    assert own_tls_certificate(tmp_path, addresses[:1])[2] == first
    assert key.stat().st_mode & 0o077 == 0
    whole = certificate.read_bytes(), key.read_bytes()
    seen = {first}
    for damage in ("cut certificate", "cut key", "other key", "no key", "new address"):
        certificate.write_bytes(whole[0])
        key.write_bytes(whole[1])
        if damage == "cut certificate":
            certificate.write_bytes(whole[0][:300])
        elif damage == "cut key":
            key.write_bytes(whole[1][:40])
        elif damage == "other key":
            key.write_bytes(own_tls_certificate(tmp_path / "other", addresses)[1].read_bytes())
        elif damage == "no key":
            key.unlink()
        else:
            addresses = [*addresses, "192.0.2.8"]
        *_, made = own_tls_certificate(tmp_path, addresses)
        assert made not in seen, damage
        seen.add(made)
        ssl.create_default_context(ssl.Purpose.CLIENT_AUTH).load_cert_chain(certificate, key)
        whole = certificate.read_bytes(), key.read_bytes()
