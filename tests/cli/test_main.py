from __future__ import annotations

import json
import signal
import subprocess
import sys
import time
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from partsong.cli import console, main
from partsong.cli.main import app
from partsong.errors import Cancelled
from partsong.film.records import Film
from partsong.film.store import FilmStore
from partsong.film.summary import PHASES

DOCS = Path(__file__).parents[2] / "docs"


def commands(group: Any, path: tuple[str, ...] = ()) -> list[tuple[tuple[str, ...], Any]]:
    """Return (path, command) of every command beneath a group."""
    found: list[tuple[tuple[str, ...], Any]] = []
    for name, command in group.commands.items():
        found += commands(command, (*path, name)) if hasattr(command, "commands") else [((*path, name), command)]
    return found


ALL = commands(typer.main.get_command(app))


def run(*words: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "partsong", *map(str, words)], capture_output=True, text=True, check=False
    )


@pytest.fixture
def film(tmp_path):
    with FilmStore.create(tmp_path / "waltz", Film(name="Waltz"), "Made a film") as store:
        store.change("Renamed the film", lambda f: f.replace(name="Boathouse Waltz"))
    return tmp_path / "waltz"


@pytest.mark.parametrize(("path", "command"), ALL, ids=[" ".join(path) for path, _ in ALL])
def test_every_command_helps_with_an_example_and_stands_in_the_docs(path, command):
    name = " ".join(("partsong", *path))
    help_text = " ".join((command.help or "").split())
    assert f"Example: {name}" in help_text
    own = DOCS / f"{path[0]}.md"
    chapter = own if own.is_file() else DOCS / "tutorial.md"
    assert name in " ".join(chapter.read_text(encoding="utf-8").split())


def test_the_phases_stand_in_the_order_of_the_work():
    groups = [name for name in typer.main.get_command(app).commands if name in PHASES]
    assert tuple(groups) == PHASES


def test_history_marks_where_the_film_is(film):
    assert run("film", "undo", film).stdout == "Taken back: Renamed the film (now at revision 1)\n"
    history = run("film", "history", film)
    assert history.returncode == 0
    assert [line[0] for line in history.stdout.splitlines()[1:]] == [">", " "]
    assert run("film", "redo", film).stdout == "Brought back: Renamed the film (now at revision 2)\n"


def test_json_is_the_document_itself(film):
    shown = run("film", "show", film, "--json")
    assert Film.model_validate_json(shown.stdout).name == "Boathouse Waltz"
    assert json.loads(run("film", "show", film, "--revision", 1, "--json").stdout)["name"] == "Waltz"
    assert json.loads(run("film", "history", film, "--json").stdout)["head"] == 2


def test_a_name_that_the_output_cannot_hold_is_spelled_out(tmp_path, monkeypatch):
    name = "尺八 𝄞"
    with FilmStore.create(tmp_path / "waltz", Film(name=name), "Made a film"):
        pass
    monkeypatch.setenv("PYTHONIOENCODING", "cp1252")  # what a redirected output has on many desks
    assert "\\u5c3a\\u516b" in run("film", "show", tmp_path / "waltz").stdout
    assert json.loads(run("film", "show", tmp_path / "waltz", "--json").stdout)["name"] == name


@pytest.mark.parametrize(
    ("words", "message"),
    [
        (("film", "show", "nowhere"), "holds no film"),
        (("film", "redo"), "Missing argument"),
        (("film", "fly"), "No such command"),
    ],
)
def test_bad_input_is_one_sentence_and_status_2(words, message, tmp_path):
    result = subprocess.run(
        [sys.executable, "-m", "partsong", *words], capture_output=True, text=True, cwd=tmp_path, check=False
    )
    assert result.returncode == 2
    assert message in result.stderr
    assert "Traceback" not in result.stderr
    assert list(tmp_path.iterdir()) == []


def test_an_error_of_ours_has_no_traceback(film):
    run("film", "undo", film)
    result = run("film", "undo", film)
    assert result.returncode == 2
    assert result.stderr == "There is nothing to undo: this is the film as it was made.\n"


def test_a_fault_of_ours_is_no_decision_to_be_made(monkeypatch, capsys):
    def broken():
        raise ZeroDivisionError("nothing to divide by")

    monkeypatch.setattr(main, "app", broken)
    with pytest.raises(SystemExit) as ended:
        main.run()
    assert ended.value.code == console.FAULT
    told = capsys.readouterr().err
    assert "ZeroDivisionError: nothing to divide by" in told
    assert told.endswith("Please report what stands above.\n")


def test_the_first_interrupt_asks_the_step_to_stop():
    with console.watched() as watch:
        signal.raise_signal(signal.SIGINT)
        with pytest.raises(Cancelled) as caught:
            watch.tick("Reading clips", 1, 2)
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGINT)
    assert caught.value.exit_code == console.CANCELLED


def test_progress_on_a_plain_terminal_tells_how_long_it_will_take(monkeypatch, capsys):
    now = 100.0
    monkeypatch.setattr(time, "monotonic", lambda: now)
    with console.watched() as watch:
        watch.tick("Merging", 0, 40)
        now += 10
        watch.tick("Merging", 10, 40)
    assert capsys.readouterr().err == "Merging: 10 of 40, about 30 s left\n"


def test_version():
    assert CliRunner().invoke(app, ["--version"]).output.startswith("partsong 0.")
