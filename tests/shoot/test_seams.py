"""Whether a seam would show a finding: boxes laid against ovals of which it is known."""

from __future__ import annotations

import pytest

from partsong.film.records import Mask, MaskKey, Oval, Stage
from partsong.shoot import seams
from partsong.shoot.judge import Remark

# The bass fills the frame of 640 x 360; the organ shows through an oval around (400, 180), its edge 20 pixels wide; the
# flute lies over both, around (520, 180).
ORGAN = Oval(x=400.0, y=180.0, rx=100.0, ry=80.0)
FLUTE = Oval(x=520.0, y=180.0, rx=60.0, ry=60.0)
STAGE = Stage(
    order=("bass-1", "organ-1", "flute-1"),
    masks=(
        Mask(take="organ-1", shape=ORGAN, feather_px=20.0),
        Mask(take="flute-1", shape=FLUTE, feather_px=20.0),
    ),
)


@pytest.mark.parametrize(
    ("take", "box", "place"),
    [
        ("bass-1", (20.0, 20.0, 60.0, 60.0), "inside"),  # 200 pixels from any oval
        ("bass-1", (370.0, 160.0, 40.0, 40.0), "outside"),  # behind the organ
        ("bass-1", (250.0, 150.0, 100.0, 60.0), "seam"),  # across the organ's left edge, which is at 300
        ("organ-1", (370.0, 160.0, 40.0, 40.0), "inside"),
        ("organ-1", (20.0, 20.0, 60.0, 60.0), "outside"),
        ("organ-1", (293.0, 170.0, 14.0, 20.0), "seam"),  # within the soft edge itself
        ("organ-1", (500.0, 160.0, 40.0, 40.0), "outside"),  # hidden behind the flute
        ("organ-1", (440.0, 160.0, 30.0, 40.0), "seam"),  # the flute's edge, which is at 460, lies over it
    ],
)
def test_a_box_is_told_by_what_the_masks_show_of_it(
    take: str, box: tuple[float, float, float, float], place: str
) -> None:
    assert seams.place_of(STAGE, take, box) == place


def test_an_oval_that_moves_has_its_edge_everywhere_it_comes_to() -> None:
    keys = (MaskKey(frame=0, shape=ORGAN), MaskKey(frame=100, shape=ORGAN.replace(x=200.0)))
    moving = STAGE.replace(masks=(STAGE.masks[0].replace(keys=keys), STAGE.masks[1]))
    box = (90.0, 160.0, 20.0, 40.0)
    assert seams.place_of(STAGE, "bass-1", box) == "inside"
    assert seams.place_of(moving, "bass-1", box) == "seam"


def test_without_masks_nothing_is_said_of_seams() -> None:
    box = (20.0, 20.0, 60.0, 60.0)
    assert seams.place_of(Stage(), "bass-1", box) is None
    assert seams.place_of(STAGE.replace(method="light-sum"), "bass-1", box) is None
    assert seams.place_of(STAGE, "drums-1", box) is None


def test_what_a_seam_shows_comes_first_and_the_sentence_says_why() -> None:
    def remark(kind: str, box: tuple[float, float, float, float] | None, verdict: str = "look first") -> Remark:
        return Remark(kind, f"A {kind}.", "Look.", verdict, box=box)  # type: ignore[arg-type]

    said = [
        remark("far", (20.0, 20.0, 60.0, 60.0)),
        remark("inner", (370.0, 160.0, 40.0, 40.0)),
        remark("edge", (293.0, 170.0, 14.0, 20.0)),
        remark("whole", None),
        remark("bad", (20.0, 20.0, 60.0, 60.0), "do not strike"),
    ]
    told = seams.ranked(STAGE, "organ-1", "organ", said)
    assert [one.kind for one in told] == ["bad", "edge", "whole", "inner", "far"]
    assert (
        told[1].sentence
        == "A edge. It touches the soft edge of the organ's place in the picture, where a seam would show it."
    )
    assert told[2].sentence == "A whole."
    assert told[3].sentence.endswith("within the organ's own place in the picture, away from the soft edge.")
    assert told[4].sentence.endswith("so this take does not show it.")
    assert [one.verdict for one in told] == ["do not strike", *["look first"] * 4]
