"""Crops of a tiny film: real codecs and files, held against another library's crop."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path

import av
import numpy as np
import pytest
from numpy.typing import NDArray
from typer.testing import CliRunner

from partsong.cli.main import app
from partsong.engine.local import Local
from partsong.errors import InvalidInput, NoSuchRecord
from partsong.film.folder import FilmFolder
from partsong.film.records import WIDE, Crop, CropMark, Film
from partsong.film.store import FilmStore
from partsong.media.frames import planes_of
from partsong.media.probe import probe
from partsong.render.wide import place, segments_of
from partsong.signoff import crop_steps, steps
from partsong.signoff.masters import plan_master
from partsong.signoff.paint import painter_for
from partsong.watch import silent


@pytest.fixture
def store(made: tuple[FilmFolder, Film]) -> Iterator[FilmStore]:
    """The film of three bars in its store."""
    folder, film = made
    with FilmStore.open(folder.root) as opened:
        opened.change("Made", lambda _: film)
        yield opened


def test_every_shot_is_framed_where_the_bar_of_light_moves(store: FilmStore) -> None:
    film = crop_steps.propose_crop(store, "1:1", silent()).film
    # The bar is 12 pixels wide and moves two a frame: its middle passes these of 128 pixels; 72 are shown.
    for source, start, first, last in ((WIDE, 0, 6, 64), ("cajon-1", 50, 6, 52)):
        x, y = film.crop("1:1").centre(source, start)
        assert 36 / 128 <= x <= max(36, last) / 128
        assert x * 128 - 36 <= first + 2
        assert x * 128 + 36 >= last - 2
        assert y == pytest.approx(0.5, abs=0.03)


def test_the_master_of_a_crop_is_that_window_of_the_whole_one(store: FilmStore) -> None:
    crop = Crop(shape="9:16", marks=(CropMark(source=WIDE, start=0, x=0.4),))
    film = store.change("Framed", lambda film: film.replace(crops=(crop,))).film
    whole, cut = (
        steps.make_masters(store.folder, film, ("mezzanine",), watch=silent(), engine=Local(1), crop=each)[0]
        for each in (None, crop)
    )
    assert cut.path.name == "three-bars-9x16.mov"
    assert not any(check.needs_decision for check in cut.checks)
    info = probe(cut.path, store.folder.refer(cut.path)).picture
    assert info is not None
    assert (info.width, info.height, info.frames) == (40, 72, 75)
    # The reference is the media library's own crop filter on the whole master: 0.4 x 128 - 20 = 31.2, even: 30.
    wanted, seen = filtered(whole.path, "crop=40:72:30:0"), filtered(cut.path, "null")
    assert np.abs(wanted[:30] - seen[:30]).max() <= 12  # two encodings of the same codes, at ten bits
    assert np.abs(wanted[:30] - filtered(whole.path, "crop=40:72:32:0")[:30]).max() > 100


def filtered(path: Path, graph: str) -> NDArray[np.int32]:
    """Return the luma of all frames of a file after a filter of the media library, (frames, height, width)."""
    found = []
    with av.open(path) as container:
        stream = container.streams.video[0]
        chain = av.filter.Graph()
        source, name = chain.add_buffer(template=stream), graph.partition("=")
        chain.link_nodes(source, chain.add(name[0], name[2]), chain.add("buffersink")).configure()
        for frame in container.decode(stream):
            chain.push(frame)
            found.append(planes_of(chain.pull(), "bt709", "limited").y.astype(np.int32))
    return np.array(found)


def test_a_take_of_another_shape_fills_the_crop(store: FilmStore) -> None:
    film = store.head().film
    plan = plan_master(film, Crop(shape="1:1"))
    (roaming,) = painter_for(store.folder, film, plan, "mezzanine").pictures([40])
    # 96 x 72 stands between black sides in the whole frame; in the square its middle 72 columns fill everything.
    assert (roaming.width, roaming.height) == (72, 72)
    assert (roaming.y > 64).all()


def test_moving_one_shot_leaves_the_others(store: FilmStore) -> None:
    before = crop_steps.propose_crop(store, "9:16", silent()).film.crop("9:16")
    after = crop_steps.move_crop(store, "9:16", 1.5, x=0.2, y=None).film.crop("9:16")
    assert after.centre("roaming-1", 30) == (0.2, before.centre("roaming-1", 30)[1])
    for source, start in ((WIDE, 0), ("cajon-1", 50)):
        assert after.centre(source, start) == before.centre(source, start)
    # A shot of the same source that comes later keeps its own, even where it had no mark of its own.
    film = store.head().film
    again = (*film.cut[:2], film.cut[2].replace(end=60), film.cut[1].replace(start=60, end=75))
    store.change("Cut", lambda film: film.replace(cut=again))
    moved = crop_steps.move_crop(store, "9:16", 1.5, x=0.9, y=None).film.crop("9:16")
    assert moved.centre("roaming-1", 30)[0] == 0.9
    assert moved.centre("roaming-1", 60)[0] == 0.2


def test_segments_of_the_whole_frame_do_not_hang_on_crops(store: FilmStore) -> None:
    film = store.head().film

    def keys(crop: Crop | None) -> list[str]:
        plan = plan_master(film, crop)
        return [each.key for each in painter_for(store.folder, film, plan, "h264").segments(plan)]

    left, right = (Crop(shape="1:1", marks=(CropMark(source=WIDE, start=0, x=x),)) for x in (0.2, 0.8))
    assert keys(None) == keys(None)
    assert len({keys(each)[0] for each in (None, left, right)}) == 3
    assert steps.picture_key(film) != steps.picture_key(film, left) != steps.picture_key(film, right)


def test_the_page_shows_every_shot_and_the_command_moves_and_drops(store: FilmStore) -> None:
    root = str(store.folder.root)
    run = CliRunner().invoke(app, ["signoff", "crop", root, "9:16", "--json"])
    assert run.exit_code == 0, run.output
    told = json.loads(run.stdout)
    assert [shot["source"] for shot in told["shots"]] == [WIDE, "roaming-1", "cajon-1"]
    page = Path(told["page"]).read_text(encoding="utf-8")
    assert page.count("data:image/jpeg;base64,") == 3
    assert "http" not in page
    assert "bar 1, beat 1: wide" in page
    moved = CliRunner().invoke(app, ["signoff", "crop", root, "9:16", "--at", "0", "--x", "0.7"])
    assert moved.exit_code == 0, moved.output
    assert store.head().film.crop("9:16").centre(WIDE, 0)[0] == 0.7
    assert CliRunner().invoke(app, ["signoff", "crop", root, "9:16", "--drop"]).exit_code == 0
    assert store.head().film.crops == ()


@pytest.mark.parametrize(
    ("shape", "told"),
    [
        ("9x16", "'9x16' is no shape; write its width and height, of one or two digits"),
        ("1:9", "too thin"),
    ],
)
def test_what_is_no_shape_is_refused(store: FilmStore, shape: str, told: str) -> None:
    before = store.head().revision.number
    with pytest.raises(InvalidInput, match=told):
        crop_steps.propose_crop(store, shape, silent())
    assert store.head().revision.number == before


def test_a_crop_that_is_not_there_and_a_share_that_is_none_are_refused(store: FilmStore) -> None:
    with pytest.raises(NoSuchRecord, match=r"no crop '4:5'\. It has: none yet"):
        crop_steps.move_crop(store, "4:5", 0, x=0.5, y=None)
    crop_steps.propose_crop(store, "4:5", silent())
    with pytest.raises(InvalidInput, match="less than or equal to 1"):
        crop_steps.move_crop(store, "4:5", 0, x=1.5, y=None)
    with pytest.raises(InvalidInput, match="No shot plays at 99 s"):
        crop_steps.move_crop(store, "4:5", 99, x=0.5, y=None)


def test_a_wide_that_is_not_merged_is_named(store: FilmStore) -> None:
    for segment in segments_of(store.head().film, range(30)):
        place(store.folder, segment).unlink()
    with pytest.raises(InvalidInput, match="not merged"):
        crop_steps.propose_crop(store, "9:16", silent())
