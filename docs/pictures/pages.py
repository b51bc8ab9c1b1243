"""Takes a picture of every page, light, dark and on a phone, of the demo's ledger; `make screenshots`."""

import shutil
import socket
import subprocess
import sys
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

from fluewright.demo.kept_set import demo_ledger
from fluewright.ledger import HeadTrialLogged, PieceState, open_ledger

OUT = Path(__file__).parent / "pages"


def pages_of(ledger: Path) -> list[tuple[str, str, str]]:
    """Return (name, path, what must be there before the picture is taken) of every page, with the demo's own pieces."""
    with open_ledger(ledger) as book:
        tried = [e.serial for e in book.voicing() if isinstance(e, HeadTrialLogged)]
        counts = {s: tried.count(s) for s in tried}
        voiced = max(counts, key=lambda s: counts[s])
        waiting = [s for s in counts if not any(type(e).__name__ == "Trial" for e in book.history(s)) and s != voiced]
        half = [i.serial for i in book.instruments() if i.state in (PieceState.IN_WORK, PieceState.VOICED)]
        half = [s for s in half if s != voiced and any(type(e).__name__ == "Trial" for e in book.history(s))]
    return [
        ("bench", "/bench", ".cards"), ("piece", f"/bench/{half[0]}", "#chart svg"),
        ("heads", "/voicing", ".cards"), ("voicing", f"/voicing/{waiting[-1]}", "#do .plan"),
        ("mended", f"/voicing/{voiced}", "#outcomes table"),
        ("models", "/models", ".cards"), ("model", "/models/d5-cylinder-442", "#sensitivity svg"),
        ("compare", "/compare?old=d5-cylinder-442@1&new=d5-cylinder-442@2", "#picture svg"),
        ("ledger", "/ledger", "#trust svg"), ("history", f"/ledger/{voiced}", "table"), ("devices", "/pair", "h1"),
    ]  # fmt: skip


def main() -> None:
    OUT.mkdir(exist_ok=True)
    ledger = demo_ledger()
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        probe.close()
        words = ["serve", "--ledger", str(ledger), "--port", str(port)]
        code = "from fluewright.cli import main; main()"
        server = subprocess.Popen([sys.executable, "-c", code, *words], stdout=subprocess.DEVNULL)
        try:
            time.sleep(4.0)
            with sync_playwright() as play:
                browser = play.chromium.launch(
                    executable_path=shutil.which("chromium"), args=["--no-sandbox", "--disable-gpu"]
                )
                for look, scheme, width in (("light", "light", 1280), ("dark", "dark", 1280), ("phone", "light", 360)):
                    page = browser.new_page(viewport={"width": width, "height": 900}, color_scheme=scheme)
                    page.set_default_timeout(400_000)
                    for name, path, there in pages_of(ledger):
                        page.goto(f"http://127.0.0.1:{port}{path}")
                        page.locator(there).first.wait_for()
                        if name == "voicing":
                            page.locator('#section [data-place="window"]').first.press("Enter")
                            page.locator("#effects svg").wait_for()
                            page.evaluate("document.activeElement.blur()")
                        page.wait_for_timeout(1500)
                        page.screenshot(path=OUT / f"{name}-{look}.png", full_page=True)
                    page.close()
                browser.close()
        finally:
            server.terminate()
            server.wait()


if __name__ == "__main__":
    main()
