"""The commands of stage that are about light, as a person types them."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.errors import InvalidInput


@pytest.fixture(scope="module")
def film(small, tmp_path_factory):
    root = tmp_path_factory.mktemp("light-commands")
    clips = {"cello": small.Painted(50), "oboe": small.Painted(190)}
    small.made_film(root, clips, {}).close()
    return root / "film"


def run(*words):
    result = CliRunner().invoke(app, ["stage", *map(str, words)], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def test_match_says_what_cannot_be_told_and_takes_a_hand(film):
    assert "cannot be told" in run("match", film)
    matches = json.loads(run("match", film, "--take", "oboe", "--stops", 0.5, "--blue", 1.1, "--json"))["matches"]
    oboe = next(match for match in matches if match["take"] == "oboe")
    assert oboe["by_hand"]
    assert oboe["gain"] == pytest.approx([2**0.5, 2**0.5, 2**0.5 * 1.1])
    with pytest.raises(InvalidInput, match="four whole numbers"):
        run("match", film, "--card", "1,2,3")


def test_method_says_where_adding_goes_wrong_and_merges(film):
    run("order", film, "cello", "oboe")
    said = run("method", film, "combined")
    assert "merged by combined" in said
    assert "no plate of the room in ambient light" in said
    assert json.loads(run("method", film, "light-sum", "--json"))["method"] == "light-sum"
    told = run("merge", film, "--workers", 1).lower()
    assert "merged" in told
    assert "wide" in told


def test_a_patch_is_laid_listed_and_taken_away(film):
    assert "no patches" in run("patch", film)
    told = run("patch", film, "cello", "--x", 120, "--y", 30, "--rx", 12, "--ry", 10, "--stops", 0)
    assert "take cello" in told
    assert "all through" in told
    assert json.loads(run("patch", film, "--remove", 1, "--json"))["patches"] == []
    with pytest.raises(InvalidInput, match="centre and radii"):
        run("patch", film, "cello")
