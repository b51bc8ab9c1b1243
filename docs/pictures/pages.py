"""Takes a picture of every page, light, dark and on a phone, of the demo's ledger; run by `make screenshots`.

The whole pages go to `docs/pictures/pages`, which is not kept in the repository; the few small ones that the guide
shows are made from them, beside this file.
"""

import io
import shutil
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from PIL import Image
from playwright.sync_api import Browser, sync_playwright

from fluewright.demo.kept_set import demo_ledger
from fluewright.ledger import HeadTrialLogged, PieceState, open_ledger

HERE = Path(__file__).parent
WHOLE = HERE / "pages"
LOOKS = (("light", "light", 1280), ("dark", "dark", 1280), ("phone", "light", 360))
MOST_BYTES = 60_000
PATIENCE_MS = 400_000  # a head is computed the first time its page is asked for


@dataclass(frozen=True)
class Shot:
    """A page: its name, its path, and what must be there before the picture is taken."""

    name: str
    path: str
    there: str


@dataclass(frozen=True)
class Small:
    """A picture of the guide: of which whole picture, from which element down, how much of it, how wide it is shown."""

    name: str
    of: str
    begins: str
    height_px: int
    width_px: int


GUIDE = (
    Small("page-bench", "piece-light", "#chart", 900, 1000),
    Small("page-voicing", "voicing-light", "#section", 900, 1000),
    Small("page-model", "model-light", "h1", 1000, 1000),
    Small("page-compare", "compare-light", "#picture", 1000, 1000),
    Small("page-ledger", "ledger-light", "h1", 900, 1000),
    Small("page-phone", "piece-phone", "h1", 780, 360),
)


def shots(ledger: Path) -> list[Shot]:
    """Return every page, with the demo's own pieces."""
    with open_ledger(ledger) as book:
        tried = [e.serial for e in book.voicing() if isinstance(e, HeadTrialLogged)]
        counts = {s: tried.count(s) for s in tried}
        voiced = max(counts, key=lambda s: counts[s])
        waiting = [s for s in counts if not any(type(e).__name__ == "Trial" for e in book.history(s)) and s != voiced]
        half = [i.serial for i in book.instruments() if i.state in (PieceState.IN_WORK, PieceState.VOICED)]
        half = [s for s in half if s != voiced and any(type(e).__name__ == "Trial" for e in book.history(s))]
    return [
        Shot("bench", "/bench", ".cards"), Shot("piece", f"/bench/{half[0]}", "#chart svg"),
        Shot("heads", "/voicing", ".cards"), Shot("voicing", f"/voicing/{waiting[-1]}", "#do .plan"),
        Shot("mended", f"/voicing/{voiced}", "#outcomes table"),
        Shot("models", "/models", ".cards"), Shot("model", "/models/d5-cylinder-442", "#sensitivity svg"),
        Shot("compare", "/compare?old=d5-cylinder-442@1&new=d5-cylinder-442@2", "#picture svg"),
        Shot("ledger", "/ledger", "#trust svg"), Shot("history", f"/ledger/{voiced}", "table"),
        Shot("devices", "/pair", "h1"),
    ]  # fmt: skip


@contextmanager
def served(ledger: Path) -> Iterator[str]:
    """Serve the ledger and yield its address."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    address = f"http://127.0.0.1:{port}"
    words = ["serve", "--ledger", str(ledger), "--port", str(port)]
    code = "from fluewright.cli import main; main()"
    server = subprocess.Popen([sys.executable, "-c", code, *words], stdout=subprocess.DEVNULL)
    try:
        for _ in range(300):
            try:
                urllib.request.urlopen(f"{address}/bench", timeout=5.0).close()
                break
            except (urllib.error.URLError, OSError):
                if server.poll() is not None:
                    raise SystemExit("the server ended before it answered") from None
                time.sleep(0.2)
        yield address
    finally:
        server.terminate()
        server.wait()


def take(browser: Browser, address: str, pages: list[Shot], begins: dict[str, str]) -> dict[str, float]:
    """Write a picture of every page in every look; return where the elements asked for begin, px from the top."""
    found: dict[str, float] = {}
    for look, scheme, width in LOOKS:
        page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
        page.set_default_timeout(PATIENCE_MS)
        for shot in pages:
            page.goto(f"{address}{shot.path}")
            page.locator(shot.there).first.wait_for()
            if shot.name == "voicing":
                page.locator('#section [data-place="window"]').first.press("Enter")
                page.locator("#effects svg").wait_for()
                page.evaluate("document.activeElement.blur()")
            page.wait_for_timeout(1500)
            name = f"{shot.name}-{look}"
            page.screenshot(path=WHOLE / f"{name}.png", full_page=True)
            if name in begins:
                place = f"document.querySelector({begins[name]!r}).getBoundingClientRect().top + window.scrollY"
                found[name] = page.evaluate(place)
        page.close()
    return found


def shrink(small: Small, begins_px: float) -> None:
    """Write the part of a whole picture that the guide shows, as good as its bytes allow."""
    whole = Image.open(WHOLE / f"{small.of}.png").convert("RGB")
    top = max(0, min(round(begins_px) - 16, whole.height - small.height_px))
    part = whole.crop((0, top, whole.width, min(top + small.height_px, whole.height)))
    part = part.resize((small.width_px, round(part.height * small.width_px / part.width)), Image.Resampling.LANCZOS)
    for quality in range(85, 20, -5):
        packed = io.BytesIO()
        part.save(packed, "WEBP", quality=quality, method=6)
        if packed.tell() <= MOST_BYTES:
            (HERE / f"{small.name}.webp").write_bytes(packed.getvalue())
            return
    raise SystemExit(f"{small.name}: cannot be made smaller than {MOST_BYTES} bytes; show less of {small.of}")


def main() -> None:
    WHOLE.mkdir(exist_ok=True)
    ledger = demo_ledger()
    with served(ledger) as address, sync_playwright() as play:
        browser = play.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"])
        begins = take(browser, address, shots(ledger), {small.of: small.begins for small in GUIDE})
        browser.close()
    for small in GUIDE:
        shrink(small, begins[small.of])


if __name__ == "__main__":
    main()
