"""Stage from files to the merged wide."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from fractions import Fraction

import numpy as np
import pytest

import acescct
from partsong.engine.local import Local
from partsong.errors import Cancelled, InvalidInput
from partsong.film.records import Shot
from partsong.film.store import FilmStore
from partsong.media.picture import open_picture
from partsong.render import pixels
from partsong.render.plan import plan_frames
from partsong.render.wide import encoding_of, merged_wide, segment_key, wide_key
from partsong.stage.steps import MaskWish, Merged, merge, propose, register, set_mask, set_order
from partsong.timebase import SAMPLES, Rate, Time
from partsong.watch import Watch, silent


@pytest.fixture(scope="module")
def proposed(three):
    with three() as store:
        propose(store, silent())
    return three


def test_each_oval_lies_on_its_player(proposed, small):
    with proposed() as store:
        stage = store.head().film.stage
    assert set(stage.order) == set(small.players)
    for name, x in small.players.items():
        mask = stage.mask_of(name)
        # The body is 18 wide and 48 high and sways by 7 about (x, 82), on the reference's frame.
        assert mask.shape.x == pytest.approx(x, abs=8)
        assert mask.shape.y == pytest.approx(82, abs=14)
        assert mask.shape.rx > 16
        assert mask.shape.ry > 24
        assert mask.feather_px == pytest.approx(0.05 * small.width)


def test_the_nudged_camera_is_found(proposed):
    with proposed() as store:
        stage = store.head().film.stage
    assert stage.reference == "cello"
    moved = stage.registration_of("oboe")
    # The picture went 3 left and 2 down, so it has to go back; a tenth of a pixel is our mark for locked-off takes.
    assert (moved.first.dx_px, moved.first.dy_px) == (pytest.approx(3, abs=0.1), pytest.approx(-2, abs=0.1))
    assert moved.certainty > 0.5


def test_unless_one_is_chosen_the_reference_is_the_take_that_was_filmed_first(proposed):
    """As on the day itself: whichever part comes first in the score."""
    with proposed() as store:
        film = store.head().film
        turned = film.replace(parts=film.parts[::-1], stage=film.stage.replace(reference=None, registrations=()))
        store.change("The score turned about", lambda _: turned)
        again = register(store, silent()).film.stage
        assert again.reference == film.takes[0].id == "cello"
        chosen = turned.replace(stage=turned.stage.replace(reference="oboe"))
        store.change("Chose another", lambda _: chosen)
        assert register(store, silent()).film.stage.reference == "oboe"
        store.change("As before", lambda _: film)


def test_the_wide_is_the_merge_of_the_decoded_frames(proposed, small):
    with proposed() as store:
        film, folder = store.head().film, store.folder
        with pytest.raises(InvalidInput, match=r"not merged from 00:00.00 to 00:01.00 of the song \(frames 0 to 24\)"):
            merged_wide(folder, film, range(25))
        assert merge(store, silent(), engine=Local(1)) == Merged(made=25, kept=0, left=0)
        assert merge(store, silent(), engine=Local(1)) == Merged(made=0, kept=25, left=0)
    wide = merged_wide(folder, film, range(25))
    picture = wide.picture
    assert (picture.frames, picture.rate, picture.width, picture.height) == (25, film.rate, small.width, small.height)
    assert (picture.bit_depth, picture.matrix, picture.value_range) == (10, "bt709", "limited")
    frames = dict(zip((5, 20), wide.read([5, 20]), strict=True))
    # By song frame 5 the celesta (from frame 10 on) has no picture yet, and the takes beneath show.
    early, late = (
        defined(small, film, folder, 5, ["cello", "oboe"]),
        defined(small, film, folder, 20, list(film.stage.order)),
    )
    for number, expected in ((5, early), (20, late)):
        error = frames[number].y.astype(float) - expected.y
        # The intermediate is nearly lossless (crf 4): about a code and a half, on average, at ten bits.
        assert np.abs(error).mean() < 1.5
        assert np.abs(error).max() < 16
    assert np.abs(frames[5].y.astype(float) - late.y).max() > 50


def defined(small, film, folder, song_frame, present):
    """Merge by the definition, from the takes' own decoded frames."""
    layers, alphas, shifts = [], [], []
    x, y = np.arange(small.width)[None, :], np.arange(small.height)[:, None]
    for name in (name for name in film.stage.order if name in present):
        take, mask, moved = film.take(name), film.stage.mask_of(name), film.stage.registration_of(name)
        source = song_frame - (10 if name == "celesta" else 0)
        with open_picture(folder.locate(take.clip.file), take.picture) as reader:
            layers.append(next(iter(reader.read([source]))))
        alphas.append(pixels.shape_alpha(mask.shape, mask.feather_px, x, y))
        shifts.append((round(moved.first.dx_px), round(moved.first.dy_px)))
    return pixels.merged(layers, pixels.layer_weights(alphas), acescct.CURVE, shifts=shifts)


def test_a_hand_set_oval_outlives_a_new_proposal_and_asks_for_a_new_wide(proposed):
    with proposed() as store:
        before = wide_key(store.head().film)
        film = set_mask(store, "oboe", MaskWish(rx=40.0, feather_px=8.0)).film
        assert film.stage.mask_of("oboe").by_hand
        assert wide_key(film) != before
        propose(store, silent())
        mask = store.head().film.stage.mask_of("oboe")
        assert (mask.shape.rx, mask.feather_px) == (40.0, 8.0)
        for _ in range(2):
            store.undo()
        assert wide_key(store.head().film) == before


