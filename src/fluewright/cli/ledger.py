"""The shop's records."""

from dataclasses import asdict
from pathlib import Path
from typing import Annotated

import typer

from fluewright.cli.arguments import JsonOpt, LedgerOpt, ModelArg, existing_ledger, sizes_of
from fluewright.cli.printing import print_json, print_table, put

__all__ = [
    "ledger_add_model",
    "ledger_backup",
    "ledger_begin",
    "ledger_certificate",
    "ledger_correct",
    "ledger_correct_time",
    "ledger_cut",
    "ledger_export",
    "ledger_measure",
    "ledger_restore",
    "ledger_show",
    "ledger_state",
    "ledger_verify",
]


SerialArg = Annotated[str, typer.Argument(metavar="SERIAL", help="The piece, for example D5-0001.")]


def ledger_show(
    ledger: LedgerOpt,
    serial: Annotated[str | None, typer.Argument(metavar="SERIAL", help="One piece's history.")] = None,
    as_json: JsonOpt = False,
) -> None:
    """List models and instruments, or the history of one piece."""
    from fluewright.shop.history import history_rows, overview

    if serial is None:
        data = overview(existing_ledger(ledger))
        if as_json:
            print_json(data)
            return
        print_table(
            "Models",
            ["name", "version", "added"],
            [[m["name"], str(m["version"]), m["added_at"]] for m in data["models"]],
        )
        print_table(
            "Instruments",
            ["serial", "model", "state", "material"],
            [[i["serial"], f"{i['model']} {i['version']}", i["state"], i["material"]] for i in data["instruments"]],
        )
        return
    rows = history_rows(existing_ledger(ledger), serial)
    if as_json:
        events = [{**asdict(r), "when": r.when.isoformat(timespec="seconds")} for r in rows]
        print_json({"serial": serial, "events": events})
        return
    print_table(
        f"{serial}",
        ["event", "what", "when", "says"],
        [[str(r.event), r.what, r.when.isoformat(timespec="seconds"), r.says] for r in rows],
    )


def ledger_add_model(model: ModelArg, ledger: LedgerOpt) -> None:
    """Record a model; the same text again is the same version."""
    from fluewright.instrument.starting import load
    from fluewright.shop.models import save_version

    version = save_version(ledger, load(model))
    put(f"{version.name} version {version.version}\n")


def ledger_begin(
    model: Annotated[str, typer.Argument(metavar="MODEL", help="Name of a model in the ledger, or a starting model.")],
    ledger: LedgerOpt,
    prefix: Annotated[str, typer.Option("--prefix", help="Of the serial, for example D5.")],
    size: Annotated[list[str] | None, typer.Option("--size", help="As-built size, KEY=MM.")] = None,
    material: Annotated[str, typer.Option("--material")] = "",
    lot: Annotated[str, typer.Option("--lot")] = "",
) -> None:
    """Begin an instrument: a new serial for a model in the ledger."""
    from fluewright.shop.pieces import begin_piece

    sizes = sizes_of(size or [])
    serial = begin_piece(existing_ledger(ledger), model, prefix=prefix, sizes=sizes, material=material, lot=lot)
    put(f"{serial}\n")


def ledger_cut(
    serial: SerialArg,
    size: Annotated[str, typer.Argument(metavar="SIZE", help="For example holes.3.diameter_mm.")],
    before_mm: Annotated[float, typer.Argument(metavar="BEFORE_MM")],
    after_mm: Annotated[float, typer.Argument(metavar="AFTER_MM")],
    ledger: LedgerOpt,
    tool: Annotated[str, typer.Option("--tool", help="What cut it, for example reamer.")],
    reason: Annotated[str, typer.Option("--reason", help="Why, for example `A5 flat`.")],
) -> None:
    """Record a cut that was made, with the size before and after."""
    from fluewright.shop.cutting import record_cut
    from fluewright.shop.sitting import sit_down

    sitting = sit_down(existing_ledger(ledger), serial)
    made = record_cut(sitting, key=size, before_mm=before_mm, after_mm=after_mm, tool=tool, reason=reason)
    put(f"event {made.event}\n")


def ledger_measure(
    serial: SerialArg,
    ledger: LedgerOpt,
    size: Annotated[list[str], typer.Option("--size", help="Gauged size, KEY=MM; repeat it.")],
    gauge: Annotated[str, typer.Option("--gauge", help="What it was measured with.")] = "",
    remarks: Annotated[str, typer.Option("--remarks")] = "",
) -> None:
    """Enter gauged sizes of a piece."""
    from fluewright.shop.pieces import measure_piece

    event = measure_piece(existing_ledger(ledger), serial, sizes_of(size), gauge=gauge, remarks=remarks)
    put(f"event {event}\n")


