"""The one musician: a skeleton that plays the notes, and the limbs that clothe it.

All poses are computed for every frame of a clip at once. The musician breathes, sways with the bars, nods on the
beats, and strikes, plucks, presses or pumps when the notes sound: a hand rises before a note, is down exactly at its
onset, and comes off again.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from partsong.demo.scene import SPOTS
from partsong.demo.tune import Note, Performance

Array = NDArray[np.float64]

_UPPER_ARM, _FOREARM, _THIGH, _SHIN = 0.30, 0.27, 0.45, 0.46

_JUMPER = (0.285, 0.240, 0.172, 1)
_COLLAR = (0.25, 0.21, 0.15, 1)
_TROUSERS = (0.040, 0.050, 0.078, 0)
_BOOTS = (0.040, 0.024, 0.015, 0)
_SKIN = (0.30, 0.178, 0.118, 0)
_DARK_SKIN = (0.21, 0.115, 0.075, 0)
_HAIR = (0.045, 0.028, 0.018, 0)
_CAP = (0.050, 0.070, 0.095, 0)
_BRASS = (0.42, 0.30, 0.12, 2)
_FELT = (0.50, 0.10, 0.06, 0)
_TUBE = (0.30, 0.29, 0.27, 2)
_BOARD = (0.185, 0.075, 0.032, 0)


@dataclass(frozen=True, slots=True)
class _Posture:
    """Where the body is: each of shape (frames, 3) unless said otherwise."""

    hips: Array
    facing_deg: float
    lean: Array  # (frames, 2): forward, to the player's right; metres at the neck
    nod: Array  # (frames,): metres that the face drops
    left_hand: Array
    right_hand: Array
    left_foot: Array
    right_foot: Array
    grip: tuple[float, float, float]  # where the fingers point
    knees_out: float


def limbs(song: Performance, part: str, song_s: Array) -> Array:
    """Return the player at given song times.

    Parameters
    ----------
    song : Performance
        What is being played.
    part : str
        At which spot, and on which instrument.
    song_s : float array, shape (frames,)
        Song time of each frame in seconds; before and after the notes the player waits.

    Returns
    -------
    float array, shape (frames, limbs, :data:`partsong.demo.figure.LIMB_NUMBERS`)
    """
    posture, props = _POSTURES[part](song, song_s)
    return np.stack([*_body(posture), *props], axis=1)


# --- moving in time -----------------------------------------------------------------------------------


def _smooth(t: Array) -> Array:
    t = np.clip(t, 0, 1)
    return np.asarray(t * t * (3 - 2 * t))


def _strokes(
    song_s: Array, notes: Sequence[Note], places: Array, *, away: Array, lift_m: float, rest_m: float
) -> Array:
    """Move a hand from note to note: (frames, 3).

    ``places`` (notes, 3) is where the hand is down; it rises along ``away`` (3), by ``lift_m`` before a note of full
    force and ``rest_m`` between notes, and travels to the next place just before it is needed.
    """
    if not notes:
        raise ValueError("a hand that plays needs notes")
    onsets = np.array([note.at_s for note in notes])
    forces = np.array([note.force for note in notes])
    after = np.searchsorted(onsets, song_s, side="right")
    last, following = np.clip(after - 1, 0, len(notes) - 1), np.clip(after, 0, len(notes) - 1)
    since = np.where(after > 0, song_s - onsets[last], 9.0)
    until = np.where(after < len(notes), onsets[following] - song_s, 9.0)
    gap = np.where((after > 0) & (after < len(notes)), onsets[following] - onsets[last], 9.0)
    travel = _smooth(1 - (until - 0.05) / np.minimum(gap * 0.8, 0.40))
    travel = np.where(after >= len(notes), 0.0, np.where(after == 0, 1.0, travel))
    place = places[last] + (places[following] - places[last]) * travel[:, None]
    window = np.minimum(0.26, np.maximum(gap, 0.05))
    ready = lift_m * (0.35 + 0.65 * forces[following]) * np.sin(np.pi * np.clip(until / window, 0, 1))
    rest = rest_m * (1 - np.exp(-since / 0.07))
    down = _smooth(until / 0.075)
    return np.asarray(place + away * ((ready + rest) * down)[:, None])


def _pulse(song_s: Array, notes: Sequence[Note], fall_s: float) -> Array:
    """Return a bump of up to 1 at each note that fades: (frames,)."""
    total = np.zeros_like(song_s)
    for note in notes:
        since = song_s - note.at_s
        total = np.maximum(total, note.force * np.exp(-np.where(since >= 0, since / fall_s, -since / 0.04)))
    return total


def _swaying(song: Performance, song_s: Array, notes: Sequence[Note], amount: float) -> tuple[Array, Array, Array]:
    """Return lean (frames, 2), nod (frames,) and breath (frames,), all in metres."""
    beat = (song_s - float(song.bar_one_s)) / float(song.beat_s)
    bar = beat / song.beats_per_bar
    playing = _smooth((song_s - notes[0].at_s + 1.2) / 1.0) * _smooth((notes[-1].at_s + 2.2 - song_s) / 1.6)
    side = np.sin(np.pi * bar + 0.5) * 0.045 + 0.008 * np.sin(0.83 * song_s)
    forward = -0.018 * np.cos(2 * np.pi * bar) + 0.022 * _pulse(song_s, notes, 0.16) + 0.006 * np.sin(0.61 * song_s + 1)
    nod = 0.020 * np.exp(-np.mod(beat, 1) * 4) * np.where(np.mod(np.floor(beat), song.beats_per_bar) == 0, 1, 0.35)
    breath = 0.006 * np.sin(2 * np.pi * song_s / 3.9) + 0.004 * np.sin(2 * np.pi * bar / 2)
    lean = np.stack([forward * playing * amount, side * (0.15 + 0.85 * playing) * amount], axis=1)
    return lean, nod * playing, breath


def _fixed(song_s: Array, point: Sequence[float]) -> Array:
    return np.tile(np.array(point, np.float64), (len(song_s), 1))


def _tapping(song: Performance, song_s: Array, point: Sequence[float]) -> Array:
    """A foot that taps the first beat of each bar."""
    beat = (song_s - float(song.bar_one_s)) / float(song.beat_s)
    until = 1 - np.mod(beat / song.beats_per_bar, 1)
    lift = 0.035 * np.sin(np.pi * np.clip(until / 0.2, 0, 1))
    return np.asarray(_fixed(song_s, point) + np.stack([0 * lift, lift, 0 * lift], axis=1))


# --- the five spots -----------------------------------------------------------------------------------

_Posed = tuple[_Posture, list[Array]]


def _halves(notes: Sequence[Note]) -> tuple[list[Note], list[Note]]:
    """Share notes out between two hands in turn; each gets one at least."""
    return (list(notes[0::2]), list(notes[1::2]) or list(notes))


def _first_of_chords(notes: Sequence[Note]) -> list[Note]:
    chosen: list[Note] = []
    for note in notes:
        if not chosen or note.at_s - chosen[-1].at_s > 0.03:
            chosen.append(note)
    return chosen


def _at_cajon(song: Performance, song_s: Array) -> _Posed:
    notes = song.notes["cajon"]
    spot = SPOTS["cajon"]
    right = [note for note in notes if note.touch == "bass" or (note.touch == "slap" and note.force > 0.52)]
    left = [note for note in notes if note not in right] or list(notes)
    face = {"bass": (-0.035, 0.30, -0.185), "slap": (-0.075, 0.43, -0.18), "tip": (-0.075, 0.44, -0.17)}

    def places(chosen: Sequence[Note], side: float) -> Array:
        return np.array([np.add((spot.x + 0.04, 0, spot.z), np.multiply(face[n.touch], (side, 1, 1))) for n in chosen])

    away = np.array([0.0, 0.75, -0.66])
    lean, nod, breath = _swaying(song, song_s, notes, 0.8)
    hips = _fixed(song_s, (spot.x, 0.585, spot.z + 0.06))
    lean[:, 0] += 0.20
    return (
        _Posture(
            hips + np.stack([lean[:, 1] * 0.2 * -1, breath, 0 * breath], axis=1),
            12.0,
            lean,
            nod + 0.02,
            _strokes(song_s, left, places(left, -1), away=away, lift_m=0.17, rest_m=0.07),
            _strokes(song_s, right, places(right, 1), away=away, lift_m=0.24, rest_m=0.08),
            _fixed(song_s, (spot.x + 0.36, 0.05, spot.z - 0.20)),
            _tapping(song, song_s, (spot.x - 0.30, 0.05, spot.z - 0.26)),
            (0.0, -0.8, -0.4),
            0.55,
        ),
        [],
    )


def _at_bass(song: Performance, song_s: Array) -> _Posed:
    notes = song.notes["upright-bass"]
    spot = SPOTS["upright-bass"]
    # The line of the strings, as the cut-out leans.
    bottom, top = np.array([spot.x + 0.012, 0.80, spot.z - 0.16]), np.array([spot.x - 0.005, 1.62, spot.z - 0.24])
    pitches = np.array([note.pitch for note in notes])
    stopped = top + (bottom - top) * (0.06 + 0.028 * (np.mod(pitches - 28, 5) * 1.6 + (pitches > 40) * 3))[:, None]
    pluck = np.tile(bottom + np.array([-0.015, 0.03, -0.02]), (len(notes), 1))
    lean, nod, breath = _swaying(song, song_s, notes, 1.1)
    hips = _fixed(song_s, (spot.x - 0.29, 0.985, spot.z + 0.24))
    hips += np.stack([-lean[:, 1] * 0.5, breath * 0.5, 0 * breath], axis=1)
    lean[:, 0] += 0.05
    # After a pluck the hand has been pulled across the strings, to the player's right.
    right = _strokes(song_s, notes, pluck, away=np.array([0.55, 0.25, -0.8]), lift_m=0.09, rest_m=0.02)
    right[:, 0] -= 0.10 * _pulse(song_s, notes, 0.12)
    return (
        _Posture(
            hips,
            -10.0,
            lean,
            nod,
            _strokes(song_s, notes, stopped, away=np.array([0.3, 0.1, -0.6]), lift_m=0.03, rest_m=0.0),
            right,
            _fixed(song_s, (spot.x - 0.14, 0.05, spot.z + 0.26)),
            _tapping(song, song_s, (spot.x - 0.48, 0.05, spot.z + 0.12)),
            (0.3, -0.5, -0.3),
            0.1,
        ),
        [],
    )


def _at_harmonium(song: Performance, song_s: Array) -> _Posed:
    notes = song.notes["harmonium"]
    spot = SPOTS["harmonium"]
    chords = _first_of_chords(notes)
    middle = np.array([np.mean([n.pitch for n in notes if abs(n.at_s - chord.at_s) < 0.03]) for chord in chords])
    keys = np.stack([spot.x - 0.03 - 0.016 * (middle - 62), 0 * middle + 0.775, 0 * middle + spot.z + 0.11], axis=1)
    lean, nod, breath = _swaying(song, song_s, notes, 1.0)
    lean[:, 0] += 0.10
    hips = _fixed(song_s, (spot.x, 0.60, spot.z + 0.60))
    # The left hand works the bellows board at the side, once a bar.
    bar = (song_s - float(song.bar_one_s)) / float(song.beat_s) / song.beats_per_bar
    begun = _smooth((song_s - notes[0].at_s + 0.7) / 0.6) * _smooth((notes[-1].at_s + 2.4 - song_s) / 0.8)
    open_m = 0.055 + 0.050 * np.cos(2 * np.pi * bar) * begun
    board = np.stack([spot.x + 0.335 + open_m, 0 * open_m + 0.70, 0 * open_m + spot.z + 0.02], axis=1)
    low = np.stack([0 * open_m + spot.x + 0.335, 0 * open_m + 0.53, 0 * open_m + spot.z + 0.02], axis=1)
    props = [
        _limb(low + np.array([0, 0, dz]), board + np.array([0, 0, dz]), 0.014, 0.012, _BOARD)
        for dz in np.linspace(-0.13, 0.13, 9).tolist()
    ]
    return (
        _Posture(
            hips + np.stack([-lean[:, 1] * 0.15, breath, 0 * breath], axis=1),
            4.0,
            lean,
            nod + 0.01,
            board + np.array([0.03, 0.02, 0.0]),
            _strokes(song_s, chords, keys, away=np.array([0.0, 1.0, 0.15]), lift_m=0.13, rest_m=0.0),
            _fixed(song_s, (spot.x + 0.20, 0.05, spot.z + 0.20)),
            _tapping(song, song_s, (spot.x - 0.20, 0.05, spot.z + 0.16)),
            (0.0, -0.55, -0.6),
            0.25,
        ),
        props,
    )


def _at_glockenspiel(song: Performance, song_s: Array) -> _Posed:
    notes = song.notes["glockenspiel"]
    spot = SPOTS["glockenspiel"]
    hands = _halves(notes)
    lean, nod, breath = _swaying(song, song_s, notes, 1.0)
    lean[:, 0] += 0.13
    hips = _fixed(song_s, (spot.x, 0.985, spot.z + 0.50))
    hips += np.stack([-lean[:, 1] * 0.5, breath * 0.5, 0 * breath], axis=1)
    held, props = [], []
    for chosen, side in zip(hands, (-1.0, 1.0), strict=True):  # the player's right hand is at the left of the frame
        pitches = np.array([note.pitch for note in chosen], np.float64)
        bars = np.stack(
            [spot.x - 0.030 * (pitches - 92).clip(-11, 11), 0 * pitches + 0.945, 0 * pitches + spot.z], axis=1
        )
        head = _strokes(song_s, chosen, bars, away=np.array([0.0, 1.0, 0.1]), lift_m=0.20, rest_m=0.05)
        hand = head * (1, 0.45, 1) + (side * 0.075, 0.945 * 0.55 + 0.055, 0.19)
        held.append(hand)
        props += [_limb(hand, head, 0.006, 0.005, (0.30, 0.20, 0.11, 0)), _limb(head, head + 1e-3, 0.020, 0.020, _FELT)]
    return (
        _Posture(
            hips,
            3.0,
            lean,
            nod + 0.03,
            held[1],
            held[0],
            _fixed(song_s, (spot.x + 0.17, 0.05, spot.z + 0.46)),
            _tapping(song, song_s, (spot.x - 0.17, 0.05, spot.z + 0.42)),
            (0.0, -0.35, -0.6),
            0.1,
        ),
        props,
    )


def _at_melodica(song: Performance, song_s: Array) -> _Posed:
    notes = song.notes["melodica"]
    spot = SPOTS["melodica"]
    pitches = np.array([note.pitch for note in notes], np.float64)
    keys = np.stack([spot.x + 0.02 - 0.014 * (pitches - 76), 0 * pitches + 0.845, 0 * pitches + spot.z + 0.04], axis=1)
    lean, nod, breath = _swaying(song, song_s, notes, 1.0)
    lean[:, 0] += 0.10
    hips = _fixed(song_s, (spot.x + 0.05, 0.64, spot.z + 0.50))
    posture = _Posture(
        hips + np.stack([-lean[:, 1] * 0.15, breath * 1.6, 0 * breath], axis=1),
        8.0,
        lean,
        nod + 0.015 * _pulse(song_s, notes, 0.2),
        _fixed(song_s, (spot.x + 0.19, 0.835, spot.z + 0.05)),
        _strokes(song_s, notes, keys, away=np.array([0.0, 1.0, 0.1]), lift_m=0.10, rest_m=0.012),
        _fixed(song_s, (spot.x + 0.30, 0.05, spot.z + 0.16)),
        _tapping(song, song_s, (spot.x - 0.18, 0.05, spot.z + 0.14)),
        (0.0, -0.6, -0.55),
        0.3,
    )
    # The tube sags from the mouth to the end of the instrument.
    mouth = _mouth(posture)
    end = _fixed(song_s, (spot.x + 0.27, 0.80, spot.z))
    points = [
        mouth + (end - mouth) * t + np.array([0.13, -0.10, -0.12]) * math.sin(math.pi * t)
        for t in np.linspace(0, 1, 7).tolist()
    ]
    return posture, [_limb(a, b, 0.011, 0.011, _TUBE) for a, b in itertools.pairwise(points)]


_POSTURES: dict[str, Callable[[Performance, Array], _Posed]] = {
    "cajon": _at_cajon,
    "upright-bass": _at_bass,
    "harmonium": _at_harmonium,
    "glockenspiel": _at_glockenspiel,
    "melodica": _at_melodica,
}


# --- the body -------------------------------------------------------------------------------------------


def _limb(a: Array, b: Array, ra: float, rb: float, look: tuple[float, float, float, float]) -> Array:
    """Return one limb for all frames: (frames, LIMB_NUMBERS)."""
    rest = np.tile([ra, rb, *look], (len(a), 1))
    return np.concatenate([a, b, rest], axis=1)


def _axes(facing_deg: float) -> tuple[Array, Array, Array]:
    """Where the player's front, right and up are; at 0 degrees the player faces the camera."""
    turn = math.radians(facing_deg)
    return (
        np.array([math.sin(turn), 0, -math.cos(turn)]),
        np.array([-math.cos(turn), 0, -math.sin(turn)]),
        np.array([0.0, 1.0, 0.0]),
    )


