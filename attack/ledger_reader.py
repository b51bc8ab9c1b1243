"""A program that reads a ledger while others write it, and says what stood in its way."""

import sys
import time
from pathlib import Path

from fluewright.errors import FluewrightError
from fluewright.ledger import open_ledger, verify


def main(path: Path, seconds: float) -> None:
    """Look at every piece's history, again and again, and now and then verify the whole."""
    end, looks = time.monotonic() + seconds, 0
    while time.monotonic() < end and not path.exists():
        time.sleep(0.02)
    while time.monotonic() < end:
        try:
            with open_ledger(path, create=False) as ledger:
                for piece in ledger.instruments():
                    events = [event.event_id for event in ledger.history(piece.serial)]
                    assert events == sorted(events)
            if looks % 10 == 0:
                for finding in verify(path).findings:
                    print("fault", finding, flush=True)
        except (FluewrightError, AssertionError) as error:
            print("fault", error, flush=True)
        looks += 1
        time.sleep(0.1)
    print("looks", looks, flush=True)


if __name__ == "__main__":
    main(Path(sys.argv[1]), float(sys.argv[2]))
