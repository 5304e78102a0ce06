"""The commands of lineup."""

from __future__ import annotations

import typer

app = typer.Typer(help="Put every clip on the song's time line, and say how sure that is.", no_args_is_help=True)


@app.callback()
def _group() -> None:
    """Keep the group a group while it has few commands."""
