"""The whole job once, on invented data."""

from pathlib import Path
from typing import Annotated

import typer

from fluewright.cli.arguments import JsonOpt
from fluewright.cli.printing import console, print_json, print_table, put
from fluewright.errors import InputError
from fluewright.extras import require
from fluewright.files import is_there

__all__ = ["demo"]


def demo(
    out: Annotated[Path, typer.Option("--out", help="Folder for everything that it writes.")] = Path("demo-out"),
    seed: Annotated[int, typer.Option("--seed", help="Chooses the virtual piece.")] = 1,
    as_json: JsonOpt = False,
) -> None:
    """Run the whole job once on invented data: design, sheet, a virtual piece, trials, cuts, certificate.

    Raises
    ------
    InputError
        The seed is negative, or `--out` is a file.
    """
    if seed < 0:
        raise InputError(f"--seed is {seed}; it must be 0 or more, for example 1")
    if is_there(out) and not out.is_dir():
        raise InputError(f"--out is {out}, which is a file; name a folder")
    require("papers", by="fluewright demo")
    from fluewright.demo.story import run_story

    with console(error=True).status("designing") as status:
        story = run_story(out, seed=seed, say=lambda text: status.update(text))
    if as_json:
        print_json(story.as_data())
        return
    print_table(story.title, story.columns, story.rows)
    put(story.verdict + "\n")
    for path in story.files:
        put(f"  {path}\n")