def _neck(p: _Posture) -> Array:
    front, right, up = _axes(p.facing_deg)
    rise = np.sqrt(np.maximum(0.50**2 - (p.lean**2).sum(axis=1), 0.1))
    return np.asarray(p.hips + rise[:, None] * up + p.lean[:, :1] * front + p.lean[:, 1:] * right)


def _head(p: _Posture) -> tuple[Array, Array, Array, Array]:
    """Return the middle of the head and its own front, right and up: (frames, 3) each."""
    front, right, up = _axes(p.facing_deg)
    down = np.clip(p.nod * 6 + 0.22, 0, 0.8)[:, None]  # the eyes rest on the instrument
    tilt = p.lean[:, 1:] * 1.6
    own_up = up * np.cos(down) + front * np.sin(down) + right * tilt
    own_up /= np.linalg.norm(own_up, axis=1, keepdims=True)
    own_front = front * np.cos(down) - up * np.sin(down)
    own_right = np.cross(own_up, own_front)
    own_right *= np.sign(own_right @ right)[:, None]
    middle = _neck(p) + up * 0.145 + front * 0.035 - up * p.nod[:, None] + front * p.nod[:, None] * 0.6
    return middle, own_front, own_right, own_up


def _mouth(p: _Posture) -> Array:
    middle, front, _, up = _head(p)
    return np.asarray(middle + front * 0.095 - up * 0.055)


