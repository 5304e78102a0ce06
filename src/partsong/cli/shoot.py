"""The commands of shoot."""

from __future__ import annotations

import typer

app = typer.Typer(help="Take in clips, log takes and say whether a set-up may be struck.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """Keep the group a group while it has few commands."""
