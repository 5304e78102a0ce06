"""The score of "Boathouse Waltz", written for this project, and how its musician plays it.

The waltz stands in D major at 92 beats a minute: two bars of introduction, a section A and a section B of eight bars
each, and two bars of ending with the minor fourth. "Lantern Polka" is another song, of which one clip has strayed
onto the card.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

PART_NAMES = {
    "cajon": "Cajón",
    "upright-bass": "Upright bass",
    "harmonium": "Harmonium",
    "glockenspiel": "Glockenspiel",
    "melodica": "Melodica",
}
"""The parts in score order: id and name."""

PARTS = tuple(PART_NAMES)
RING_OUT_S = Fraction(5, 2)
"""How long the last bar may ring before the song ends."""

# How far the musician strays from the written time, as a standard deviation in seconds.
_LOOSENESS_S = {"cajon": 0.004, "upright-bass": 0.008, "harmonium": 0.010, "glockenspiel": 0.006, "melodica": 0.009}


@dataclass(frozen=True, slots=True)
class Note:
    """One played note: when it starts in song time, how long it is held, its MIDI pitch, its force from 0 to 1.

    ``touch`` tells strokes of the cajón apart: ``bass``, ``slap`` or ``tip``.
    """

    at_s: float
    held_s: float
    pitch: int
    force: float
    touch: str = ""


@dataclass(frozen=True, slots=True)
class Performance:
    """A played song: its tempo, exactly, and the notes of each part in order of their start."""

    title: str
    bpm: int
    beats_per_bar: int
    bars: int
    bar_one_s: Fraction
    sections: tuple[tuple[str, int], ...]
    notes: dict[str, tuple[Note, ...]]

    @property
    def beat_s(self) -> Fraction:
        """The length of a beat in seconds."""
        return Fraction(60, self.bpm)

    @property
    def length_s(self) -> Fraction:
        """The length of the song in seconds, a whole number of 48 kHz samples."""
        played = self.bar_one_s + self.bars * self.beats_per_bar * self.beat_s + RING_OUT_S
        return Fraction(-((-played * 48000).__floor__()), 48000)

    def onsets_s(self, part: str) -> list[float]:
        """Return when something of a part starts to sound, chords once (within 30 ms)."""
        onsets: list[float] = []
        for note in self.notes[part]:
            if not onsets or note.at_s - onsets[-1] > 0.03:
                onsets.append(note.at_s)
        return onsets


# A written note: bar from 1, beat from 0, length in beats, MIDI pitch, force, touch.
_Written = tuple[int, float, float, int, float, str]

# --- the waltz, bar by bar -------------------------------------------------------------------------

# (root, other bass note, the harmonium's chord)
_D, _BM, _G, _A7 = (38, 33, (62, 66, 69)), (35, 42, (62, 66, 71)), (43, 38, (62, 67, 71)), (33, 40, (61, 64, 67))
_FSM, _D_FS, _EM = (42, 37, (61, 66, 69)), (42, 45, (62, 66, 69)), (40, 35, (64, 67, 71))
_GM, _D_A, _GM_D = (43, 38, (62, 67, 70)), (45, 38, (62, 66, 69)), (38, 38, (62, 67, 70))
_CHORDS = (
    *(_D, _A7),
    *(_D, _BM, _G, _A7, _D, _G, _A7, _D),
    *(_BM, _FSM, _G, _D_FS, _EM, _GM, _D_A, _A7),
    *(_GM_D, _D),
)
WALTZ_BARS = len(_CHORDS)

# The tune from the second bar on: (pitch, beats) a bar; None is a rest.
_TUNE: dict[int, tuple[tuple[int | None, float], ...]] = {
    2: ((None, 2), (69, 0.5), (73, 0.5)),
    3: ((74, 1), (78, 1), (81, 1)),
    4: ((81, 1.5), (79, 0.5), (78, 1)),
    5: ((79, 2), (76, 1)),
    6: ((76, 1), (78, 0.5), (76, 0.5), (73, 1)),
    7: ((74, 1), (78, 1), (81, 1)),
    8: ((83, 1.5), (81, 0.5), (79, 1)),
    9: ((78, 1), (76, 1), (73, 1)),
    10: ((74, 2), (None, 0.5), (76, 0.5)),
    11: ((78, 2), (74, 1)),
    12: ((73, 2), (69, 1)),
    13: ((71, 1), (74, 1), (79, 1)),
    14: ((78, 2), (76, 1)),
    15: ((76, 1), (79, 1), (83, 1)),
    16: ((82, 1.5), (81, 0.5), (79, 1)),
    17: ((81, 1), (78, 1), (74, 1)),
    18: ((76, 1.5), (78, 0.5), (73, 1)),
    19: ((74, 3),),
    20: ((74, 2.6),),
}


def _melodica() -> Iterator[_Written]:
    for bar, line in _TUNE.items():
        beat = 0.0
        for pitch, beats in line:
            if pitch is not None:
                yield bar, beat, beats * 0.93, pitch, 0.75 if beat == 0 else 0.62, ""
            beat += beats


def _glockenspiel() -> Iterator[_Written]:
    for bar, (_, _, chord) in enumerate(_CHORDS, start=1):
        low, middle, high = (pitch + 24 for pitch in chord)
        if bar <= 2 or bar in (6, 10):  # the answers between the phrases of the tune
            for step, pitch in enumerate((low, middle, high, high + 12 if bar == 10 else middle, high, middle)):
                yield bar, step / 2, 0.5, pitch, 0.6 - 0.05 * (step % 2), ""
        elif bar == 20:
            for step, pitch in enumerate((low, middle, high, low + 12)):
                yield bar, step / 2, 1.0, pitch, 0.6 - 0.08 * step, ""
        elif 15 <= bar <= 18:  # joins the tune, an octave above
            beat = 0.0
            for tune_pitch, beats in _TUNE[bar]:
                if tune_pitch is not None:
                    yield bar, beat, beats, tune_pitch + 12, 0.6, ""
                beat += beats
        else:
            yield bar, 1.0, 0.5, middle, 0.45, ""
            yield bar, 1.5, 0.5, high, 0.4, ""
            yield bar, 2.0, 0.8, low + 12 if bar % 2 else middle, 0.5, ""


def _harmonium() -> Iterator[_Written]:
    for bar, (_, _, chord) in enumerate(_CHORDS, start=1):
        if 11 <= bar <= 18:  # off the beat under section B
            yield bar, 0.0, 2.8, chord[0] - 12, 0.6, ""
            for beat in (1.0, 2.0):
                for pitch in chord:
                    yield bar, beat, 0.7, pitch, 0.5, ""
        else:
            for pitch in (chord[0] - 12, *chord):
                yield bar, 0.0, 2.9, pitch, 0.5, ""


def _bass() -> Iterator[_Written]:
    for bar, (root, other, _) in enumerate(_CHORDS, start=1):
        last = bar == WALTZ_BARS
        yield bar, 0.0, 3.0 if last else 1.9, root, 0.85, ""
        if last:
            continue
        following = _CHORDS[bar][0]
        yield bar, 2.0, 0.9, other, 0.6, ""
        if bar % 4 == 2 and abs(following - other) > 2:  # a step into the next root
            yield bar, 2.5, 0.45, following + (2 if other > following else -2), 0.5, ""


def _cajon() -> Iterator[_Written]:
    for bar in range(1, WALTZ_BARS + 1):
        yield bar, 0.0, 0.3, 36, 0.9, "bass"
        if bar == WALTZ_BARS:
            return
        yield bar, 1.0, 0.2, 60, 0.5, "slap"
        yield bar, 2.0, 0.2, 60, 0.6, "slap"
        if bar % 2 == 0 or bar > 10:
            yield bar, 1.5, 0.1, 62, 0.22, "tip"
        if bar % 4 == 2:
            yield bar, 2.5, 0.1, 60, 0.45, "slap"
        elif bar % 2:
            yield bar, 2.5, 0.1, 62, 0.25, "tip"


# --- the other song ---------------------------------------------------------------------------------

_POLKA = (
    *((65, 0.5), (69, 0.5), (72, 0.5), (69, 0.5), (70, 0.75), (69, 0.25), (67, 1.0)),
    *((64, 0.5), (67, 0.5), (70, 0.5), (67, 0.5), (69, 0.75), (67, 0.25), (65, 1.0)),
    *((77, 0.5), (76, 0.25), (74, 0.25), (72, 0.5), (69, 0.5), (70, 0.5), (74, 0.5), (72, 1.0)),
    *((70, 0.5), (67, 0.5), (64, 0.5), (67, 0.5), (65, 1.0), (None, 1.0)),
)


def _polka(bars: int) -> Iterator[_Written]:
    beat = 0.0
    while beat < bars * 2:
        for pitch, beats in _POLKA:
            if pitch is not None:
                yield 1 + int(beat // 2), beat % 2, beats * 0.85, pitch, 0.7, ""
            beat += beats


def waltz(*, bars: int = WALTZ_BARS, seed: int = 1) -> Performance:
    """Return "Boathouse Waltz" as played, or its first bars.

    Parameters
    ----------
    bars : int, 1 to 20
        How many bars are played before the ring-out.
    seed : int
        Of the musician's small deviations in time and force.

    Examples
    --------
    >>> song = waltz()
    >>> song.bars, float(song.beat_s.limit_denominator(1000)), float(song.length_s) < 42
    (20, 0.6521739130434783, True)
    """
    written = {
        "cajon": _cajon(),
        "upright-bass": _bass(),
        "harmonium": _harmonium(),
        "glockenspiel": _glockenspiel(),
        "melodica": _melodica(),
    }
    sections = (("Introduction", 1), ("A", 3), ("B", 11), ("Ending", 19))
    return _played(
        Performance(
            "Boathouse Waltz", 92, 3, bars, Fraction(1, 4), tuple(s for s in sections if s[1] <= bars), notes={}
        ),
        written,
        seed,
    )


def polka(*, bars: int = 12, seed: int = 2) -> Performance:
    """Return "Lantern Polka", a song that has nothing to do with the film: F major, 2/4, 117 beats a minute."""
    empty = Performance("Lantern Polka", 117, 2, bars, Fraction(1, 3), (("A", 1),), notes={})
    return _played(empty, {"melodica": _polka(bars)}, seed)


def _played(song: Performance, written: dict[str, Iterator[_Written]], seed: int) -> Performance:
    beat_s, first_s = float(song.beat_s), float(song.bar_one_s)
    notes: dict[str, tuple[Note, ...]] = {}
    for number, (part, line) in enumerate(written.items()):
        rng = np.random.default_rng([seed, number])
        played: list[Note] = []
        before: tuple[int, float] | None = None
        late_s = 0.0
        for bar, beat, beats, pitch, force, touch in line:
            if before != (bar, beat):  # the notes of a chord go down together
                late_s = float(np.clip(rng.normal(0, _LOOSENESS_S[part]), -0.03, 0.03))
                before = (bar, beat)
            strength = float(np.clip(force * rng.normal(1, 0.08), 0.1, 1))
            if bar > song.bars:
                continue
            spread_s = float(rng.uniform(0, 0.004))
            at_s = first_s + ((bar - 1) * song.beats_per_bar + beat) * beat_s + late_s + spread_s
            played.append(Note(at_s, beats * beat_s, pitch, strength, touch))
        notes[part] = tuple(sorted(played, key=lambda note: note.at_s))
    return Performance(song.title, song.bpm, song.beats_per_bar, song.bars, song.bar_one_s, song.sections, notes)
