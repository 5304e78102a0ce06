"""The commands of prepare."""

from __future__ import annotations

import typer

app = typer.Typer(help="Plan the day: what is shot, where, in what order and with what light.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """Keep the group a group while it has few commands."""
