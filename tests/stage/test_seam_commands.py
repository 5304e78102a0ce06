"""The commands about masks and seams, as a person types them."""

from __future__ import annotations

import json

import pytest
from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.errors import InvalidInput
from partsong.film.records import Oval


@pytest.fixture(scope="module")
def film(small, tmp_path_factory):
    """Return a film whose oboe leans over by 30 pixels for half a second, out of an oval that was drawn tightly."""
    root = tmp_path_factory.mktemp("commands")
    clips = {"cello": small.Painted(50, frames=60), "oboe": small.Painted(150, frames=60, leans=(30, 44, 30.0))}
    with small.made_film(root, clips, {}, song_s=2.4) as store:
        oval = Oval(x=150, y=82, rx=26, ry=36)

        def edit(film):
            from partsong.film.records import Mask

            masks = (Mask(take="oboe", shape=oval, feather_px=8.0),)
            return film.replace(stage=film.stage.replace(order=("cello", "oboe"), masks=masks))

        store.change("Drew the stage", edit)
    return root / "film"


def run(*words, status=0):
    result = CliRunner().invoke(app, ["stage", *map(str, words)], catch_exceptions=False)
    assert result.exit_code == status, result.output
    return result.stdout


def test_a_curve_and_keys_are_drawn_by_hand(film):
    run("mask", film, "cello", "--point", "20,40", "--point", "90,40", "--point", "60,120", "--feather", 12)
    run("mask", film, "cello", "--point", "30,40", "--point", "99,40", "--point", "70,120", "--key-at", 1.2)
    mask = next(one for one in json.loads(run("show", film, "--json"))["masks"] if one["take"] == "cello")
    assert [key["frame"] for key in mask["keys"]] == [30]
    assert mask["shape"]["kind"] == "curve"
    with pytest.raises(InvalidInput, match="'ten' is not a point"):
        run("mask", film, "cello", "--point", "ten")


def test_crossings_ask_for_a_decision_and_are_mended(film):
    told = run("crossings", film, status=1)
    assert "oboe crosses into cello" in told
    assert "--mend" in told
    (one,) = json.loads(run("crossings", film, "--json", status=1))
    assert one["mend"]["kind"] == "keys"
    assert one["picture"].endswith(f"oboe-{one['mend']['crossing']['frame']}.png")
    assert "Mended" in run("crossings", film, "--mend")
    assert "Nobody crosses" in run("crossings", film)


def test_the_report_ranks_seams_in_sentences(film):
    told = run("report", film, "--moments", 2)
    assert "between cello and oboe at 00:0" in told
    assert "seams.html" in told
    found = json.loads(run("report", film, "--moments", 2, "--json"))
    assert [seam["one"] for seam in found["seams"]] == ["cello"]
    assert len(found["seams"][0]["looks"]) == 2
