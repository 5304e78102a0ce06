"""What the tests of all rooms share."""

from __future__ import annotations

import fcntl
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from partsong.demo.make import Truth


@dataclass(frozen=True)
class Material:
    """The tiny demo: its folder (song, clips; never write into it) and the truth about it."""

    folder: Path
    truth: Truth


@pytest.fixture(scope="session")
def tiny_film_material(pytestconfig: pytest.Config) -> Material:
    """Make the first eight bars of the demo at 320 x 180, all takes with all faults, once for all tests.

    It lies in pytest's cache, so later runs find it there unless the demo's code has changed; a lock keeps workers
    and other runs from making it twice at a time.
    """
    from partsong.demo.make import make
    from partsong.watch import silent

    folder = Path(pytestconfig.cache.mkdir("tiny-film"))
    with (folder / "lock").open("w") as lock:
        fcntl.flock(lock, fcntl.LOCK_EX)
        truth = make(folder / "material", width=320, height=180, bars=8, watch=silent())
    return Material(folder / "material", truth)
