"""The local web app."""

import shutil
import signal
import sys
from pathlib import Path
from typing import Annotated

import typer

from fluewright.cli.printing import console
from fluewright.errors import InputError
from fluewright.extras import require

__all__ = ["serve_command"]


def serve_command(
    ledger: Annotated[
        Path | None, typer.Option("--ledger", help="The shop's records; by default one in the user's data folder.")
    ] = None,
    port: Annotated[int, typer.Option("--port", help="Port on this computer.")] = 8123,
    lan: Annotated[
        bool, typer.Option("--lan", help="Also for paired devices in the shop's own network, with TLS.")
    ] = False,
    demo: Annotated[bool, typer.Option("--demo", help="Open a demo ledger of invented pieces.")] = False,
) -> None:
    """Open the workshop in the browser: models, bench, ledger; on this computer alone unless --lan is given.

    Raises
    ------
    InputError
        The port is out of range, or `--demo` comes with `--ledger`.
    """
    require("web", by="fluewright serve")
    from fluewright.web.serve import serve

    if not 1024 <= port <= 65535:
        raise InputError(f"--port is {port}; give 1024 to 65535")
    from fluewright.acoustics.first_use import compile_kernels

    # Before the address is there to be opened: no page should wait for a minute without a word.
    compile_kernels()
    if demo:
        if ledger is not None:
            raise InputError("--demo makes a ledger of its own; leave --ledger out")
        from fluewright.demo.kept_set import demo_ledger

        with console(error=True).status("making the demo's workshop, once: about half a minute") as status:
            copy = demo_ledger(lambda text: status.update(f"making the demo's workshop: {text}"))
        # A server that is told to end by a signal ends like one that is stopped by hand: the copy goes with it.
        signal.signal(signal.SIGTERM, lambda *_: sys.exit(0))
        try:
            serve(copy, port=port, lan=lan)
        finally:
            shutil.rmtree(copy.parent, ignore_errors=True)
        return
    if ledger is None:
        from fluewright.folders import data_folder

        ledger = data_folder() / "shop.ledger"
    serve(ledger, port=port, lan=lan)
