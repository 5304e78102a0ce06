"""What a route is: one row of a table, from which both the server and its OpenAPI document are made.

A page's API module (``partsong.desk.api.<page>``) holds the records that it speaks in and a tuple ``ROUTES``. A route's
function is plain and may block, since it runs in a thread: it is given the desk, then the parts of the path as texts,
and, if the route takes one, its body, already validated. It returns a record, or the path of a file where ``says`` is a
media type.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, ClassVar, Literal, Self

import anyio
from pydantic import BaseModel, ConfigDict, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import FileResponse, Response
from starlette.routing import Route as Served

from partsong.desk.answers import failed, refusal
from partsong.desk.session import Desk
from partsong.errors import InvalidInput, PartsongError
from partsong.film.records import sentence_of
from partsong.film.store import FilmStore, Head, Revision

JSON = "application/json"
PAPER = "text/html"
"""A page to print that needs nothing but itself: its styles are inside, and it may load and run nothing."""

_PAPER_POLICY = (
    "default-src 'none'; style-src 'unsafe-inline'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
)
_MOST_BYTES = 1 << 20
_MEDIA_AT_ONCE = 2


class Wire(BaseModel):
    """The base of all records on the wire: frozen, nothing unknown.

    ``written`` is the media type of a body, and ``in_words`` what a person calls it.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")
    written: ClassVar[str] = JSON
    in_words: ClassVar[str] = "JSON"

    @classmethod
    def read(cls, body: bytes) -> Self:
        """Read a body.

        Raises
        ------
        ValidationError or InvalidInput
            If it is no such record.
        """
        return cls.model_validate_json(body)


class Edit(Wire):
    """The body of a change: ``base`` is the revision that the page showed when the person decided."""

    base: int


class Done(Wire):
    """The answer to a change: the revision that the film is at, and the sentence of what changed."""

    revision: int
    sentence: str

    @classmethod
    def of(cls, revision: Revision) -> Self:
        """Tell of the revision that a change became."""
        return cls(revision=revision.number, sentence=revision.sentence)


def changed(desk: Desk, edit: Edit, change: Callable[[FilmStore], Head]) -> Done:
    """Change the film that the page showed, and tell of the revision that it became.

    Raises
    ------
    Conflict
        If somebody else changed the film since.
    """
    with desk.editing(edit.base) as store:
        head = change(store)
    return Done.of(head.revision)


@dataclass(frozen=True, slots=True)
class Route:
    """One row: ``takes`` is the body of a POST or the query of a GET; ``says`` a record or a media type."""

    method: Literal["GET", "POST"]
    path: str
    run: Callable[..., BaseModel | Path]
    says: type[BaseModel] | str
    summary: str
    takes: type[Wire] | None = None


def served(route: Route, desk: Desk, making: anyio.Semaphore) -> Served:
    """Return a route as the server needs it; ``making`` keeps a page full of pictures from taking every thread."""

    async def answer(request: Request) -> Response:
        given = [request.path_params[name] for name in request.path_params]
        if route.takes is not None:
            read = await _query(request, route.takes) if route.method == "GET" else await _body(request, route.takes)
            if isinstance(read, Response):
                return read
            given.append(read)
        try:
            if isinstance(route.says, str):
                async with making:
                    if await request.is_disconnected():
                        return Response(status_code=204)  # the page was left meanwhile; nobody reads this
                    found = await run_in_threadpool(route.run, desk, *given)
            else:
                found = await run_in_threadpool(route.run, desk, *given)
        except PartsongError as problem:
            return failed(problem)
        if isinstance(found, Path):
            assert isinstance(route.says, str)
            headers = {"Cache-Control": "private, no-cache"}
            if route.says == PAPER:
                headers["Content-Security-Policy"] = _PAPER_POLICY
            return FileResponse(found, media_type=route.says, headers=headers)
        return Response(found.model_dump_json(), media_type=JSON, headers={"Cache-Control": "no-store"})

    return Served(route.path, answer, methods=[route.method])


def frame_in(part: str) -> int:
    """Read a frame's number from the path of an address.

    Raises
    ------
    InvalidInput
        If it is none.
    """
    if not part.isdecimal() or len(part) > 9:
        raise InvalidInput(f"{part!r} is no frame. Give its number.")
    return int(part)


def making_media() -> anyio.Semaphore:
    """Return what lets only a few files be made at a time; the others wait without a thread."""
    return anyio.Semaphore(_MEDIA_AT_ONCE)


async def _body(request: Request, model: type[Wire]) -> Wire | Response:
    kind = request.headers.get("content-type", "").partition(";")[0].strip()
    if kind != model.written:
        return refusal(415, f"The desk reads {model.in_words} here, and nothing else.")
    body = b""
    async for chunk in request.stream():
        body += chunk
        if len(body) > _MOST_BYTES:
            return refusal(413, "This is more than the desk reads in one request.")
    try:
        return model.read(body)
    except ValidationError as problem:
        return failed(InvalidInput(sentence_of(problem)))
    except InvalidInput as problem:
        return failed(problem)


async def _query(request: Request, model: type[BaseModel]) -> BaseModel | Response:
    given: dict[str, Any] = dict(request.query_params)
    try:
        return model.model_validate(given)
    except ValidationError as problem:
        return failed(InvalidInput(sentence_of(problem)))
