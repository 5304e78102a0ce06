"""The ``partsong`` command: one group of commands for each phase, in the order of the work."""

from __future__ import annotations

import io
import sys
import traceback
from typing import Annotated

import typer

import partsong
from partsong.cli import cut, demo, desk, film, lineup, look, prepare, shoot, signoff, stage
from partsong.cli.console import BAD_INPUT, CANCELLED, FAULT, note, say

app = typer.Typer(
    name="partsong",
    help="Carry a film in which one musician plays every part, from the plan of the day to the checked master.\n\n"
    "Example: partsong demo",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,
)
app.command("new")(film.new)
app.command("demo")(demo.demo)
app.command("desk")(desk.desk)
app.add_typer(film.app, name="film")
app.add_typer(prepare.app, name="prepare")
app.add_typer(shoot.app, name="shoot")
app.add_typer(lineup.app, name="lineup")
app.add_typer(stage.app, name="stage")
app.add_typer(look.app, name="look")
app.add_typer(cut.app, name="cut")
app.add_typer(signoff.app, name="signoff")


def _version(wanted: bool) -> None:
    if wanted:
        say(f"partsong {partsong.__version__}")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", help="Print the version and stop.", callback=_version, is_eager=True)
    ] = False,
) -> None:
    """Options of the whole program."""


def run() -> None:
    """Run the command line; errors of ours become one sentence and an exit status."""
    from partsong.errors import PartsongError

    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):  # a song's name may lie outside of what this screen or file can hold
            stream.reconfigure(errors="backslashreplace")
    try:
        app()
    except PartsongError as problem:
        note(str(problem))
        sys.exit(problem.exit_code)
    except KeyboardInterrupt:
        note("Stopped.")
        sys.exit(CANCELLED)
    except BrokenPipeError:
        # Whoever read our output has gone; there is nobody left to tell.
        sys.stderr.close()
        sys.exit(BAD_INPUT)
    except Exception:  # noqa: BLE001  # Python's own status for it is 1, which would read as: needs a decision
        traceback.print_exc()
        note("This is a fault of Partsong's, not of your film, which stays as it was. Please report what stands above.")
        sys.exit(FAULT)
