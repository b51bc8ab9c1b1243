"""Debian's browser and the program in a process of its own, and what to wait for there.

A busy machine makes everything late, and nothing here is about speed (benchmarks/pages.py is): every wait is for a
state, and the one limit only tells what never comes from what is late.
"""

import contextlib
import random
import re
import shutil
import socket
import subprocess
import sys
import time

from playwright.sync_api import expect

NEVER_S = 600.0
NEVER_MS = 1000.0 * NEVER_S
BROWSER = shutil.which("chromium")
ARGS = [
    "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--disable-background-networking",
    "--disable-component-update", "--disable-sync", "--use-fake-ui-for-media-stream",
    "--use-fake-device-for-media-stream", "--autoplay-policy=no-user-gesture-required",
]  # fmt: skip
expect.set_options(timeout=NEVER_MS)


# --- the program


def free_port():
    """Return a port that nobody listens at, from below those that the system hands to outgoing lines.

    A server that is started anew has to get its port back, and tests beside these look for ports as well.
    """
    for _ in range(1000):
        port = random.SystemRandom().randrange(10_000, 32_000)
        with socket.socket() as probe:
            try:
                probe.bind(("127.0.0.1", port))
            except OSError:
                continue
            return port
    raise AssertionError("no port is free")


class Server:
    """The program in a process of its own."""

    WORDS = ()
    LINES = 1

    def __init__(self, ledger):
        self.port = free_port()
        self.ledger = ledger
        self.start()

    def start(self):
        code = "from fluewright.cli import main; main()"
        words = ["serve", *self.WORDS, "--ledger", str(self.ledger), "--port", str(self.port)]
        self.process = subprocess.Popen([sys.executable, "-c", code, *words], stdout=subprocess.PIPE, text=True)
        # What a person reads there.
        self.says = "".join(self.process.stdout.readline() for _ in range(self.LINES))
        assert f"127.0.0.1:{self.port}" in self.says, self.says
        while not self._answers():
            with contextlib.suppress(subprocess.TimeoutExpired):
                raise AssertionError(f"the server has ended: {self.process.wait(0.05)}")

    def _answers(self):
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.port)) == 0

    def kill(self):
        self.process.kill()
        self.process.wait()
        self.process.stdout.close()

    def url(self, path):
        return f"http://127.0.0.1:{self.port}{path}"


class LanServer(Server):
    """The program for the shop's own network."""

    WORDS = ("--lan",)
    LINES = 5

    def start(self):
        super().start()
        # What a person types into the phone.
        self.others = re.search(r"other devices: (https://[\d.]+:\d+)/pair", self.says)[1]
        self.fingerprint = re.search(r"SHA-256 is ([0-9a-f:]{95})", self.says)[1]

    def url(self, path):
        return f"https://127.0.0.1:{self.port}{path}"


# --- a page


def launched(driver, args=ARGS, *, hears=None):
    """Return a browser that takes a sound file for its microphone, over and over.

    It takes a 24-bit file for silence.
    """
    heard = [] if hears is None else [f"--use-file-for-fake-audio-capture={hears}"]
    return driver.chromium.launch(executable_path=BROWSER, args=[*args, *heard], timeout=NEVER_MS)


# Counts what a page has begun and not ended: requests, the reading of their answers, and short timers that put work
# off. An end is counted after what waits for it has run.
UNDER_WAY = """
window.underWay = 0;
{
  const later = window.setTimeout.bind(window), never = window.clearTimeout.bind(window);
  const waiting = new Set();
  const end = () => later(() => { window.underWay -= 1; }, 0);
  const counted = (work) => { window.underWay += 1; work.then(end, end); return work; };
  const ask = window.fetch;
  window.fetch = (...given) => counted(ask(...given));
  for (const name of ["json", "text", "blob", "arrayBuffer"]) {
    const read = Response.prototype[name];
    Response.prototype[name] = function () { return counted(read.call(this)); };
  }
  window.setTimeout = (work, after = 0, ...given) => {
    if (after > 2000) return later(work, after, ...given);
    window.underWay += 1;
    const id = later(() => { waiting.delete(id); end(); work(...given); }, after);
    waiting.add(id);
    return id;
  };
  window.clearTimeout = (id) => { if (waiting.delete(id)) window.underWay -= 1; never(id); };
}
"""


