import itertools
from fractions import Fraction

import pytest

from partsong.demo import tune
from partsong.film.records import TempoMark
from partsong.film.tempo import Position, time_of
from partsong.timebase import Time


def test_the_waltz_keeps_92_beats_a_minute_exactly():
    song = tune.waltz()
    mark = TempoMark(bar=1, at=Time.of(song.bar_one_s), beats_per_bar=3, bpm_num=92)

    assert song.beat_s == Fraction(60, 92)
    # Twenty bars of three beats at 92 a minute last 60 * 60 / 92 seconds: nothing is rounded on the way.
    assert time_of([mark], Position(21, Fraction(0))) - song.bar_one_s == Fraction(3600, 92)
    assert 38 <= song.length_s <= 42
    assert (song.length_s * 48000).denominator == 1


@pytest.mark.parametrize("part", tune.PARTS)
def test_notes_lie_on_half_or_quarter_beats_as_closely_as_a_person_plays(part):
    song = tune.waltz()
    for note in song.notes[part]:
        beats = (note.at_s - float(song.bar_one_s)) / float(song.beat_s)
        off_s = abs(beats - round(beats * 2) / 2) * float(song.beat_s)
        # 30 ms is where deviations are cut off; 4 ms more is how far the notes of a chord spread.
        assert off_s <= 0.0341


def test_the_first_bars_are_the_same_however_much_is_played():
    whole, short = tune.waltz(), tune.waltz(bars=6)
    for part in tune.PARTS:
        assert short.notes[part] == whole.notes[part][: len(short.notes[part])]
    assert [name for name, _ in short.sections] == ["Introduction", "A"]


def test_every_part_plays_and_chords_count_once():
    song = tune.waltz()
    for part in tune.PARTS:
        onsets = song.onsets_s(part)
        assert len(onsets) >= 20 * 1.5
        assert all(b - a > 0.03 for a, b in itertools.pairwise(onsets))
    assert len(song.notes["harmonium"]) > 1.5 * len(song.onsets_s("harmonium"))


def test_the_tune_rests_on_its_harmony():
    # On the first beat of every bar of the tune, its note belongs to the bar's chord or to its seventh or fourth.
    song = tune.waltz()
    beat_s, first_s = float(song.beat_s), float(song.bar_one_s)
    at_home = 0
    for bar in range(3, 21):
        start_s = first_s + (bar - 1) * 3 * beat_s
        here = [n.pitch % 12 for n in song.notes["melodica"] if abs(n.at_s - start_s) < 0.05]
        chord = {n.pitch % 12 for n in song.notes["harmonium"] if start_s - 0.05 < n.at_s < start_s + 1.5}
        at_home += bool(set(here) & chord)
    assert at_home >= 14


def test_the_other_song_has_another_tempo_metre_and_key():
    other, song = tune.polka(), tune.waltz()
    assert (other.bpm, other.beats_per_bar) != (song.bpm, song.beats_per_bar)
    f_major = {5, 7, 9, 10, 0, 2, 4}
    d_major = {2, 4, 6, 7, 9, 11, 1}
    played = {note.pitch % 12 for note in other.notes["melodica"]}
    assert played <= f_major
    assert not played <= d_major


def test_a_seed_decides_the_playing():
    assert tune.waltz(seed=3) == tune.waltz(seed=3) != tune.waltz(seed=4)
