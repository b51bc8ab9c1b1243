"""The power goes at any moment: nothing that was acknowledged is lost, and the ledger opens and verifies."""

import subprocess
import sys
import tempfile
from pathlib import Path

from attack.fault_layer import after_cut, faulty_environment, read_trace
from attack.lost import losses
from attack.registry import Effort, Finding, part

_WRITER = Path(__file__).with_name("ledger_writer.py")


@part("power cuts", quick=0.2)
def power_cuts(effort: Effort) -> list[Finding]:
    """Trace a writer once, then cut its power at random places: after any record of the trace."""
    cuts = effort.of(50, least=10)
    draw = effort.random("power cuts")
    with tempfile.TemporaryDirectory() as name:
        place = Path(name).resolve()
        shop, trace = place / "shop", place / "trace"
        shop.mkdir()
        command = [sys.executable, _WRITER, shop / "shop.ledger", "bench 1", "60", str(10 + cuts)]
        subprocess.run(
            command, env=faulty_environment(shop, trace=trace), check=True, stdout=subprocess.DEVNULL, timeout=300
        )
        ops = read_trace(trace)
        folders = {folder.stat().st_ino: folder for folder in (shop, shop / "web")}
        bad, notes = 0, set()
        for number in range(cuts):
            at = draw.randrange(len(ops) // 20, len(ops))
            said = b"".join(op.one for op in ops[:at] if op.kind == "A").decode()
            lines = [line for line in said.splitlines(keepends=True) if line.endswith("\n")]
            ledger = _laid_down(after_cut(ops, at, folders, draw), shop, place / f"cut-{number}") / "shop.ledger"
            lost = losses(ledger, lines)
            bad += bool(lost)
            notes |= set(lost[:1])
    return [Finding("cuts of power", cuts, bad, "; ".join(sorted(notes))[:400])]


def _laid_down(contents: dict[str, bytes], former: Path, folder: Path) -> Path:
    folder.mkdir()
    for name, content in contents.items():
        if not name.endswith("-shm"):
            target = folder / Path(name).relative_to(former)
            target.parent.mkdir(exist_ok=True)
            target.write_bytes(content)
    return folder
