"""A program that writes into a ledger and says after each commit what it committed."""

import sys

from fluewright.ledger import open_ledger


def say(*words: str) -> None:
    sys.stdout.write(" ".join(words) + "\n")
    sys.stdout.flush()


def main(path: str, name: str, commits: int) -> None:
    with open_ledger(path, person=name) as ledger:
        ledger.add_model("d5-cylinder", 'format = "fluewright-model/1"\n')
        serial = ledger.next_serial("D5")
        ledger.add_instrument(serial, "d5-cylinder", 1, as_built={})
        say("ready", serial)
        for step in range(commits):
            event = ledger.log_measurement(serial, as_built={"wall_mm": float(step)}, remarks=f"{name} {step}")
            say(str(event.event_id), event.sha256)


if __name__ == "__main__":
    main(sys.argv[1], sys.argv[2], int(sys.argv[3]))
