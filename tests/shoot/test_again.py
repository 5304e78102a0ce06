"""Frames shown twice: changes of which it is known what they mean, and clips of real encoders."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from tests.shoot.conftest import write_clip

from partsong.film.folder import FilmFolder
from partsong.media.packets import packets_of
from partsong.media.picture import open_picture
from partsong.media.probe import probe
from partsong.shoot.again import Again, found_again
from partsong.shoot.sight import changes_of

COUNT, KEY_EVERY, GRAIN, MOVED = 120, 12, 0.004, 0.03


def _changes(
    repeated: tuple[int, ...], *, refined: float = 0.6, kept: bool = True, carried: float = 1.1, seed: int = 1
) -> tuple[int, NDArray[np.float32], NDArray[np.float32]]:
    """Changes in 576 tiles of which 30 show somebody who moves, of 120 frames; key frames change all of it a little.

    Where an encoder does not keep grain, tiles change by anything from nothing to a lot; over two frames they change
    ``carried`` times as much as over one.
    """
    rng = np.random.default_rng(seed)
    changes = GRAIN * rng.uniform(0.9, 1.1, (COUNT - 1, 576))
    if not kept:
        changes *= rng.lognormal(0, 1, (COUNT - 1, 1))
    changes[:, :30] += MOVED * rng.uniform(0.5, 1.5, (COUNT - 1, 30))
    changes[KEY_EVERY - 1 :: KEY_EVERY] *= 1.6
    changes[KEY_EVERY::KEY_EVERY] *= 0.6  # right after a key frame there are few bits
    for frame in repeated:
        changes[frame - 1] = refined * GRAIN * (1.6 if frame % KEY_EVERY == 0 else 1.0)
    return 0, changes.astype(np.float32), (carried * changes[1:]).astype(np.float32)


KEYS = np.arange(COUNT) % KEY_EVERY == 0


@pytest.mark.parametrize("frame", [31, 60, 66, 100])
def test_a_repeated_frame_is_found_although_its_grain_is_refined(frame: int) -> None:
    found = found_again([_changes((frame,))], KEYS)
    assert found.frames == (frame,)
    assert found.told


def test_a_take_without_any_is_left_alone_and_says_how_many_were_asked() -> None:
    for seed in range(5):
        found = found_again([_changes((), seed=seed)], KEYS)
        assert found == Again((), found.asked, True)
        assert COUNT - 10 <= len(found.asked) <= COUNT


def test_two_in_a_row_and_regular_ones_are_found() -> None:
    assert found_again([_changes((54, 55))], KEYS).frames == (54, 55)
    regular = tuple(range(4, COUNT, 6))
    found = found_again([_changes(regular)], KEYS)
    assert set(found.frames) >= set(regular) - {4, 112, 118}
    assert set(found.frames) <= set(regular)


def test_where_grain_is_gone_only_what_stands_quite_still_is_told() -> None:
    found = found_again([_changes((31,), kept=False)], KEYS)
    assert not found.told
    assert found.frames == ()
    quite = found_again([_changes((31,), kept=False, refined=0.0)], KEYS)
    assert quite.frames == (31,)


def test_stretches_are_counted_by_the_take_s_own_frames() -> None:
    _, whole, over_two = _changes((66,))
    parts = [(first, whole[first : first + 23], over_two[first : first + 22]) for first in (0, 24, 48, 72, 96)]
    assert found_again(parts, KEYS).frames == (66,)
    assert found_again([(0, whole[:2], over_two[:1])], KEYS) == Again((), (), False)


def test_where_an_encoder_carries_grain_along_it_does_not_claim_to_tell_but_says_what_it_found() -> None:
    assert not found_again([_changes((), carried=1.35)], KEYS).told
    found = found_again([_changes((31,), carried=1.35)], KEYS)
    assert found.frames == (31,)
    assert not found.told


def test_a_copy_right_after_a_key_frame_is_told_without_movement_only_where_all_grain_is_new() -> None:
    """Frame 49 follows a key frame and nothing moves; encoders of few bits leave such frames as they are."""

    def still(carried: float, refined: float) -> tuple[int, ...]:
        first, changes, over_two = _changes((49,), carried=carried, refined=refined)
        changes[:, :30], over_two[:, :30] = changes[:, 30:60], over_two[:, 30:60]
        return found_again([(first, changes, over_two)], KEYS).frames

    assert still(carried=1.1, refined=0.004) == (49,)
    assert still(carried=1.25, refined=0.004) == ()
    assert still(carried=1.1, refined=0.3) == ()


@pytest.mark.parametrize(
    ("codec", "pixels", "options", "claimed"),
    [
        ("libx264", "yuv422p10le", {"preset": "ultrafast", "crf": "12", "g": "12", "bf": "0"}, True),
        (
            "libx265",
            "yuv420p10le",
            {"preset": "superfast", "crf": "6", "x265-params": "keyint=12:log-level=none"},
            True,
        ),
        # It carries grain along from frame to frame: a repeat is found here, and others may not be.
        (
            "libx265",
            "yuv420p10le",
            {"preset": "superfast", "crf": "13", "x265-params": "keyint=12:log-level=none"},
            False,
        ),
        ("libx264", "yuv422p10le", {"preset": "ultrafast", "crf": "8", "g": "1"}, True),
    ],
)
def test_real_encoders_do_not_hide_a_repeated_frame(
    tmp_path: Path, codec: str, pixels: str, options: dict[str, str], claimed: bool
) -> None:
    rng = np.random.default_rng(3)
    room = cv2.GaussianBlur(rng.integers(40, 200, (180, 320, 3)).astype(np.float32), (0, 0), 2)
    pictures = []
    for number in range(60):
        picture = room.copy()
        for n in range(6):  # things that move, each at a pace of its own
            x = 20 + 45 * n + 15 * np.sin(number * (0.35 + 0.06 * n) + n)
            cv2.circle(picture, (round(8 * x), 8 * (30 + 24 * n)), 8 * 14, (230.0, 40.0 * n, 90.0), -1, cv2.LINE_AA, 3)
        pictures.append(np.clip(picture + rng.normal(0, 3, picture.shape), 0, 255).astype(np.uint8))
    pictures[41] = pictures[40]
    path = write_clip(tmp_path / "clip.mov", codec=codec, pixels=pixels, options=options, pictures=pictures)
    picture = probe(path, FilmFolder(tmp_path).refer(path)).picture
    assert picture is not None
    with open_picture(path, picture, threads=1) as reader:
        changes = changes_of(reader.read(range(picture.frames)))
    found = found_again([(0, *changes)], packets_of(path).keys)
    assert found.told == claimed
    assert found.frames == (41,)
