"""The one shape of every error: ``{"error": {"kind": ..., "sentence": ...}}``."""

from __future__ import annotations

from pydantic import BaseModel
from starlette.responses import JSONResponse

from partsong.errors import Conflict, InvalidInput, NoSuchRecord, NotAFilm, PartsongError

_STATUS: tuple[tuple[type[PartsongError], int], ...] = (
    (Conflict, 409),
    (NoSuchRecord, 404),
    (InvalidInput, 400),
    (NotAFilm, 410),
)
_KINDS = {400: "InvalidInput", 403: "Refused", 404: "NoSuchRecord", 413: "InvalidInput", 415: "InvalidInput"}


class Problem(BaseModel):
    """What went wrong: the name of the error, and one sentence that says what to do."""

    kind: str
    sentence: str


class Failure(BaseModel):
    """The body of every answer that is not a success."""

    error: Problem


def refusal(status: int, sentence: str, kind: str | None = None) -> JSONResponse:
    """Return an answer that says why something was not done."""
    problem = Problem(kind=kind or _KINDS.get(status, "Unforeseen"), sentence=sentence)
    return JSONResponse(Failure(error=problem).model_dump(), status_code=status)


def failed(problem: PartsongError) -> JSONResponse:
    """Return the answer of an error of ours."""
    status = next((status for kind, status in _STATUS if isinstance(problem, kind)), 500)
    return refusal(status, str(problem), type(problem).__name__)
