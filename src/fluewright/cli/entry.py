"""Which verbs there are, in the order of the work, and how the program ends."""

import inspect
import io
import logging
import os
import sys
from collections.abc import Callable
from typing import Annotated

import typer

from fluewright.cli import acoustics, bench, blown, demo, design, ledger, listening, making, models, voicing_bench, web
from fluewright.cli.fields import with_field_words
from fluewright.cli.printing import put, tell
from fluewright.errors import ComputeError, FluewrightError, InputError
from fluewright.plain_text import cut_lines
from fluewright.version import __version__

__all__ = ["app", "main"]

app = typer.Typer(
    name="fluewright",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    help="Design, make, tune and judge duct flutes with computed acoustics.",
    epilog="Example: fluewright predict d5-cylinder",
)
ledger_app = typer.Typer(no_args_is_help=True, help="The shop's records: models, instruments, trials, cuts.")
app.add_typer(ledger_app, name="ledger")


def _help_of(verb: Callable[..., None]) -> str:
    """Return what --help says of a verb: its docstring less the section on errors, which is for who reads the code."""
    return (inspect.getdoc(verb) or "").partition("\n\nRaises\n")[0]


for name, verb in (
    ("models", models.models),
    ("new", models.new),
    ("check", models.check),
    ("predict", acoustics.predict),
    ("sensitivity", acoustics.sensitivity),
    ("impedance", acoustics.impedance),
    ("standing-wave", acoustics.standing_wave),
    ("blow", blown.blow),
    ("hear", blown.hear),
    ("voicing", blown.voicing),
    ("fit", design.fit),
    ("listen", listening.listen),
    ("calibrate", bench.calibrate_command),
    ("next-cut", bench.next_cut_command),
    ("trust", bench.trust_command),
    ("trial", voicing_bench.trial_command),
    ("voice", voicing_bench.voice_command),
    ("sheet", making.sheet),
    ("demo", demo.demo),
    ("serve", web.serve_command),
):
    app.command(name, help=_help_of(verb))(with_field_words(verb))

for name, act in (
    ("show", ledger.ledger_show),
    ("add-model", ledger.ledger_add_model),
    ("begin", ledger.ledger_begin),
    ("measure", ledger.ledger_measure),
    ("cut", ledger.ledger_cut),
    ("correct", ledger.ledger_correct),
    ("correct-time", ledger.ledger_correct_time),
    ("state", ledger.ledger_state),
    ("certificate", ledger.ledger_certificate),
    ("verify", ledger.ledger_verify),
    ("backup", ledger.ledger_backup),
    ("restore", ledger.ledger_restore),
    ("export", ledger.ledger_export),
):
    ledger_app.command(name, help=_help_of(act))(with_field_words(act))


def _say_version(wanted: bool) -> None:
    if wanted:
        put(f"fluewright {__version__}\n")
        raise typer.Exit


@app.callback()
def _root(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and end.", is_eager=True, callback=_say_version)
    ] = False,
) -> None:
    pass


class _ToStderr(logging.Handler):
    """Says on stderr what the packages tell of slow work that nobody asked for, such as compiling the kernels."""

    def emit(self, record: logging.LogRecord) -> None:
        tell(f"fluewright: {record.getMessage()}\n")


_TOLD = _ToStderr(logging.INFO)
_STOPPED = 130


def main() -> None:
    """Run the command line; errors meant for people end with exit code 2 (bad input) or 1."""
    told = logging.getLogger("fluewright")
    told.addHandler(_TOLD)  # the same one again is not added twice
    told.setLevel(logging.INFO)
    # A pipe in an old encoding has no sign for a note's minus or plus-minus; that must not end the program.
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        try:
            # Not on its own, since its messages would quote what was typed as it is.
            code = app(prog_name="fluewright", standalone_mode=False) or 0
        finally:
            sys.stdout.flush()
    except typer.TyperException as error:
        code = _tell_misuse(error)
    except InputError as error:
        _tell_error(str(error))
        code = 2
    except (ComputeError, FluewrightError) as error:
        _tell_error(str(error))
        code = 1
    except BrokenPipeError:
        # The reader has gone; what is still buffered must not be tried again when the interpreter ends.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        code = 1
    except OSError as error:
        # A full disk, a file that went away: what no verb can foresee, told by the system.
        place = f"{error.filename}: " if error.filename else ""
        _tell_error(f"{place}{error.strerror or error}; check the name, the disk and your rights, then try again")
        code = 1
    except KeyboardInterrupt:
        code = _STOPPED
    if code == _STOPPED:
        tell("fluewright: stopped\n")
    sys.exit(code)


def _tell_error(message: str) -> None:
    """Say what went wrong; what was typed may be a whole book, and is then quoted in part."""
    tell(f"fluewright: {cut_lines(message)}\n")


def _tell_misuse(error: typer.TyperException) -> int:
    """Say what is wrong with the words that were typed, and where help is; return the exit code."""
    context = getattr(error, "ctx", None)
    verb = context.command_path if context is not None else "fluewright"
    problem = error.format_message().rstrip(".")
    if problem:  # nothing where nothing was typed: the help has been printed then
        _tell_error(f"{problem}; `{verb} --help` lists what it takes")
    return 2
