"""A program that writes into a ledger and says after each commit what it committed; it is killed and cut off."""

import os
import sys
import time
from pathlib import Path

from fluewright.ledger import TrialNote, open_ledger
from fluewright.web.journal import Journal, TickedNote

_SIZES = {"wall_mm": 2.0, "block_depth_mm": 0.1}


def say(*words: object) -> None:
    sys.stdout.write(" ".join(map(str, words)) + "\n")
    sys.stdout.flush()


def main(path: Path, name: str, seconds: float, commits: int) -> None:
    """Begin a piece; then, until time or commits are over, tick notes into the journal and log them as trials."""
    end = time.monotonic() + seconds
    with open_ledger(path, person=name) as ledger:
        ledger.add_model("d5-cylinder", 'format = "fluewright-model/1"\n')
        serial = ledger.next_serial("D5")
        begun = ledger.add_instrument(serial, "d5-cylinder", 1, as_built=_SIZES)
        say("begun", begun.serial)
        journal = Journal(path.with_name("web"), serial)
        for step in range(commits):
            if time.monotonic() > end:
                break
            start = time.monotonic()
            event = ledger.log_measurement(serial, as_built={"wall_mm": 2.0 + step % 900}, remarks=f"{name} {step}")
            say("event", event.event_id, event.sha256, f"{time.monotonic() - start:.6f}")
            if step % 5:
                continue
            for note in range(2):
                journal.add(TickedNote(note, 590.0, 0.05, float(2 * step + note)))
                say("note", serial, 2 * step + note)
            kept = journal.notes()
            trial = ledger.log_trial(
                serial, temperature_c=21.0, relative_humidity=0.5, recording_sha256=f"{step:064x}",
                recording_name="played live", analysis_version="1", as_built={},
                notes=[TrialNote(note="D5", register=1, target_hz=590.0, frequency_hz=590.0 + 1e-4 * n.onset_s,
                                 frequency_uncertainty_hz=0.05, cents=0.0) for n in kept],
                remarks=" ".join(f"{n.onset_s:.0f}" for n in kept),
            )  # fmt: skip
            journal.clear()
            say("event", trial.event_id, trial.sha256, "0")


def nursery(path: Path) -> None:
    """For each line of input fork a writer that shall be killed, and say when it has ended: nothing is loaded anew."""
    for line in sys.stdin:
        child = os.fork()
        if not child:
            main(path.with_name(line.strip()) / path.name, "bench 1", 60.0, 1_000_000)
            os._exit(0)
        say("pid", child)
        os.waitpid(child, 0)
        say("ended", child)


if __name__ == "__main__" and sys.argv[1] == "nursery":
    nursery(Path(sys.argv[2]))
elif __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], float(sys.argv[3]), int(sys.argv[4]))