def _elbow(start: Array, end: Array, upper: float, lower: float, hint: Array) -> tuple[Array, Array]:
    """Bend a limb of two bones so that it reaches: returns the joint, and the end as far as it can be reached."""
    reach = end - start
    length = np.linalg.norm(reach, axis=1, keepdims=True)
    most = (upper + lower) * 0.995
    reach, length = reach * np.minimum(1, most / length), np.minimum(length, most)
    along = reach / length
    toward = (length**2 + upper**2 - lower**2) / (2 * length)
    aside = hint - (hint * along).sum(axis=1, keepdims=True) * along
    aside /= np.linalg.norm(aside, axis=1, keepdims=True)
    height = np.sqrt(np.maximum(upper**2 - toward**2, 1e-6))
    return start + along * toward + aside * height, start + reach


def _body(p: _Posture) -> list[Array]:
    front, right, up = _axes(p.facing_deg)
    neck = _neck(p)
    spine = neck - p.hips
    parts: list[Array] = []
    for side, foot in ((1.0, p.right_foot), (-1.0, p.left_foot)):
        hip = p.hips + right * side * 0.095
        ankle = foot + up * 0.05
        knee, ankle = _elbow(hip, ankle, _THIGH, _SHIN, front + right * side * p.knees_out + up * 0.3)
        parts += [
            _limb(hip, knee, 0.085, 0.062, _TROUSERS),
            _limb(knee, ankle, 0.060, 0.043, _TROUSERS),
            _limb(ankle - up * 0.02, ankle - up * 0.045 + front * 0.16, 0.047, 0.036, _BOOTS),
        ]
    parts.append(_limb(p.hips + right * 0.06, p.hips - right * 0.06, 0.125, 0.125, _TROUSERS))
    chest = p.hips + spine * 0.80
    for side in (1.0, -1.0):
        parts.append(
            _limb(p.hips + spine * 0.10 + right * side * 0.065, chest + right * side * 0.085, 0.105, 0.122, _JUMPER)
        )
    parts.append(_limb(p.hips + spine * 0.20 + front * 0.012, chest + front * 0.02, 0.105, 0.120, _JUMPER))
    shoulders = p.hips + spine * 0.90
    parts.append(_limb(shoulders + right * 0.135, shoulders - right * 0.135, 0.082, 0.082, _JUMPER))
    for side, hand in ((1.0, p.right_hand), (-1.0, p.left_hand)):
        parts += _arm(shoulders + right * side * 0.185, hand, side, p)
    return parts + _head_limbs(p, neck)