def page_of(browser, width, height=900, **options):
    """Return a page that keeps what goes wrong on it in ``faults``."""
    options = {"permissions": ["microphone"], **options}
    context = browser.new_context(viewport={"width": width, "height": height}, **options)
    context.set_default_timeout(NEVER_MS)
    page = context.new_page()
    page.add_init_script(UNDER_WAY)
    page.faults = []
    page.on("pageerror", lambda error: page.faults.append(str(error)))
    page.on("console", lambda m: page.faults.append(m.text) if m.type == "error" else None)
    page.sent, page.told, page.cut = [], [], []
    page.on("websocket", lambda line: _note_down(page, line))
    return page


def _note_down(page, line):
    """Keep what goes over a page's line for news: frames of sound that went out, words that came in, and its end."""
    line.on("framesent", lambda data: page.sent.append(len(data)) if isinstance(data, bytes) else None)
    line.on("framereceived", lambda data: page.told.append(data) if isinstance(data, str) else None)
    line.on("close", lambda closed: page.cut.append(closed.url))


def at_rest(page):
    """Wait until a page is ready and has nothing under way: everything that follows from the last touch is drawn."""
    page.wait_for_function("() => document.readyState === 'complete' && !document.getElementById('main').inert")
    # What came in over the line is taken up before a frame is drawn; a promise would count as true below.
    page.evaluate("() => new Promise((told) => requestAnimationFrame(() => requestAnimationFrame(told)))")
    page.wait_for_function("() => !window.underWay")


def until(page, holds):
    """Wait until something holds that is no state of the page; its events come in meanwhile."""
    never = time.monotonic() + NEVER_S
    while time.monotonic() < never:
        if holds():
            return
        page.wait_for_timeout(50)
    raise AssertionError(f"it never came to hold; last words {page.told[-5:]}, lines that ended {page.cut}")


def begin(page, server):
    """Begin an instrument by hand and stay at its bench; return its serial."""
    page.goto(server.url("/bench"))
    page.get_by_role("button", name="Begin it and play").click()
    page.wait_for_url("**/bench/D5-0*")
    page.locator("#chart svg").wait_for()
    return page.url.rpartition("/")[2]


def listen(page):
    page.get_by_role("button", name="Listen", exact=True).click()


def stop_listening(page):
    """Stop, and wait until the program has heard all that was sent before."""
    before = stops(page)
    page.get_by_role("button", name="Stop listening").click()
    all_heard(page, before)


def stops(page):
    """Return how often the program has said that it stopped, or lost its line to the page, which is a stop as well."""
    return sum('"stopped"' in told for told in page.told) + len(page.cut)


def all_heard(page, before=0):
    """Wait until the program has stopped to listen once more: what it ticks comes before that."""
    until(page, lambda: stops(page) > before)
    at_rest(page)


def record_for(page, seconds):
    """Wait until a recording that the page takes has this many seconds of sound in it, as it says itself."""
    page.wait_for_function(
        "least => [...document.querySelectorAll('body *')].some(e => !e.children.length"
        " && Number(/(\\d+) s, peak -?\\d+ dB of full scale/.exec(e.textContent)?.[1]) >= least)",
        arg=seconds,
    )


def ticked(page):
    return page.locator("#notes tr.ticked")


def plays(page):
    """Return what the page shows of this trial: note, how often, cents."""
    return page.locator("#notes tbody tr").evaluate_all(
        "rows => rows.map(r => [r.cells[0].innerText, r.cells[2].innerText, r.cells[3].innerText])"
    )


def count_of_plays(page):
    return sum(int(row[1] or 0) for row in plays(page))
