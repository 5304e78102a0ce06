"""The demo: a film of our own, made and carried through the whole job."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from partsong.cli.console import JsonOption, emit_json, needs_decision, note, say, watched

if TYPE_CHECKING:
    from partsong.demo.run import Step


def demo(
    folder: Annotated[Path, typer.Argument(help="Where to make it.")] = Path("demo-film"),
    as_json: JsonOption = False,
) -> None:
    """Make the film "Boathouse Waltz" from nothing, with known faults, and run the whole job on it.

    It takes three to four minutes and a gigabyte of disk; a demo that was stopped goes on where it was.

    Example: partsong demo
    """
    from partsong.demo import make, run

    note(f"Making the song and the clips of the demo in {folder} ...")
    with watched() as watch:
        truth = make.make(folder, watch=watch)

    def tell(step: Step) -> None:
        note(f"{step.phase:8} {step.seconds:6.1f} s  {step.command}")

    report = run.carry(folder, truth, tell=tell)
    path = run.write_reports(folder, report)
    if as_json:
        emit_json(run.json_of(report))
    else:
        say(run.text_of(report))
        say(f"This report is kept in {path}. To watch: {report.film / 'masters'}")
    if not report.agrees:
        needs_decision()
