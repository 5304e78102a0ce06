"""The commands of stage, as a person types them."""

from __future__ import annotations

import json
import re

import cv2
import pytest
from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.errors import InvalidInput


@pytest.fixture(scope="module")
def film(small, tmp_path_factory):
    root = tmp_path_factory.mktemp("commands")
    clips = {"cello": small.Painted(50), "oboe": small.Painted(122, moved=(2, 0))}
    small.made_film(root, clips, {}).close()
    return root / "film"


def run(*words):
    result = CliRunner().invoke(app, ["stage", *map(str, words)], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.stdout


def test_from_proposal_to_the_merged_wide(film, tmp_path):
    assert "no layers yet" in run("show", film)
    told = run("propose", film)
    assert "cello" in told
    assert "fills the frame" in told
    # The nudged camera, within a tenth of a pixel.
    assert re.search(r"stands (1\.9|2\.0)\d px right.* of (cello|oboe).*moved by whole pixels", told)
    found = json.loads(run("register", film, "--json"))
    assert {one["take"] for one in found} == {"cello", "oboe"}
    run("mask", film, "oboe", "--rx", 44, "--rotate", 5, "--feather", 10)
    stage = json.loads(run("show", film, "--json"))
    mask = next(mask for mask in stage["masks"] if mask["take"] == "oboe")
    assert (mask["shape"]["rx"], mask["shape"]["rotation_deg"]) == (44, 5)
    assert (mask["feather_px"], mask["by_hand"]) == (10, True)
    assert json.loads(run("order", film, "cello", "oboe", "--json"))["order"] == ["cello", "oboe"]
    picture = tmp_path / "stage.png"
    assert f"Drawn: {picture}" in run("show", film, "--picture", picture, "--at", 0.4)
    drawn = cv2.imread(str(picture))
    assert drawn.shape == (136, 240, 3)
    assert drawn.max() > 200  # the outline
    merged = json.loads(run("merge", film, "--hardware-decode", "--json"))
    assert (merged["made"], merged["kept"], merged["left"]) == (25, 0, 0)
    assert [re.search(r"is decoded (on|in) \w+: ", told) is not None for told in merged["decoding"]] == [True]
    assert "Merged 0 frames of the wide; 25 were merged already." in run("merge", film)


def test_a_time_after_the_song_is_refused(film, tmp_path):
    with pytest.raises(InvalidInput, match=r"The song lasts 1\.00 s; there is no frame at 3 s"):
        run("show", film, "--picture", tmp_path / "late.png", "--at", 3)


def test_merging_on_a_graphics_processor_says_when_there_is_none(film):
    from partsong.render import gpu

    pytest.importorskip("wgpu", reason="wgpu is not installed: pip install 'partsong[gpu]'")
    run("propose", film)
    try:
        gpu.device()
    except InvalidInput:
        result = CliRunner().invoke(app, ["stage", "merge", str(film), "--gpu"])
        assert isinstance(result.exception, InvalidInput)
        assert "no graphics processor that can be used" in str(result.exception)
    else:
        assert "made" in run("merge", film, "--gpu", "--json")
