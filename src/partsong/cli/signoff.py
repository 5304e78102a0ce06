"""The commands of signoff."""

from __future__ import annotations

import typer

app = typer.Typer(help="Make the masters, check them and hand them over.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """Keep the group a group while it has few commands."""
