"""The desk as a web application: its pages, its API, its events, behind its guard."""

from __future__ import annotations

import asyncio
import contextlib
import json
from collections.abc import AsyncIterator
from pathlib import Path
from typing import Any

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import FileResponse, JSONResponse, Response, StreamingResponse
from starlette.routing import Mount
from starlette.routing import Route as Served
from starlette.staticfiles import StaticFiles
from starlette.types import ASGIApp

from partsong.desk import openapi
from partsong.desk.answers import refusal
from partsong.desk.api import crops, cut, film, lineup, look, merged, prepare, seams, shoot, signoff, stage
from partsong.desk.api.film import told
from partsong.desk.guard import Guard
from partsong.desk.routes import Route, making_media, served
from partsong.desk.session import Desk
from partsong.film.summary import PHASES

STATIC = Path(__file__).parent / "static"
ROUTES: tuple[Route, ...] = (
    *film.ROUTES,
    *prepare.ROUTES,
    *shoot.ROUTES,
    *lineup.ROUTES,
    *stage.ROUTES,
    *merged.ROUTES,
    *seams.ROUTES,
    *look.ROUTES,
    *cut.ROUTES,
    *signoff.ROUTES,
    *crops.ROUTES,
)
"""Every route of the API. A page adds its own by one name here."""

_LOOK_S = 0.2
_STILL_THERE_S = 15.0


def build(desk: Desk, *, port: int, token: str) -> ASGIApp:
    """Return the application for one desk, which it closes when it ends."""
    making = making_media()

    @contextlib.asynccontextmanager
    async def living(_app: Starlette) -> AsyncIterator[None]:
        yield
        await asyncio.to_thread(desk.close)

    async def page(_request: Request) -> Response:
        return FileResponse(STATIC / "index.html", headers={"Cache-Control": "no-cache"})

    async def described(_request: Request) -> Response:
        return JSONResponse(openapi.document(ROUTES))

    async def events(_request: Request) -> Response:
        return StreamingResponse(_events(desk), media_type="text/event-stream", headers={"Cache-Control": "no-store"})

    app = Starlette(
        routes=[
            Served("/api/openapi.json", described),
            Served("/api/events", events),
            *(served(route, desk, making) for route in ROUTES),
            Mount("/static", StaticFiles(directory=STATIC)),
            Served("/", page),
            *(Served(f"/{phase}", page) for phase in PHASES),
        ],
        exception_handlers={HTTPException: _nothing_here, Exception: _unforeseen},
        lifespan=living,
    )
    return Guard(app, port=port, token=token)


async def _events(desk: Desk) -> AsyncIterator[str]:
    """Tell the revision and the jobs at once, then whenever they change."""
    revision: int | None = None
    jobs: dict[str, dict[str, Any]] = {}
    quiet_s = 0.0
    while not desk.closing.is_set():
        said = ""
        if desk.revision != revision:
            revision = desk.revision
            said += _event("film", {"revision": revision})
        for job in desk.jobs.all():
            now = told(job).model_dump()
            if jobs.get(job.kind) != now:
                jobs[job.kind] = now
                said += _event("job", now)
        quiet_s = 0.0 if said else quiet_s + _LOOK_S
        if quiet_s >= _STILL_THERE_S:
            said, quiet_s = ": still here\n\n", 0.0
        if said:
            yield said
        await asyncio.sleep(_LOOK_S)


def _event(name: str, value: object) -> str:
    return f"event: {name}\ndata: {json.dumps(value, ensure_ascii=False)}\n\n"


async def _nothing_here(_request: Request, problem: Exception) -> Response:
    assert isinstance(problem, HTTPException)
    if problem.status_code == 405:
        return refusal(405, "This address does not take that kind of request.", "InvalidInput")
    return refusal(404, "There is nothing under this address.")


async def _unforeseen(_request: Request, _problem: Exception) -> Response:
    return refusal(500, "This went wrong in a way that was not foreseen; the terminal says more.")
