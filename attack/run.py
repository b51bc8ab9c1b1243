"""Attack the program with everything in this folder: ``python -m attack.run [PART ...] [--seed N] [--share X]``."""

import argparse
import secrets
import sys

from rich.console import Console
from rich.table import Table
from rich.text import Text

from attack.registry import Effort, Result, find_parts, run_part
from fluewright.plain_text import one_line


def main(arguments: list[str] | None = None) -> int:
    """Run the parts and print one table; return 1 when anything is bad."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", metavar="PART", help="the parts to run; all when none is named")
    parser.add_argument("--seed", type=int, help="repeats an attack; a new one is drawn otherwise")
    parser.add_argument("--share", type=float, default=1.0, help="1.0 is the whole attack (ten minutes)")
    parser.add_argument("--list", action="store_true", help="names the parts and ends")
    asked = parser.parse_args(arguments)
    try:
        parts = find_parts(asked.parts)
    except KeyError as error:
        parser.error(error.args[0])
    if asked.list:
        print("\n".join(part.name for part in parts))
        return 0
    effort = Effort(secrets.randbelow(1_000_000) if asked.seed is None else asked.seed, asked.share)
    again = f"python -m attack.run --seed {effort.seed} --share {effort.share:g}"
    print(f"seed {effort.seed}, share {effort.share:g}; again: {again}", flush=True)
    results = []
    for part in parts:
        print(f"{part.name} ...", flush=True)
        results.append(run_part(part, effort))
    _print_table(results)
    bad = [result for result in results if result.bad]
    for result in bad:
        print(f"bad: {again} {result.name}")
    if not results:
        print("there are no parts")
        return 1
    if not bad:
        print(f"nothing bad found (seed {effort.seed})")
    return 1 if bad else 0


def _print_table(results: list[Result]) -> None:
    table = Table("part", "what", "tried", "bad", "seconds", "note")
    for result in results:
        for row, finding in enumerate(result.findings):
            seconds = f"{result.seconds:.0f}" if row == 0 else ""
            name = result.name if row == 0 else ""
            cells = (name, finding.what, str(finding.count), str(finding.bad), seconds, finding.note)
            # Notes may quote hostile input: it is shown harmless and never read as markup.
            table.add_row(*(Text(one_line(cell, 400)) for cell in cells))
    Console(width=None if sys.stdout.isatty() else 160).print(table)


if __name__ == "__main__":
    sys.exit(main())