def _arm(shoulder: Array, hand: Array, side: float, p: _Posture) -> list[Array]:
    front, right, up = _axes(p.facing_deg)
    grip = np.array(p.grip) / np.linalg.norm(p.grip)
    wrist_wanted = hand - grip * 0.10
    hint = np.tile(right * side * 0.75 - up * 0.8 - front * 0.35, (len(hand), 1))
    elbow, wrist = _elbow(shoulder, wrist_wanted, _UPPER_ARM, _FOREARM, hint)
    parts = [
        _limb(shoulder, elbow, 0.066, 0.052, _JUMPER),
        _limb(elbow, wrist - (wrist - elbow) * 0.10, 0.052, 0.038, _JUMPER),
        _limb(wrist - (wrist - elbow) * 0.16, wrist - (wrist - elbow) * 0.08, 0.042, 0.041, _COLLAR),
        _limb(wrist - (wrist - elbow) * 0.08, wrist, 0.029, 0.027, _SKIN),
    ]
    knuckles = wrist + grip * 0.062
    across = np.cross(grip, [0.0, 0.0, 1.0] if abs(grip[1]) > 0.7 else [0.0, 1.0, 0.0])
    across = across / np.linalg.norm(across)
    for offset in (-0.016, 0.016):
        parts.append(_limb(wrist + across * offset * 0.6, knuckles + across * offset, 0.022, 0.021, _SKIN))
    for finger in range(4):
        base = knuckles + across * (finger - 1.5) * 0.019
        curl = grip * 0.8 - up * 0.5
        parts.append(_limb(base, base + curl * 0.045, 0.0105, 0.0085, _SKIN))
    thumb = wrist + grip * 0.02 + across * side * 0.030
    parts.append(_limb(thumb, thumb + grip * 0.045 + across * side * 0.012 - up * 0.01, 0.0125, 0.009, _SKIN))
    return parts


