"""The command that opens the desk."""

from __future__ import annotations

from typing import Annotated

import typer

from partsong.cli.console import FilmArgument, note, say


def desk(
    film: FilmArgument,
    port: Annotated[int, typer.Option(help="The port on this machine; 0 finds a free one.", min=0, max=65535)] = 0,
    open_page: Annotated[bool, typer.Option("--open/--no-open", help="Open the page in the browser.")] = True,
) -> None:
    """Open the film's desk: the page on this machine on which to see, hear and move it. Ctrl-C closes it.

    Example: partsong desk waltz
    """
    from partsong.desk.serve import serve

    note("The desk is open to this machine only, under the address below. Ctrl-C closes it.")
    serve(film, port=port, tell=say, open_page=open_page)