def ledger_correct(
    serial: SerialArg,
    event_id: Annotated[int, typer.Argument(metavar="EVENT", help="Number of the cut, from `ledger show`.")],
    after_mm: Annotated[float, typer.Argument(metavar="AFTER_MM", help="The right size after it.")],
    ledger: LedgerOpt,
    reason: Annotated[str, typer.Option("--reason", help="What was wrong, for example `misread`.")],
) -> None:
    """Put the size after a recorded cut right; the first reading stays in the history."""
    from fluewright.shop.cutting import correct_cut

    event = correct_cut(existing_ledger(ledger), serial, event_id, after_mm=after_mm, reason=reason)
    put(f"event {event}\n")


def ledger_correct_time(
    serial: SerialArg,
    event_id: Annotated[int, typer.Argument(metavar="EVENT", help="Number of the trial, from `ledger show`.")],
    taken_at: Annotated[str, typer.Argument(metavar="TIME", help="When it was played: 2031-05-06T14:30:00+02:00.")],
    ledger: LedgerOpt,
    reason: Annotated[str, typer.Option("--reason", help="What was wrong, for example `clock a day ahead`.")],
) -> None:
    """Put the time of a recorded trial right; the first one stays in the history."""
    from fluewright.shop.dating import correct_trial_time

    event = correct_trial_time(existing_ledger(ledger), serial, event_id, taken_at=taken_at, reason=reason)
    put(f"event {event}\n")


def ledger_state(
    serial: SerialArg,
    state: Annotated[str, typer.Argument(metavar="STATE", help="Where the piece stands now, for example tuned.")],
    ledger: LedgerOpt,
    reason: Annotated[str, typer.Option("--reason", help="Why the state changes.")],
) -> None:
    """Set where a piece stands now."""
    from fluewright.shop.pieces import set_state

    put(f"event {set_state(existing_ledger(ledger), serial, state, reason=reason)}\n")


def ledger_certificate(
    serial: SerialArg,
    ledger: LedgerOpt,
    out: Annotated[Path | None, typer.Option("-o", "--out", help="Write the PDF here.")] = None,
) -> None:
    """Write the certificate of a piece as it was last played."""
    from fluewright.shop.certificates import certify
    from fluewright.shop.sitting import sit_down

    path = certify(sit_down(existing_ledger(ledger), serial), out or Path(f"{serial}-certificate.pdf"))
    put(f"{path}\n")


def ledger_verify(ledger: LedgerOpt) -> None:
    """Check the whole ledger and the recordings kept beside it; exit code 1 when something is wrong.

    Raises
    ------
    typer.Exit
        Something is wrong.
    """
    from fluewright.shop.backups import records_findings

    findings = records_findings(existing_ledger(ledger))
    for finding in findings:
        put(finding + "\n")
    if findings:
        raise typer.Exit(1)
    put(f"{ledger}: whole\n")


def ledger_backup(target: Annotated[Path, typer.Argument(metavar="FILE")], ledger: LedgerOpt) -> None:
    """Copy the ledger while it may be in use."""
    from fluewright.ledger import back_up

    put(f"{back_up(existing_ledger(ledger), target).path}\n")


def ledger_restore(
    copy: Annotated[Path, typer.Argument(metavar="COPY", help="A copy made by `ledger backup` or on the ledger page.")],
    ledger: LedgerOpt,
) -> None:
    """Put a copy in the ledger's place; what was there is moved into a folder beside it.

    Raises
    ------
    typer.Exit
        Something is wrong with what is in place now.
    """
    from fluewright.ledger import restore

    report = restore(ledger, copy)
    if report.aside is not None:
        put(f"what was there is kept in {report.aside}\n")
    for finding in report.verified.findings:
        put(finding + "\n")
    if not report.verified.clean:
        raise typer.Exit(1)
    put(f"{ledger}: restored and whole, {report.verified.events} events\n")


def ledger_export(folder: Annotated[Path, typer.Argument(metavar="FOLDER")], ledger: LedgerOpt) -> None:
    """Write everything as JSON Lines and CSV."""
    from fluewright.ledger import export_ledger

    export_ledger(existing_ledger(ledger), folder)
    put(f"{folder}\n")
