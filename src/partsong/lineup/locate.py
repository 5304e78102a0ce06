"""One clip against its references: from what was heard to where it lies, how sure that is, and what else it might be.

Everything here is in sound times; :mod:`partsong.lineup.arrival` turns them into picture times.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from partsong.film.records import Confidence
from partsong.lineup import coarse, confidence, fine
from partsong.lineup.features import Heard
from partsong.lineup.fine import OnsetLine, PhaseLine
from partsong.lineup.line import Line

_QUICK, _FULL = 24, 64  # windows of the phase transform while ranking, and for the answer
_NOTHING_BELOW = -2.5  # a runner-up's agreement counts only where chance is this unlikely


@dataclass(frozen=True, slots=True)
class Reference:
    """What a clip is compared with: the ``name`` is how a person would call it (the mix, the cajón stem)."""

    name: str
    heard: Heard


@dataclass(frozen=True, slots=True)
class Possible:
    """A place where the clip might lie: the line of its sound, and the score of the search."""

    line: Line
    score: float


@dataclass(frozen=True, slots=True)
class Found:
    """The answer for one clip. ``line`` is the best place's even where the confidence says not to rely on it."""

    confidence: Confidence
    reason: str
    method: str
    against: str
    line: Line | None
    spread_ms: float | None
    agreed: int
    tried: int
    margin: float | None
    possible: tuple[Possible, ...]


@dataclass(frozen=True, slots=True)
class _Looked:
    place: coarse.Place
    onsets: OnsetLine
    phase: PhaseLine | None

    @property
    def line(self) -> Line:
        return self.phase.fit.line if self.phase and self.phase.log10_chance <= -4 else self.onsets.line

    @property
    def chance(self) -> float:
        return self.phase.log10_chance if self.phase else 0.0


def locate(clip: Heard, references: Sequence[Reference]) -> Found:
    """Find where a clip lies on the song.

    Parameters
    ----------
    clip : Heard
        The camera's own sound.
    references : sequence of Reference
        On the song's time line, the best first: the part's stem where there is one, then the mix.
    """
    audible = [number for number, voice in enumerate(clip.voices) if not voice.silent]
    if not audible:
        return _nothing(confidence.judge(confidence.Signs(silent=True)), references)
    answers = [_locate_voice(clip, voice, references) for voice in audible]
    return max(answers, key=lambda answer: (_RANK[answer.confidence], answer.agreed))


_RANK = {"none": 0, "ask": 1, "likely": 2, "sure": 3}


def measure_at(clip: Heard, references: Sequence[Reference], near: Line) -> Line:
    """Return the line measured around a place that a person chose: by phase where it agrees, else by onsets."""
    looked = [
        _look(clip, voice, [reference], 0, coarse.Place(near.start_s, 0.0), _FULL)
        for reference in references
        for voice in range(len(clip.voices))
    ]
    best = min(looked, key=lambda found: found.chance)
    return best.line


def _locate_voice(clip: Heard, voice: int, references: Sequence[Reference]) -> Found:
    envelopes = [reference.heard.voices[0] for reference in references]
    places = coarse.find_places(clip.voices[voice], envelopes)
    if not places:
        return _nothing(confidence.judge(confidence.Signs()), references)
    chosen, looked, best = 0, [_look(clip, voice, references, 0, place, _QUICK) for place in places], 0
    for number in range(len(references)):  # the next reference is asked only where the sound agrees with none before it
        if number:
            looked = [_look(clip, voice, references, number, place, _QUICK) for place in places]
        best = _best(looked)
        if looked[best].chance <= -4:
            chosen = number
            break
    return _answer(clip, voice, references, chosen, looked, best)


def _answer(
    clip: Heard, voice: int, references: Sequence[Reference], chosen: int, looked: Sequence[_Looked], best: int
) -> Found:
    reference = references[chosen].heard
    first = looked[best]
    others = [number for number in range(len(looked)) if number != best and _apart(looked[number], first)]
    windows = fine.windows_of(clip, reference, first.line, _FULL)
    phase = fine.phase_line(clip, voice, reference, 0, first.line, windows)
    blocks = np.stack([found.onsets.blocks for found in looked])
    z = first.place.z
    margin = None
    second_phase = None
    if others:
        second = min(others, key=lambda number: (min(looked[number].chance, _NOTHING_BELOW), -looked[number].place.z))
        second_phase = fine.phase_line(clip, voice, reference, 0, looked[second].line, windows)
        margin = 1 - looked[second].place.z / z if z > 0 else 0.0
    kept = [best, *others]
    heights = phase.heights if phase else np.zeros(0)
    signs = confidence.Signs(
        places=len(looked),
        z=z,
        log10_chance=phase.log10_chance if phase else 0.0,
        runner_up_log10_chance=second_phase.log10_chance if second_phase else 0.0,
        phase_t=confidence.paired_t(heights, second_phase.heights if second_phase else np.zeros_like(heights)),
        onset_t=_onset_t(blocks, best, others),
        onset_fit=_mean(blocks[best]),
        halves_agree=confidence.halves_agree(blocks[kept], 0),
        blocks=int(np.isfinite(blocks[best]).sum()),
    )
    verdict = confidence.judge(signs)
    by_phase = verdict.method == "phase" and phase is not None
    if by_phase and phase is not None and second_phase is not None and phase.agreed:
        margin = max(0.0, 1 - second_phase.agreed / phase.agreed)
    line = phase.fit.line if by_phase and phase is not None else first.onsets.line
    return Found(
        confidence=verdict.confidence,
        reason=verdict.reason,
        method=verdict.method,
        against=references[chosen].name if by_phase else " and ".join(reference.name for reference in references),
        line=line,
        spread_ms=phase.fit.spread_ms if by_phase and phase is not None else None,
        agreed=phase.agreed if phase else 0,
        tried=phase.tried if phase else 0,
        margin=None if margin is None else min(max(margin, 0.0), 1.0),
        possible=tuple(
            Possible(line if number == best else looked[number].line, looked[number].place.z) for number in kept
        ),
    )


def _look(
    clip: Heard, voice: int, references: Sequence[Reference], chosen: int, place: coarse.Place, most: int
) -> _Looked:
    envelopes = [reference.heard.voices[0] for reference in references]
    onsets = fine.onset_line(clip.voices[voice], envelopes, place.lag_s)
    reference = references[chosen].heard
    windows = fine.windows_of(clip, reference, onsets.line, most)
    return _Looked(place, onsets, fine.phase_line(clip, voice, reference, 0, onsets.line, windows))


def _best(looked: Sequence[_Looked]) -> int:
    """Return the place where the sound itself agrees best; where it does nowhere, the one that the search put first."""
    return min(range(len(looked)), key=lambda number: (min(looked[number].chance, -4.0), -looked[number].place.z))


def _apart(one: _Looked, other: _Looked) -> bool:
    return abs(one.line.start_s - other.line.start_s) > coarse.APART_S


def _onset_t(blocks: NDArray[np.float64], best: int, others: Sequence[int]) -> float:
    """Return the paired t of the best place against whichever other place comes nearest to it."""
    if not others:
        return 0.0
    return min(confidence.paired_t(blocks[best], blocks[other]) for other in others)


def _mean(values: NDArray[np.float64]) -> float:
    heard = values[np.isfinite(values)]
    return float(heard.mean()) if heard.size else 0.0


def _nothing(verdict: confidence.Judgement, references: Sequence[Reference]) -> Found:
    against = " and ".join(reference.name for reference in references)
    return Found(verdict.confidence, verdict.reason, verdict.method, against, None, None, 0, 0, None, ())
