"""The demo: a film of our own, made and carried through the whole job."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from partsong.cli.console import JsonOption, watched


def demo(
    folder: Annotated[Path, typer.Argument(help="Where to make it.")] = Path("demo-film"),
    as_json: JsonOption = False,
) -> None:
    """Make the film "Boathouse Waltz" from nothing, with known faults, and run the whole job on it.

    Example: partsong demo
    """
    from partsong.demo import run

    with watched() as watch:
        run.demo(folder, watch=watch, as_json=as_json)
