"""The atlas holds the right frame of each take at each moment, and only what changed is made anew."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

import clips
from partsong.engine.local import Local
from partsong.errors import InvalidInput
from partsong.film.coverage import placed_takes
from partsong.film.folder import FilmFolder
from partsong.film.records import Film, Part, Placement, Song, Take
from partsong.media.picture import open_picture
from partsong.media.planes import Planes
from partsong.media.probe import probe
from partsong.media.sound import load_sound, write_wav
from partsong.render import atlas
from partsong.timebase import SAMPLES, Rate, Time
from partsong.watch import silent

# name: (clip's options, start on the song in seconds, clock in ppm)
TAKES = {
    "cello": ({"frames": 150}, Fraction(-3, 5), 0.0),
    "oboe": ({"frames": 120, "codec": "libx265", "pixel_format": "yuv422p10le", "b_frames": 2}, Fraction(1, 3), 9000.0),
    "celesta": ({"frames": 60, "rate": "30000/1001", "value_range": "full"}, Fraction(11, 5), 0.0),
}
RATE = Rate.of(25)


def film_in(root: Path, takes: dict = TAKES) -> tuple[FilmFolder, Film]:
    folder = FilmFolder(root / "film")
    song = root / "song.wav"
    write_wav(song, [clips.tone(5.0)])
    records, placements = [], []
    for name, (options, start, ppm) in takes.items():
        path = root / f"{name}.mov"
        if not path.exists():
            clips.clip(path, **options)
        records.append(Take(id=name, kind="stage", part=name, clip=probe(path, folder.refer(path))))
        placements.append(Placement(take=name, confidence="sure", start=Time.of(start, SAMPLES), drift_ppm=ppm))
    return folder, Film(
        name="three", rate=RATE, width=clips.WIDTH, height=clips.HEIGHT,
        song=Song(title="Three", mix=probe(song, folder.refer(song))),
        parts=tuple(Part(id=name, name=name) for name in takes),
        takes=tuple(records), placements=tuple(placements),
    )  # fmt: skip


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    root = tmp_path_factory.mktemp("atlas")
    folder, film = film_in(root)
    return folder, film, atlas.make_atlas(folder, film, silent(), Local(2))


def pictures(folder: FilmFolder, path: Path) -> list[Planes]:
    clip = probe(path, folder.refer(path))
    with open_picture(path, clip.picture) as reader:
        return [
            Planes(planes.y.copy(), planes.u.copy(), planes.v.copy(), 8, planes.matrix, planes.value_range)
            for planes in reader.read(range(clip.picture.frames))
        ]


def test_each_tile_shows_the_frame_that_the_placement_names(made):
    folder, film, path = made
    layout = atlas.layout_of(film)
    seen = pictures(folder, path)
    assert len(seen) == layout.frames == 125
    shown = dict.fromkeys(TAKES, 0)
    for tile, placed in zip(layout.tiles, placed_takes(film), strict=True):
        assert (tile.width, tile.height) == (clips.WIDTH, clips.HEIGHT)  # never larger than the film
        for frame, planes in enumerate(seen):
            box = np.s_[tile.y : tile.y + tile.height, tile.x : tile.x + tile.width]
            half = np.s_[tile.y // 2 : (tile.y + tile.height) // 2, tile.x // 2 : (tile.x + tile.width) // 2]
            cut = Planes(planes.y[box], planes.u[half], planes.v[half], 8, "bt709", "limited")
            if tile.first <= frame < tile.stop:
                assert clips.number_in(cut) == placed.source_frame(frame), (tile.take, frame)
                shown[tile.take] += 1
            else:
                assert cut.y.max() <= 20  # black, and what the encoder makes of it
    assert shown == {"cello": 125, "oboe": 117, "celesta": 50}


def test_it_sounds_as_the_song_does(made):
    folder, film, path = made
    heard = load_sound(path)
    wanted = load_sound(folder.locate(film.song.mix.file))
    assert len(heard) == len(wanted)
    inside = slice(4800, -4800)
    assert np.sqrt(np.mean((heard[inside, 0] - wanted[inside, 0]) ** 2)) < 0.01  # AAC of a pure tone


def test_moving_one_take_keeps_the_rest(made):
    folder, film, path = made

    def files(kind: str) -> set[Path]:
        return set((folder.root / "cache" / kind).glob("*.mp4"))

    tiles, parts = files("tile"), files("atlas-parts")
    later = Placement(take="celesta", confidence="sure", start=Time.of(Fraction(12, 5), SAMPLES))
    moved = film.replace(placements=(*film.placements[:2], later))
    assert atlas.make_atlas(folder, film, silent()) == path
    again = atlas.make_atlas(folder, moved, silent(), Local(1))
    assert again != path
    assert files("tile") == tiles  # no take was decoded again
    fresh = files("atlas-parts") - parts
    # Both segments hold some of the celesta: it ends in the second. The first one alone holds its beginning.
    assert len(parts) == len(fresh) == 2


def test_a_take_that_differs_in_shape_keeps_its_shape(tmp_path):
    takes = {**TAKES, "horn": ({"frames": 20, "width": 64, "height": 96}, Fraction(0), 0.0)}
    _, film = film_in(tmp_path, takes)
    tiles = atlas.layout_of(film).tiles
    assert (tiles[3].width, tiles[3].height) == (40, 64)  # 42.7 wide, down to a whole block of 4


def test_twelve_takes_fit_a_screen(tmp_path):
    _, film = film_in(tmp_path)
    takes = tuple(film.takes[0].replace(id=f"take-{n}") for n in range(12))
    many = film.replace(
        width=3840,
        height=2160,
        takes=takes,
        placements=tuple(film.placements[0].replace(take=take.id) for take in takes),
    )
    layout = atlas.layout_of(many)
    assert 1280 <= layout.width <= 1920
    assert layout.height <= 1080
    boxes = [(tile.x, tile.y, tile.x + tile.width, tile.y + tile.height) for tile in layout.tiles]
    for n, a in enumerate(boxes):
        assert a[2] <= layout.width
        assert a[3] <= layout.height
        assert not any(a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3] for b in boxes[n + 1 :])


def test_a_film_without_placed_takes_has_no_atlas(tmp_path):
    folder, film = film_in(tmp_path)
    with pytest.raises(InvalidInput, match="Place them first: partsong lineup place"):
        atlas.make_atlas(folder, film.replace(placements=()), silent())
