"""Puts the clip maker of ``tests/clips.py`` within reach (``import clips``), and a disk that fills up."""

import resource
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).parents[1]))


@pytest.fixture
def small_files() -> Iterator[None]:
    """Let no file grow beyond 64 KiB: the system then refuses to write, as it does on a full disk."""
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (1 << 16, hard))
    yield
    resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
