"""The commands of look."""

from __future__ import annotations

import typer

app = typer.Typer(help="Set and measure the colour path from camera to display.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """Keep the group a group while it has few commands."""
