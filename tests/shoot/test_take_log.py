"""The take log: kept in the film, printed whole, and out as CSV that a reader gets back."""

from __future__ import annotations

import csv
from html.parser import HTMLParser
from pathlib import Path

from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.film.cautions import LOCAL_RULES, STRIKING

from .conftest import write_clip


def _run(*words: object) -> str:
    result = CliRunner().invoke(app, [str(word) for word in words])
    assert result.exit_code == 0, result.output
    return result.output


class _Text(HTMLParser):
    """Collects what a page says, and checks that every element is closed."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.words = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag not in ("meta",):
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.words += data


def test_the_log_prints_and_reads_back(tmp_path: Path, film: Path) -> None:
    write_clip(tmp_path / "clips/harmonium wide/b.mov", seed=1, timecode="10:20:30:05")
    write_clip(tmp_path / "clips/cajon wide/a.mov")
    write_clip(tmp_path / "clips/roaming/r.mov", seed=2)
    _run("shoot", "add", film, tmp_path / "clips")
    nasty = '=1+1, "said" <b>\nsecond line'
    _run("shoot", "note", film, "harmonium-1", "--text", nasty, "--slate", "12 B take 3", "--circle")
    assert "[12 B take 3] (circled)" in _run("shoot", "note", film, "harmonium-1", "--circle")
    out = tmp_path / "takes.csv"
    _run("shoot", "log", film, "--csv", out)

    with out.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["take"] for row in rows] == ["cajon-1", "harmonium-1", "roaming-1"]  # score order, coverage last
    assert (rows[1]["slate"], rows[1]["circled"], rows[1]["timecode"]) == ("12 B take 3", "yes", "10:20:30:05")
    assert rows[1]["notes"] == "'" + nasty  # text, never a formula
    assert rows[0]["verdict"] == "not checked"

    text = _Text()
    text.feed((film / "reports/take-log.html").read_text(encoding="utf-8"))
    assert text.open == []
    assert nasty in text.words
    assert "cajón" in text.words
    for caution in STRIKING:
        assert caution.text in text.words
        assert caution.source in text.words
    assert LOCAL_RULES in text.words
    assert [caution.title for caution in STRIKING] == ["Lights overhead", "Hot lamps", "Cables", "Hearing"]
