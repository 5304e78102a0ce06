"""One frame against the reference: known shifts, turns, blur and colours, under another light, encoding and size."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from tests.shoot.conftest import write_clip
from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.errors import InvalidInput, UnreadableMedia
from partsong.film.store import FilmStore
from partsong.shoot import live, steps, still
from partsong.watch import silent

WIDTH, HEIGHT = 640, 360


def _room() -> NDArray[np.float32]:
    rng = np.random.default_rng(4)
    room = np.full((HEIGHT, WIDTH, 3), 0.2, np.float32)
    for _ in range(260):
        x, y, w, h = (int(v) for v in (*rng.integers(0, (WIDTH, HEIGHT)), *rng.integers(3, 60, 2)))
        room[y : y + h, x : x + w] = rng.uniform(0.05, 0.6, 3)
    return cv2.GaussianBlur(room, (0, 0), 0.7)


ROOM = _room()


def _shown(
    *,
    lamp_x: float = 0.3,
    lies: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 1.0),
    blur: float = 0.0,
    white: tuple[float, float, float] = (1.0, 1.0, 1.0),
    gain: float = 1.0,
    ceiling: float = 1.0,
    gamma: float = 1.0,
    seed: int = 1,
) -> NDArray[np.uint8]:
    """Light the room from one place, lay it elsewhere by (right, down, degrees, scale), and encode it to 8 bits."""
    x, y = np.meshgrid(np.linspace(0, 1, WIDTH), np.linspace(0, HEIGHT / WIDTH, HEIGHT))
    lamp = 1.5 * np.clip(1 - ((x - lamp_x) ** 2 + (y - 0.3) ** 2) / 0.08, 0, 1) ** 2
    light = ROOM * (0.1 + lamp)[..., None].astype(np.float32) * gain * np.array(white, np.float32)
    right, down, degrees, scale = lies
    centre = ((WIDTH - 1) / 2, (HEIGHT - 1) / 2)
    matrix = cv2.getRotationMatrix2D(centre, -degrees, scale)  # that function turns anticlockwise
    matrix[:, 2] += (right, down)
    light = cv2.warpAffine(light, matrix, (WIDTH, HEIGHT), flags=cv2.INTER_LANCZOS4, borderMode=cv2.BORDER_REFLECT)
    if blur:
        light = cv2.GaussianBlur(light, (0, 0), blur)
    code = np.clip(np.log2(np.maximum(light, 0.001)) / 10 + 1, 0, 1) ** gamma
    # A sensor's noise comes before it is full.
    code = np.minimum(code + np.random.default_rng(seed).normal(0, 0.006, code.shape), np.log2(ceiling) / 10 + 1)
    return np.clip(np.rint(code * 255), 0, 255).astype(np.uint8)


@pytest.fixture(scope="module")
def reference() -> live.Prepared:
    """The reference: the lamp stands on the other side."""
    return live.prepare(_shown(lamp_x=0.75, seed=9))


@pytest.mark.parametrize("lies", [(0.5, 0.0, 0.0, 1.0), (-8.0, 3.0, 0.0, 1.0), (1.5, -2.5, 0.2, 1.003)])
def test_where_the_picture_lies_is_told_under_another_light(
    reference: live.Prepared, lies: tuple[float, float, float, float]
) -> None:
    found = live.compare(reference, _shown(lies=lies))
    # 0.1 px: what registration under another light errs by at most, on noisy pictures this small.
    assert found.shift_px == pytest.approx(lies[:2], abs=0.1)
    assert found.degrees == pytest.approx(lies[2], abs=0.02)
    assert found.scale == pytest.approx(lies[3], abs=4e-4)
    assert found.moved
    assert found.sure
    words = found.words[0]
    assert ("px right" if lies[0] > 0 else "px left") in words
    assert ("aim the camera right" if lies[0] > 0 else "aim the camera left") in words.lower()
    if lies[2]:
        assert "clockwise" in words
        assert "anti" not in words
        assert "larger" in words


def test_a_picture_that_lies_as_it_should_is_left_in_peace(reference: live.Prepared) -> None:
    found = live.compare(reference, _shown(seed=5))
    assert not found.moved
    assert found.sure
    assert found.distance_px < 0.1
    assert found.focus == pytest.approx(0, abs=0.3)
    assert len(found.words) == 1
    assert found.words[0].startswith("The picture lies as in the reference")


def test_another_size_and_encoding_tell_the_same_place(reference: live.Prepared) -> None:
    picture = _shown(lies=(4.0, -2.0, 0.0, 1.0), gamma=1.6)
    small = cv2.resize(picture, (480, 270), interpolation=cv2.INTER_AREA)
    found = live.compare(reference, small, same_encoding=False)
    assert found.shift_px == pytest.approx((4.0, -2.0), abs=0.15)
    assert (found.exposure, found.white) == (None, None)
    assert found.focus == pytest.approx(0, abs=0.4)
    as_float = live.compare(reference, small.astype(np.float32) / 255, same_encoding=False)
    assert as_float.shift_px == pytest.approx(found.shift_px, abs=1e-3)
    gray = live.compare(reference, cv2.cvtColor(picture, cv2.COLOR_RGB2GRAY))
    assert gray.shift_px == pytest.approx((4.0, -2.0), abs=0.15)
    assert gray.white is None


def test_focus_white_balance_exposure_and_clipping(reference: live.Prepared) -> None:
    soft = live.compare(reference, _shown(blur=1.2))
    assert soft.focus is not None
    assert soft.focus < -0.4
    assert "softer than the reference" in soft.words[1]
    # A tenth of a power of two in a code of ten powers of two is 1 %.
    warm = live.compare(reference, _shown(white=(2**0.2, 1.0, 2**-0.2)))
    assert warm.white == pytest.approx((0.02, -0.02), abs=0.004)
    assert any("warmer" in word for word in warm.words)
    dark = live.compare(reference, _shown(gain=2**-0.4))
    assert dark.exposure == pytest.approx(-0.04, abs=0.006)
    assert any("darker" in word for word in dark.words)
    cut = live.compare(reference, _shown(ceiling=0.15))
    assert cut.clipped > 0.01
    assert any("cut off" in word for word in cut.words)


def test_what_cannot_be_compared_is_said_or_refused(reference: live.Prepared) -> None:
    black = live.compare(reference, np.zeros((HEIGHT, WIDTH, 3), np.uint8))
    assert not black.same_room
    assert not black.sure
    assert black.focus is None
    stranger = live.compare(reference, np.ascontiguousarray(_shown()[::-1, ::-1]))
    assert not stranger.same_room
    assert stranger.shift_px == (0.0, 0.0)
    with pytest.raises(InvalidInput, match="different shape"):
        live.compare(reference, np.zeros((480, 640, 3), np.uint8))
    with pytest.raises(InvalidInput, match="too small"):
        live.prepare(np.zeros((40, 80), np.uint8))
    with pytest.raises(InvalidInput, match="no picture"):
        live.prepare(np.zeros((200, 300, 4), np.uint8))


def test_stills_and_frames_of_clips_are_held_against_the_film_s_reference(tmp_path: Path, film: Path) -> None:
    near_lossless = {"crf": "4", "preset": "ultrafast"}
    shots = [_shown(lamp_x=0.75, seed=20 + n) for n in range(8)]
    write_clip(tmp_path / "clips/cajon wide/a.mov", pictures=shots, options=near_lossless)
    moved = [_shown(seed=40), _shown(lies=(3.0, 0.0, 0.0, 1.0), seed=41)]
    clip = write_clip(tmp_path / "later/b.mov", pictures=moved, options=near_lossless)
    photograph = tmp_path / "still.jpg"
    cv2.imwrite(str(photograph), _shown(lies=(0.0, -2.0, 0.0, 1.0))[..., ::-1])
    with FilmStore.open(film) as store:
        with pytest.raises(InvalidInput, match="no stage take"):
            still.hold(store, clip)
        steps.add(store, [tmp_path / "clips"], silent())
        before = store.head().film
        assert not still.hold(store, clip, frame=0).reading.moved
        there = still.hold(store, clip, frame=1)
        assert there.against == "cajon-1"
        assert there.reading.shift_px == pytest.approx((3.0, 0.0), abs=0.1)
        assert there.reading.white is not None
        own = still.hold(store, tmp_path / "clips/cajon wide/a.mov", frame=3).reading
        assert own.alike
        assert own.focus == pytest.approx(0, abs=0.2)
        shot = still.hold(store, photograph)
        assert shot.reading.shift_px == pytest.approx((0.0, -2.0), abs=0.1)
        assert shot.reading.exposure is None
        assert store.head().film == before
        with pytest.raises(InvalidInput, match="from 0 to 1"):
            still.hold(store, clip, frame=2)
        broken = tmp_path / "broken.png"
        broken.write_bytes(b"no picture")
        with pytest.raises(UnreadableMedia, match="no picture, or damaged"):
            still.hold(store, broken)
        for name in ("missing.jpg", "missing.mov"):
            with pytest.raises(InvalidInput, match="is not there"):
                still.hold(store, tmp_path / name)
    told = CliRunner().invoke(app, ["shoot", "still", str(film), str(clip), "--frame", "1"])
    assert told.exit_code == 1
    assert "The picture lies 3.0" in told.stdout
