"""What the demo makes of what was said about its knocked music stand."""

from __future__ import annotations

import pytest

from partsong.demo import tune
from partsong.demo.clips import DemoClip, clips, stand_px
from partsong.demo.run import held_props
from partsong.film.records import Clip, Film, Finding, MediaFile, Part, PictureInfo, Region, Take
from partsong.timebase import Rate, Time

WIDTH, HEIGHT = 960, 540
BEFORE, AFTER = (stand_px(WIDTH, HEIGHT, moved=moved) for moved in (False, True))
BEFORE_HIM, ELSEWHERE = (520.0, 100.0, 760.0, 480.0), (0.0, 100.0, 200.0, 480.0)  # boxes of the player


def film(*said: tuple[str, tuple[float, float, float, float]]) -> Film:
    rate = Rate(num=24)
    picture = PictureInfo(
        codec="h264", width=WIDTH, height=HEIGHT, rate=rate, frames=24, pixel_format="yuv420p", bit_depth=8
    )
    file = MediaFile(path="a.mov", size_bytes=1, fingerprint="0" * 32)
    clip = Clip(file=file, container="mov", duration=Time.of(1), picture=picture)
    return Film(
        name="one", rate=rate, parts=(Part(id="glockenspiel", name="Glockenspiel"),),
        takes=(Take(id="g-1", kind="stage", part="glockenspiel", clip=clip),),
        findings=tuple(
            Finding(take="g-1", kind=kind, sentence="It is so.", advice="", verdict="look first",
                    region=Region(x=box[0], y=box[1], width=box[2] - box[0], height=box[3] - box[1]))
            for kind, box in said
        ),
    )  # fmt: skip


@pytest.fixture(scope="module")
def knocked() -> DemoClip:
    return next(clip for clip in clips(tune.waltz(bars=4), ("glockenspiel",), roaming=False) if clip.stand_moved)


@pytest.mark.parametrize(
    ("said", "player", "outcome"),
    [
        ([("prop turned", AFTER)], BEFORE_HIM, "agrees"),
        ([], BEFORE_HIM, "not told"),
        ([], ELSEWHERE, "DIFFERS"),
        # That it is gone from its place is right, and does not say where it went: enough only right before a player.
        ([("prop gone", (*BEFORE[:2], BEFORE[0] + 25, BEFORE[3]))], BEFORE_HIM, "not told"),
        ([("prop gone", (*BEFORE[:2], BEFORE[0] + 25, BEFORE[3]))], ELSEWHERE, "DIFFERS"),
        ([("prop gone", (100.0, 300.0, 140.0, 380.0))], BEFORE_HIM, "DIFFERS"),
        ([("prop brought", AFTER), ("prop gone", BEFORE)], BEFORE_HIM, "DIFFERS"),
        ([("prop turned", AFTER), ("prop gone", (100.0, 300.0, 140.0, 380.0))], BEFORE_HIM, "DIFFERS"),
    ],
)  # fmt: skip
def test_only_what_is_said_of_the_stand_agrees(said, player, outcome, knocked) -> None:
    assert held_props("g-1", knocked, film(*said), player).outcome == outcome
