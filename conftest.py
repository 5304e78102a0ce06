"""What all tests share: the table of published values, and honesty about skips."""

from __future__ import annotations

import json
import os
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

import partsong  # noqa: F401  (before any test loads numpy: it says how many threads that may have)

# Time is measured by benchmarks; a busy machine fails no test.
settings.register_profile("partsong", deadline=None)
settings.load_profile("partsong")

_VALUES = Path(__file__).parent / "tests" / "data" / "check-values.json"


@pytest.fixture(scope="session")
def check_value() -> Callable[[str], dict[str, Any]]:
    """Return a function from the id of a published value to its row (inputs, expected, tolerance, source)."""
    rows = {row["id"]: row for row in json.loads(_VALUES.read_text(encoding="utf-8"))["values"]}
    return rows.__getitem__


# The files that take longest, begun first, so that in the end no process waits for them alone.
_LONGEST = ("test_whole_job.py", "test_locate.py")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first; otherwise tests run in the order in which they stand."""
    items.sort(key=lambda item: item.path.name not in _LONGEST)


def pytest_sessionfinish(session: pytest.Session) -> None:
    """Fail a run on the build machine in which anything was skipped: there, everything must run."""
    reporter = session.config.pluginmanager.get_plugin("terminalreporter")
    if not os.environ.get("CI") or reporter is None or hasattr(session.config, "workerinput"):
        return
    if reporter.stats.get("skipped") and session.exitstatus == pytest.ExitCode.OK:
        reporter.write_line("Tests were skipped where everything must run.", red=True)
        session.exitstatus = pytest.ExitCode.TESTS_FAILED
