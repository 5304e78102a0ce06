"""The commands of stage."""

from __future__ import annotations

import typer

app = typer.Typer(help="Merge the locked-off takes into one believable picture.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """Keep the group a group while it has few commands."""