def test_a_change_to_one_take_leaves_the_keys_of_segments_without_it(proposed):
    with proposed() as store:
        film = store.head().film
    encoding = encoding_of(film)
    moved = film.replace(
        placements=tuple(
            placed.replace(start=Time.of(Fraction(3, 5), SAMPLES)) if placed.take == "celesta" else placed
            for placed in film.placements
        )
    )
    for span, same in ((range(5), True), (range(10, 25), False)):
        keys = [segment_key(one, encoding, plan_frames(one, span)) for one in (film, moved)]
        assert (keys[0] == keys[1]) is same


def test_a_stopped_merge_leaves_nothing_half_and_goes_on(small, tmp_path):
    with small.made_film(tmp_path, {"cello": small.Painted(50), "oboe": small.Painted(122)}, {}) as store:
        propose(store, silent())
        seen = []
        with pytest.raises(Cancelled):
            merge(store, Watch(seen.append, lambda: len(seen) > 16), engine=Local(1))
        # Three segments of five frames were finished and are kept; of the running one nothing is left.
        assert len([path for path in (store.folder.root / "cache").rglob("*.mov")]) == 3
        assert merge(store, silent(), engine=Local(1)) == Merged(made=10, kept=15, left=0)


@pytest.mark.skipif(sys.platform == "win32", reason="kill -9")
def test_a_killed_merge_goes_on_from_its_finished_segments(small, tmp_path):
    clips = {name: small.Painted(small.players[name], frames=225) for name in ("cello", "oboe")}
    with small.made_film(tmp_path, clips, {}, song_s=8.5) as store:
        propose(store, silent())
    program = (
        "from partsong.engine.local import Local\n"
        "from partsong.film.store import FilmStore\n"
        "from partsong.stage.steps import merge\n"
        "from partsong.watch import silent\n"
        f"with FilmStore.open({str(tmp_path / 'film')!r}) as store:\n"
        "    merge(store, silent(), engine=Local(1))\n"
    )
    process = subprocess.Popen([sys.executable, "-c", program])
    parts = tmp_path / "film" / "cache" / "wide"
    until = time.monotonic() + 60
    while not list(parts.glob("[!.]*.mov")):
        assert process.poll() is None
        assert time.monotonic() < until
        time.sleep(0.01)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    finished = list(parts.glob("[!.]*.mov"))
    # 8.5 s at 25 frames a second, the last one partly filled: 213 frames in 36 segments of 5 or 6.
    assert 1 <= len(finished) < 36
    with FilmStore.open(tmp_path / "film") as store:
        merged = merge(store, silent(), engine=Local(1))
    assert merged.made + merged.kept == 213
    assert merged.kept in range(5 * len(finished), 6 * len(finished) + 1)


def test_only_what_the_cut_shows_is_merged_and_only_what_changed_again(proposed):
    with proposed() as store:
        shots = (("cello", 0, 2), ("wide", 2, 12), ("cello", 12, 25))
        cut = tuple(Shot(source=source, start=start, end=end) for source, start, end in shots)
        store.change("Cut", lambda film: film.replace(cut=cut))
        set_mask(store, "oboe", MaskWish(rx=43.0))  # shows from the first frame on: nothing is merged yet
        # Segments are five frames long.
        assert merge(store, silent(), engine=Local(1)) == Merged(made=15, kept=0, left=10)
        assert merge(store, silent(), whole=True, engine=Local(1)) == Merged(made=10, kept=15, left=0)
        # The celesta comes in at frame 10: what lies before that is not merged again when its mask changes.
        set_mask(store, "celesta", MaskWish(rx=30.0))
        film = store.head().film
        with pytest.raises(InvalidInput, match=r"frames 10 to 24\)\. Merge it: partsong stage merge .* --all"):
            merged_wide(store.folder, film, range(25))
        with pytest.raises(InvalidInput, match=r"frames 10 to 14\)\. Merge it: partsong stage merge \S+$"):
            merged_wide(store.folder, film, range(2, 12))
        assert merge(store, silent(), whole=True, engine=Local(1)) == Merged(made=15, kept=10, left=0)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"size": (160, 90)}, r"oboe is 160 x 90 pixels, but the film is 240 x 136"),
        ({"rate": Rate(num=30)}, r"oboe runs at 30 frames a second, but the film at 25"),
    ],
)
def test_takes_that_differ_are_refused_in_one_sentence(small, tmp_path, change, match):
    clips = {"cello": small.Painted(50), "oboe": small.Painted(60, **change)}
    with small.made_film(tmp_path, clips, {}) as store, pytest.raises(InvalidInput, match=match):
        propose(store, silent())


def test_an_encoding_that_is_not_known_is_asked_for(proposed):
    with proposed() as store:
        film = store.head().film
        takes = tuple(take.replace(input_space=None) for take in film.takes)
        with pytest.raises(InvalidInput, match="partsong look set FILM"):
            encoding_of(film.replace(takes=takes))
        takes = (film.takes[0], film.takes[1].replace(input_space="ACEScc"), *film.takes[2:])
        with pytest.raises(InvalidInput, match="encoded differently"):
            encoding_of(film.replace(takes=takes))


def test_orders_and_ovals_that_cannot_be_are_refused(proposed):
    with proposed() as store:
        with pytest.raises(InvalidInput, match="no take 'viola'"):
            set_order(store, ["cello", "viola"])
        with pytest.raises(InvalidInput, match="two entries for layer 'cello'"):
            set_order(store, ["cello", "cello"])
        with pytest.raises(InvalidInput, match="rx"):
            set_mask(store, "cello", MaskWish(rx=-3.0))
        store.change("Dropped the ovals", lambda film: film.replace(stage=film.stage.replace(masks=())))
        with pytest.raises(InvalidInput, match="no mask yet"):
            set_mask(store, "cello", MaskWish(x=3.0))
        store.undo()
