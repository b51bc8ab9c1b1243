"""Takes a picture of every page, light, dark and on a phone, of the demo's ledger; `make screenshots`."""

import shutil
import socket
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from playwright.sync_api import sync_playwright

from fluewright.demo.story import run_story

OUT = Path(__file__).parent / "pages"
PAGES = (
    ("bench", "/bench"), ("piece", "/bench/D5-0001"), ("models", "/models"), ("model", "/models/d5-cylinder-442"),
    ("ledger", "/ledger"), ("history", "/ledger/D5-0001"), ("devices", "/pair"),
)  # fmt: skip


def main() -> None:
    OUT.mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory() as folder, socket.socket() as probe:
        run_story(Path(folder), seed=1)
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
        probe.close()
        words = ["serve", "--ledger", f"{folder}/ledger.sqlite", "--port", str(port)]
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
                    for name, path in PAGES:
                        page.goto(f"http://127.0.0.1:{port}{path}")
                        page.wait_for_timeout(1200)
                        page.screenshot(path=OUT / f"{name}-{look}.png", full_page=True)
                    page.close()
                browser.close()
        finally:
            server.terminate()
            server.wait()


if __name__ == "__main__":
    main()
