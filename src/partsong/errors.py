"""Every error that Partsong raises on purpose.

::

    PartsongError                 exit 2
    ├── InvalidInput (ValueError)     a value, option or file content that cannot be used
    │   ├── UnreadableMedia               a file that is not picture or sound we can use
    │   └── NoSuchRecord (LookupError)    a part, take or revision that the film does not hold
    ├── NotAFilm                      the folder holds no film, or one that this version cannot open
    ├── Conflict                      somebody else changed the film since it was read
    ├── OutputFailed (OSError)        a result could not be written
    └── Cancelled                     exit 130: the person asked to stop

A message is one sentence or two: what, which file, where, and what to do about it.
"""

from __future__ import annotations

from pathlib import Path


class PartsongError(Exception):
    """The root; the command line prints its message and exits with ``exit_code``."""

    exit_code = 2


class InvalidInput(PartsongError, ValueError):
    """A value, an option or the content of a file cannot be used as it is."""


class UnreadableMedia(InvalidInput):
    """A file is not picture or sound that can be used; the rest of the folder can go on."""

    def __init__(self, path: str | Path, reason: str, remedy: str) -> None:
        self.path = Path(path)
        self.reason = reason
        self.remedy = remedy
        super().__init__(f"{self.path.name}: {reason}. {remedy}")

    def __reduce__(self) -> tuple[type[UnreadableMedia], tuple[Path, str, str]]:
        return type(self), (self.path, self.reason, self.remedy)


class NoSuchRecord(InvalidInput, LookupError):
    """The film holds no such part, take or revision."""


class NotAFilm(PartsongError):
    """The folder holds no film, or one that this version cannot open."""


class Conflict(PartsongError):
    """The film was changed elsewhere since it was read; nothing was overwritten."""


class OutputFailed(PartsongError, OSError):
    """A result could not be written; nothing was left under its final name."""


class Cancelled(PartsongError):
    """The person asked to stop; nothing half-written is left."""

    exit_code = 130

    def __init__(self, doing: str = "") -> None:
        self.doing = doing
        super().__init__(f"Stopped while {doing[:1].lower()}{doing[1:]}." if doing else "Stopped.")

    def __reduce__(self) -> tuple[type[Cancelled], tuple[str]]:
        return type(self), (self.doing,)
