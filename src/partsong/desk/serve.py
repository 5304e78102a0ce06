"""Starts the desk: a socket on loopback, a new token, the address printed once, the browser opened if wanted."""

from __future__ import annotations

import secrets
import socket
import threading
import webbrowser
from collections.abc import Callable
from pathlib import Path
from types import FrameType

import uvicorn

from partsong.desk.app import build
from partsong.desk.guard import ENTRANCE
from partsong.desk.session import Desk
from partsong.errors import InvalidInput

_LOOPBACK = "127.0.0.1"


def bound(port: int) -> socket.socket:
    """Return a socket on loopback; port 0 means any that is free.

    Raises
    ------
    InvalidInput
        If the port cannot be had.
    """
    listening = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
    try:
        listening.bind((_LOOPBACK, port))
    except OSError as problem:
        listening.close()
        raise InvalidInput(
            f"Port {port} cannot be had ({problem.strerror}). Leave --port out, and a free one is found."
        ) from problem
    listening.listen()
    return listening


class Server(uvicorn.Server):
    """Serves one desk; asked to stop, it first lets go of the pages that listen for events."""

    def __init__(self, desk: Desk, *, port: int, token: str) -> None:
        self._desk = desk
        # What is asked for would be logged with the token in it.
        config = uvicorn.Config(
            build(desk, port=port, token=token),
            log_level="warning",
            access_log=False,
            server_header=False,
            timeout_graceful_shutdown=5,
        )
        super().__init__(config)

    def stop(self) -> None:
        """Stop serving as soon as what was asked for is answered."""
        self._desk.closing.set()
        self.should_exit = True

    def handle_exit(self, sig: int, frame: FrameType | None) -> None:
        """Stop on Ctrl-C; a second one does not wait."""
        self._desk.closing.set()
        super().handle_exit(sig, frame)


def serve(root: Path, *, port: int, tell: Callable[[str], None], open_page: bool) -> None:
    """Serve one film's desk until the person stops it; ``tell`` is given its address.

    Raises
    ------
    NotAFilm
        If there is no film in the folder.
    InvalidInput
        If the port cannot be had.
    """
    desk = Desk(root)
    try:
        listening = bound(port)
    except InvalidInput:
        desk.close()
        raise
    token = secrets.token_urlsafe(32)
    number = listening.getsockname()[1]
    address = f"http://{_LOOPBACK}:{number}{ENTRANCE}?token={token}"
    tell(address)
    if open_page:
        threading.Thread(target=webbrowser.open, args=(address,), daemon=True).start()
    Server(desk, port=number, token=token).run(sockets=[listening])
