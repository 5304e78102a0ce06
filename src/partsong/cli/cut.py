"""The commands of cut."""

from __future__ import annotations

import typer

app = typer.Typer(help="Cut between the wide and the coverage, in bars and beats.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """Keep the group a group while it has few commands."""