def _head_limbs(p: _Posture, neck: Array) -> list[Array]:
    middle, front, right, up = _head(p)

    def at(forward: float, aside: float, upward: float) -> Array:
        return np.asarray(middle + front * forward + right * aside + up * upward)

    parts = [
        _limb(neck - up * 0.03, middle - up * 0.05, 0.055, 0.052, _SKIN),
        _limb(neck - up * 0.015, neck + up * 0.035, 0.074, 0.066, _COLLAR),
        _limb(at(0.0, 0, 0.035), at(0.018, 0, -0.045), 0.088, 0.070, _SKIN),
        _limb(at(-0.028, 0, 0.03), at(-0.03, 0, -0.03), 0.086, 0.070, _HAIR),
        _limb(at(0.025, 0.032, -0.075), at(0.025, -0.032, -0.075), 0.046, 0.046, _HAIR),  # the beard
        _limb(at(0.050, 0.020, -0.088), at(0.050, -0.020, -0.088), 0.036, 0.036, _HAIR),
        _limb(at(0.080, 0.022, -0.052), at(0.080, -0.022, -0.052), 0.010, 0.010, _HAIR),  # the moustache
        _limb(at(0.084, 0, 0.012), at(0.100, 0, -0.028), 0.011, 0.017, _SKIN),  # the nose
        _limb(at(0.0, 0, 0.075), at(-0.01, 0, 0.082), 0.095, 0.090, _CAP),
        *(
            _limb(at(out, half, rise), at(out, -half, rise), thick, thick, _CAP)
            for out, half, rise, thick in (
                (0.075, 0.050, 0.066, 0.024),
                (0.098, 0.044, 0.060, 0.019),
                (0.120, 0.032, 0.054, 0.014),
            )
        ),
    ]
    for side in (1.0, -1.0):
        parts += [
            _limb(at(-0.005, side * 0.083, 0.005), at(-0.005, side * 0.086, -0.025), 0.016, 0.012, _SKIN),
            _limb(at(-0.002, side * 0.072, 0.025), at(0.005, side * 0.070, -0.055), 0.021, 0.020, _HAIR),
            _limb(at(0.079, side * 0.022, 0.012), at(0.075, side * 0.042, 0.010), 0.011, 0.010, _DARK_SKIN),
            _limb(at(0.088, side * 0.018, 0.030), at(0.078, side * 0.048, 0.028), 0.006, 0.006, _HAIR),
        ]
    return parts
