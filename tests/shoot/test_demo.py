"""The demo's card is named clearly enough that nothing needs to be asked."""

from __future__ import annotations

from pathlib import PurePath

from partsong.demo import clips, tune
from partsong.film.records import Part
from partsong.shoot.intake import Asked, guess


def test_every_clip_of_the_demo_is_told_from_its_names() -> None:
    parts = tuple(Part(id=part, name=part) for part in tune.PARTS)
    for clip in clips.clips(tune.waltz(), tune.PARTS, roaming=True):
        path = PurePath(clip.path)
        found = guess((*path.parent.parts, path.stem), parts, Asked())
        # The clip of another song lies in a folder that names no part.
        named = None if clip.song != tune.waltz().title else clip.part
        assert (found.kind, found.part, found.question) == (clip.kind, named, "")
