"""A film is begun whole or not at all."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import soundfile

from partsong.errors import InvalidInput, UnreadableMedia
from partsong.film.store import FilmStore
from partsong.film.tempo import Position, time_of
from partsong.shoot import begin


def _wav(path: Path, seconds: float, rate_hz: int = 48000) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    noise = np.random.default_rng(len(path.name)).normal(0, 0.1, round(seconds * rate_hz))
    soundfile.write(path, noise, rate_hz)
    return path


@pytest.fixture
def mix(tmp_path: Path) -> Path:
    return _wav(tmp_path / "song" / "mix.wav", 2)


def test_parts_come_in_the_order_of_the_stems_with_their_names_as_given(tmp_path: Path, mix: Path) -> None:
    stems = [_wav(tmp_path / "song" / f"{name}.wav", 2) for name in ("b", "a", "c")]
    head = begin.new_film(
        tmp_path / "waltz",
        song=mix,
        stems=(f"cajo\N{COMBINING ACUTE ACCENT}n={stems[0]}", f"Upright Bass = {stems[1]}", f"尺八={stems[2]}"),
        title="Boathouse Waltz",
        bpm="184/2",
        beats_per_bar=3,
        bar_one_s="0.5",
    )
    assert [(part.id, part.name) for part in head.film.parts] == [
        ("cajon", "cajón"),
        ("upright-bass", "Upright Bass"),
        ("part-3", "尺八"),
    ]
    song = head.film.song
    assert song is not None
    assert [stem.part for stem in song.stems] == ["cajon", "upright-bass", "part-3"]
    assert song.length_s == 2
    assert song.mix.file.path == "song/mix.wav"
    # One bar of 3 beats at 92 beats a minute after half a second: exact.
    assert time_of(song.tempo, Position(2, Fraction(0))) == Fraction(1, 2) + 3 * Fraction(60, 92)
    with FilmStore.open(tmp_path / "waltz") as store:
        assert store.head() == head
    assert begin.remarks(song, head.film.parts) == ()


@pytest.mark.parametrize(("text", "num", "den"), [("92", 92, 1), ("92.5", 185, 2), ("184/2", 92, 1), ("0.1", 1, 10)])
def test_tempo_is_exact(tmp_path: Path, mix: Path, text: str, num: int, den: int) -> None:
    song = begin.new_film(tmp_path / "f", song=mix, bpm=text).film.song
    assert song is not None
    assert (song.tempo[0].bpm_num, song.tempo[0].bpm_den) == (num, den)


def test_without_tempo_there_is_no_map_and_the_title_is_the_files_name(tmp_path: Path, mix: Path) -> None:
    film = begin.new_film(tmp_path / "f", song=mix).film
    assert film.song is not None
    assert (film.name, film.song.tempo) == ("mix", ())


def test_stems_of_another_length_are_told(tmp_path: Path, mix: Path) -> None:
    # A frame is 1/24 s at most: 41 ms of difference is none, 60 ms is one.
    near, far = _wav(tmp_path / "near.wav", 2.041), _wav(tmp_path / "far.wav", 1.94)
    film = begin.new_film(tmp_path / "f", song=mix, stems=(f"one={near}", f"two={far}")).film
    assert film.song is not None
    told = begin.remarks(film.song, film.parts)
    assert len(told) == 1
    assert told[0].startswith("The stem of two is 0.06 s shorter than the mix (00:02.00)")


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"song": Path("nowhere.wav")}, "The song is not there: nowhere.wav"),
        ({"stems": ("cajon",)}, "does not say which part"),
        ({"stems": ("=x.wav",)}, "does not say which part"),
        ({"stems": ("cajon=nowhere.wav",)}, "The stem of cajon is not there"),
        ({"stems": ("cajón=a.wav", "Cajon=b.wav")}, "would be one part"),
        ({"bpm": "fast"}, "The tempo 'fast' is not a number"),
        ({"bpm": "0"}, "out of range"),
        ({"bpm": "9200"}, "out of range"),
        ({"bpm": "92", "bar_one_s": "2"}, "after the song's end"),
        ({"bar_one_s": "1"}, "the song has no tempo"),
        ({"bpm": "92", "beats_per_bar": 0}, "beats is out of range"),
    ],
)
def test_what_cannot_be_used_leaves_nothing_behind(
    tmp_path: Path, mix: Path, changes: dict[str, object], sentence: str
) -> None:
    with pytest.raises(InvalidInput, match=sentence):
        begin.new_film(tmp_path / "waltz", **{"song": mix, **changes})  # type: ignore[arg-type]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["song"]


def test_files_that_are_no_sound_leave_nothing_behind(tmp_path: Path, mix: Path) -> None:
    for content, reason in ((b"", "empty"), (b"These are words, not sound.\n" * 99, "text file")):
        bad = tmp_path / "bad.wav"
        bad.write_bytes(content)
        with pytest.raises(UnreadableMedia, match=reason):
            begin.new_film(tmp_path / "waltz", song=bad)
        with pytest.raises(UnreadableMedia, match=reason):
            begin.new_film(tmp_path / "waltz", song=mix, stems=(f"one={bad}",))
        assert not (tmp_path / "waltz").exists()


def test_an_existing_film_is_left_alone(tmp_path: Path, mix: Path) -> None:
    before = begin.new_film(tmp_path / "waltz", song=mix)
    with pytest.raises(InvalidInput, match="already holds a film"):
        begin.new_film(tmp_path / "waltz", song=mix, title="Another")
    with FilmStore.open(tmp_path / "waltz") as store:
        assert store.head() == before
