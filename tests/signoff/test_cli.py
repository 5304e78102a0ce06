"""The commands of sign-off: exit statuses and what they print."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.errors import InvalidInput
from partsong.film.records import Film
from partsong.film.store import FilmStore
from partsong.media.encode import RECIPES, PictureWriter, SoundTrack
from partsong.media.planes import Planes
from partsong.timebase import Rate

RUN = CliRunner()


@pytest.fixture
def loud(tmp_path: Path) -> Path:
    """A second of moving picture with a sine whose peak is full scale: over -1 dBTP."""
    grey = np.full((36, 32), 512, np.uint16)
    wave = np.sin(2 * np.pi * 997 * np.arange(48000) / 48000).astype(np.float32)
    sound = SoundTrack([np.repeat(wave[:, None], 2, axis=1)], channels=2, samples=48000)
    path = tmp_path / "loud.mov"
    with PictureWriter(path, RECIPES["camera"], width=64, height=36, rate=Rate.of("25"), sound=sound) as writer:
        for frame in range(25):
            y = np.full((36, 64), 300, np.uint16)
            y[10:20, frame : frame + 10] = 500
            writer.write(Planes(y, grey, grey, 10, "bt709", "limited"))
    return path


def test_check_of_a_file_ends_with_1_when_something_is_outside(loud: Path) -> None:
    result = RUN.invoke(app, ["signoff", "check", str(loud), "--json"])
    assert result.exit_code == 1
    (found,) = json.loads(result.stdout)
    outcomes = {check["topic"]: check["outcome"] for check in found["checks"] if check["outcome"] != "stated"}
    assert outcomes["True peak"] == "outside"
    assert outcomes["Sync"] == "within"
    assert outcomes["Flashing"] == "within"


def test_check_names_sentence_number_limit_and_source(loud: Path) -> None:
    result = RUN.invoke(app, ["signoff", "check", str(loud)])
    (line,) = [line for line in result.stdout.splitlines() if "highest peak" in line]
    assert "DECIDE" in line
    assert "dBTP; limit: at most -1 dBTP; ITU-R BS.1770-5" in line


def test_check_of_a_film_without_masters_says_how_to_make_one(tmp_path: Path, film: Film) -> None:
    FilmStore.create(tmp_path / "waltz", film, "Made").close()
    result = RUN.invoke(app, ["signoff", "check", str(tmp_path / "waltz")])
    assert isinstance(result.exception, InvalidInput)
    assert "partsong signoff master" in str(result.exception)


def test_a_report_without_masters_can_be_written(tmp_path: Path) -> None:
    FilmStore.create(tmp_path / "waltz", Film(name="Waltz"), "Made").close()
    result = RUN.invoke(app, ["signoff", "report", str(tmp_path / "waltz"), "--json"])
    assert result.exit_code == 0
    told = json.loads(result.stdout)
    assert "no master yet" in told["verdict"]
    assert Path(told["page"]).read_text(encoding="utf-8").startswith("<!doctype html>")
