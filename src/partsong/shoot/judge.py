"""From what a take shows and sounds like to findings and a verdict. Pure; all limits stand here, each with its reason.

**What cannot be told.** Exposure cannot be told from where the light stands, so two takes in different light are
compared only where neither light reaches. Bands that stand can be told from the room only where two takes, or two ends
of one, have the same light.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from partsong.film.records import Film, Finding, Region, Take, Verdict
from partsong.media.cues import CueKind
from partsong.render.bands import LEAST_STANDING, Bands, even_exposure_s, moving_bands, standing_bands
from partsong.render.robust import MAD_TO_SIGMA
from partsong.shoot import exposure
from partsong.shoot.hearing import SILENT_DBFS, Heard
from partsong.shoot.sight import COLUMNS, ROWS, Sight
from partsong.timebase import Time, clock

SOFT = -0.4
"""Fine detail over coarser, in powers of two, against the reference: a blur of 0.6 pixels gives -0.8."""
_ENOUGH_BLOCKS = 12
_TOGETHER = 5  # frames, at least, that detail is told from
_CLIPPED = 0.005
"""Of the frame: half a percent of it in one place is a face or a drum head."""
_FREE = 0.9  # of a block, where nobody moves
_LIGHT_STEP = 0.012
_LIGHT_BLOCKS = 0.06  # of the blocks
_ENDS_S = 4.0
_SHORT_S = 0.5
"""A take may stop that much before the song's end without anybody seeing it."""

RANK: dict[Verdict, int] = {"do not strike": 0, "look first": 1, "clear to strike": 2}


@dataclass(frozen=True, slots=True)
class Remark:
    """A finding before it belongs to a take; ``frame`` and the pixels are the take's."""

    kind: str
    sentence: str
    advice: str
    verdict: Verdict
    frame: int | None = None
    box: tuple[float, float, float, float] | None = None
    size: float | None = None
    unit: str = ""
    moved_px: tuple[float, float] | None = None
    was: tuple[float, float, float, float] | None = None
    turned_deg: float | None = None

    def finding(self, take: Take) -> Finding:
        """Return the record of it."""
        return Finding(
            take=take.id,
            kind=self.kind,
            sentence=self.sentence,
            advice=self.advice,
            verdict=self.verdict,
            at=None if self.frame is None else Time.at_frame(self.frame, take.picture.rate),
            region=_region(self.box),
            size=self.size,
            unit=self.unit,
            moved_px=self.moved_px,
            was=_region(self.was),
            turned_deg=self.turned_deg,
        )


def _region(box: tuple[float, float, float, float] | None) -> Region | None:
    return None if box is None else Region(x=box[0], y=box[1], width=box[2], height=box[3])


def worst(findings: Sequence[Finding]) -> Verdict:
    """Return the verdict that some findings come to together."""
    return min((finding.verdict for finding in findings), key=RANK.__getitem__, default="clear to strike")


def of_file(film: Film, take: Take, others: Sequence[Take]) -> list[Remark]:
    """Judge what a file says of itself, against the film and the other stage takes."""
    picture = take.picture
    said = []
    if picture.variable_rate:
        said.append(
            Remark(
                "variable frame rate",
                "The frames do not follow each other evenly.",
                "Set the camera to a constant frame rate and shoot again; many recorders and phones vary it unasked.",
                "do not strike",
            )
        )
    if film.rate is not None and picture.rate != film.rate and not picture.variable_rate:
        said.append(
            Remark(
                "frame rate",
                f"It runs at {picture.rate} frames a second, the film at {film.rate}.",
                "Set the camera to the film's rate and shoot again.",
                "do not strike",
            )
        )
    if not others:
        return said
    for kind, own, theirs in (
        ("size", f"{picture.width} x {picture.height}", [f"{o.picture.width} x {o.picture.height}" for o in others]),
        (
            "codec",
            f"{picture.codec}, {picture.bit_depth} bits",
            [f"{o.picture.codec}, {o.picture.bit_depth} bits" for o in others],
        ),
        ("colour", _colour_of(take), [_colour_of(other) for other in others]),
    ):
        usual = max(sorted(set(theirs)), key=theirs.count)
        if own != usual:
            said.append(
                Remark(
                    kind,
                    f"Its {kind} is {own}, that of the other takes {usual}.",
                    "Set the camera as it was. If it cannot be shot again, line-up and look can still use it.",
                    "do not strike" if kind == "size" else "look first",
                )
            )
    return said


def of_length(film: Film, take: Take) -> list[Remark]:
    """Judge a stage take's length against the song's."""
    if film.song is None or take.kind != "stage":
        return []
    short_s = float(film.song.length_s - take.clip.duration.seconds)
    if short_s <= _SHORT_S:
        return []
    return [
        Remark(
            "length",
            f"It is {short_s:.1f} s shorter than the song ({clock(film.song.length_s)}).",
            "If the part plays to the end, shoot again and let the camera run.",
            "look first",
            size=short_s,
            unit="s",
        )
    ]


def of_sound(heard: Heard | None, *, guide: bool) -> list[Remark]:
    """Judge the take's own sound. ``guide`` says that a guide track with sync cues was played."""
    if heard is None or heard.level_dbfs < SILENT_DBFS:
        what = "It has no sound." if heard is None else "Its sound is silent."
        advice = "Check the camera's microphone or input: line-up by sound needs it. Line-up by motion is less sure."
        return [Remark("sound missing", what, advice, "look first")]
    said = []
    if heard.silent_channels:
        channels = " and ".join(str(number + 1) for number in heard.silent_channels)
        said.append(Remark("sound missing", f"Channel {channels} is silent.", "Check the cable.", "look first"))
    if heard.cut_off:
        assert heard.first_cut_s is not None
        said.append(
            Remark(
                "sound clipped",
                f"The sound is cut off at full scale {heard.cut_off} times, first at {clock(heard.first_cut_s)}.",
                "Turn the camera's input down. Line-up can bear it; a record cannot.",
                "look first",
                size=heard.cut_off,
            )
        )
    if heard.hum is not None:
        said.append(
            Remark(
                "hum",
                f"There is mains hum of {heard.hum[0]} Hz at {heard.hum[1]:.0f} dBFS.",
                "Find the loop or the lamp that makes it before the studio recording hears it too.",
                "look first",
                size=heard.hum[1],
                unit="dBFS",
            )
        )
    return said + _cues(dict(heard.cues), guide=guide)


def _cues(heard: dict[CueKind, float], *, guide: bool) -> list[Remark]:
    if not heard and not guide:
        return []
    advice = "If the guide was played aloud, turn it up at head and tail; if by earphones only, nothing is wrong."
    if not heard:
        return [Remark("no sync cue", "No sync cue of the guide is heard.", advice, "clear to strike")]
    told = " and ".join(f"the guide's {kind} is heard at {clock(at_s)}" for kind, at_s in heard.items())
    missing = [kind for kind in ("head cue", "tail cue") if kind not in heard]
    if missing:
        sentence = f"{told[0].upper()}{told[1:]}, its {missing[0]} is not."
        return [
            Remark(
                "one sync cue", sentence, f"{advice} Or the camera did not run from head to tail.", "clear to strike"
            )
        ]
    return [Remark("sync cues", f"{told[0].upper()}{told[1:]}.", "Line-up can place it by them.", "clear to strike")]


def of_picture(
    sight: Sight,
    reference: Sight | None,
    same_light: Sequence[Sight],
    rate_hz: float,
    *,
    reference_alike: bool = False,
    bits: int = 10,
) -> tuple[list[Remark], list[str]]:
    """Judge what a take shows; return remarks, and what could not be told, a sentence each.

    Parameters
    ----------
    sight : Sight
        Of the take.
    reference : Sight, optional
        Of the take that all stage takes are held against, at the same size.
    same_light : sequence of Sight
        Of other takes of the same part.
    rate_hz : float
        Frames a second.
    reference_alike : bool
        Whether the reference is of the same part, and so in the same light, where all others are in another one.
    bits : int
        Of a sample, in the coarser of the take's encoding and the reference's.
    """
    said: list[Remark] = []
    unseen: list[str] = []
    changed = _light(sight, rate_hz)
    breaks = [*(int(frame) for frame in sight.knocks[:, 0]), *(one.frame for one in changed if one.frame is not None)]
    said += _bands(sight, same_light, rate_hz, sorted(breaks), unseen)
    said += _clipped(sight)
    said += changed
    if reference is None:
        unseen.append("Focus was not compared: there is no reference yet.")
        unseen.append("Exposure and white balance were not compared: there is no reference yet.")
    else:
        said += _focus(sight, reference, unseen)
        said += _level(sight, reference, unseen, same_light=reference_alike, bits=bits)
    return said, unseen


# --- one thing each -------------------------------------------------------------------------------


def _bands(
    sight: Sight, same_light: Sequence[Sight], rate_hz: float, breaks: Sequence[int], unseen: list[str]
) -> list[Remark]:
    """Find bands; those that stand are sought in the longest stretch in which camera and light stayed as they were."""
    moving = (moving_bands(run.rows, rate_hz, sight.height) for run in sight.runs)
    found: Bands | None = next((bands for bands in moving if bands is not None), None)
    if found is None:
        stretch = np.searchsorted(breaks, sight.frames, side="right")
        rows = [sight.rows[stretch == np.bincount(stretch).argmax()]]
        rows += [other.rows for other in same_light if other.rows.shape[1:] == sight.rows.shape[1:]]
        found = standing_bands(np.concatenate(rows), rate_hz, sight.height)
        if sum(len(one) for one in rows) < LEAST_STANDING:
            unseen.append(
                "Bands that stand were not looked for: in too few of the frames looked at did camera and light stay as "
                "they were."
            )
        elif len(rows) == 1:
            unseen.append(
                "Bands that stand quite still were not looked for: that takes a second take in the same light. "
                "Bands that move or creep were."
            )
    if found is None:
        return []
    if found.mains_hz is not None:
        top, bottom = even_exposure_s(found.mains_hz, rate_hz)
        cure = f"The shutter does not fit mains of {found.mains_hz} Hz: set it to {top}/{bottom} s, or change the lamp."
    else:
        cure = "Set the shutter to 1/50 s where the mains have 50 Hz and to 1/60 s where they have 60 Hz."
    verb = "stand in" if found.kind == "standing bands" else "run through"
    return [
        Remark(
            found.kind,
            f"Bands of mains light {verb} the picture, one every {found.period_px:.0f} pixels, "
            f"{found.amplitude * 100:.2f} % of the signal strong."
            if found.kind != "flicker"
            else f"The light flickers by {found.amplitude * 100:.2f} % of the signal.",
            cure,
            "do not strike",
            size=found.period_px if np.isfinite(found.period_px) else None,
            unit="px" if np.isfinite(found.period_px) else "",
        )
    ]


def _clipped(sight: Sight) -> list[Remark]:
    share = float(np.median(sight.clipped))
    if share < _CLIPPED:
        return []
    return [
        Remark(
            "clipped highlights",
            f"{share:.1%} of the frame is cut off at the brightest value ({sight.ceiling:.0%} of the signal).",
            "Close the iris or move the light until only lamps themselves are cut off.",
            "look first",
            frame=sight.frames[int(sight.clipped.argmax())],
            box=_box(sight.where_clipped > 0.2, sight),
            size=share * 100,
            unit="%",
        )
    ]


def _light(sight: Sight, rate_hz: float) -> list[Remark]:
    """Find a lasting change of light within the take: a knocked lamp, an iris that moved, the sun behind a cloud.

    Not at its ends, where the light is switched on purpose for a look at the bare room.
    """
    first, last = sight.frames[0], sight.frames[-1]
    edge = min(_ENDS_S * rate_hz, 0.15 * (last - first))
    inner = [n for n, frame in enumerate(sight.frames) if first + edge <= frame <= last - edge]
    frames = [sight.frames[n] for n in inner]
    luma = sight.blocks[inner] @ np.array([0.2126, 0.7152, 0.0722], np.float32)
    count = len(luma)
    if count < 6:
        return []
    best = (0.0, np.zeros(luma.shape[1:]), np.zeros(luma.shape[1:], bool))
    for split in range(2, count - 1):
        before, after = luma[:split], luma[split:]
        step = np.median(after, axis=0) - np.median(before, axis=0)
        spread = np.maximum(_spread(before), _spread(after))
        clear = (np.abs(step) > _LIGHT_STEP) & (np.abs(step) > 5 * spread)
        weight = float(clear.mean()) - float(np.mean(spread))
        if weight > best[0]:
            best = (weight, step, clear)
    _, step, clear = best
    if clear.mean() < _LIGHT_BLOCKS:
        return []
    split = _parted(luma[:, clear])
    early, late = frames[split - 1], frames[split]
    by = float(np.median(step[clear]))
    uniform = clear.mean() > 0.7 and float(np.std(step[clear])) < 0.25 * abs(by)
    kind = "exposure changed" if uniform else "light changed"
    how = "brighter" if by > 0 else "darker"
    what = f"The whole picture became {how}" if uniform else f"The light changed in {clear.mean():.0%} of the frame"
    return [
        Remark(
            kind,
            f"{what} between frames {early} and {late}, by {abs(by) * 100:.1f} % of the signal.",
            "Set exposure to manual."
            if uniform
            else "See whether a lamp was knocked, dimmed or turned, and shoot again.",
            "do not strike",
            frame=late,
            box=None if uniform else _box(clear, sight),
            size=by * 100,
            unit="%",
        )
    ]


def _parted(luma: NDArray[np.float32]) -> int:
    """Return the first frame of (n, blocks) after a change: the two sides then differ least within themselves.

    A frame on the wrong side hardly moves a median, but it lies off it.
    """

    def off(part: NDArray[np.float32]) -> float:
        return float(np.abs(part - np.median(part, axis=0)).sum())

    return min(range(1, len(luma)), key=lambda split: off(luma[:split]) + off(luma[split:]))


def _spread(part: NDArray[np.float32]) -> NDArray[np.float32]:
    return np.asarray(np.median(np.abs(part - np.median(part, axis=0)), axis=0) * MAD_TO_SIGMA, np.float32)


def _focus(sight: Sight, reference: Sight, unseen: list[str]) -> list[Remark]:
    middle, places = softness((sight.detail, noise_floor(sight)), (reference.detail, noise_floor(reference)))
    if middle is None:
        unseen.append("Focus was not compared: too little is lit in this take and the reference.")
        return []
    if middle > SOFT:
        return []
    return [
        Remark(
            "focus",
            f"It is softer than the reference: fine detail has {2**middle:.0%} of its strength, in "
            f"{places} places that both show.",
            "Check the focus mark against the tape, and shoot again.",
            "do not strike",
            size=middle,
            unit="powers of two",
        )
    ]


Detail = tuple[NDArray[np.float32], NDArray[np.float32]]
"""Energy of fine and of coarser detail, (rows, columns, 2), and the energy of noise in each block, (rows, columns)."""


def softness(own: Detail, theirs: Detail) -> tuple[float | None, int]:
    """Return how much less fine detail against coarser one picture has than another, and in how many blocks that is.

    In powers of two, below 0 where ``own`` is softer; None where too few blocks show enough in both.
    """
    both = _told(*own) & _told(*theirs)
    places = int(both.sum())
    if places < _ENOUGH_BLOCKS:
        return None, places
    return float(np.median(_sharpness(own[0])[both] - _sharpness(theirs[0])[both])), places


def enough_detail(sight: Sight, reference: Sight) -> bool:
    """Say whether both pictures show enough of the same places to be compared."""
    return softness((sight.detail, noise_floor(sight)), (reference.detail, noise_floor(reference)))[0] is not None


def noise_floor(sight: Sight) -> NDArray[np.float32]:
    """Return the energy of noise in each block of the means that a sight's detail is told from, (rows, columns)."""
    return np.asarray(np.square(sight.grain) / min(_TOGETHER, len(sight.frames)), np.float32)


def _told(detail: NDArray[np.float32], floor: NDArray[np.float32]) -> NDArray[np.bool_]:
    fine, coarse = detail[..., 0], detail[..., 1]
    return np.asarray((fine > 0.2 * floor) & (fine > 3e-8) & (coarse > 4 * floor) & (coarse > 1e-6), bool)


def _sharpness(detail: NDArray[np.float32]) -> NDArray[np.float32]:
    fine, coarse = np.maximum(detail[..., 0], 1e-12), np.maximum(detail[..., 1], 1e-12)
    return np.asarray(np.log2(fine / coarse), np.float32)


def of_plate(sight: Sight, plate: Sight, name: str, *, bits: int = 10) -> tuple[list[Remark], bool]:
    """Judge a take against a plate of the room in the same light; return remarks, and whether exposure could be told.

    Light is the same, so exposure and colour are told from all that is lit and where nobody moves, not from the dark.

    Parameters
    ----------
    sight, plate : Sight
        Of one size.
    name : str
        The plate's.
    bits : int
        Of a sample, in the coarser of their encodings.
    """
    found = _lit_alike(sight, plate, bits)
    if not found.one_level:
        return [], False
    return _told_of_light(found, f"Where nobody moves, against {name} in the same light,", "that plate"), True


def _lit_alike(sight: Sight, other: Sight, bits: int) -> exposure.Level:
    import cv2

    free = (sight.unmoving & other.unmoving).astype(np.float32)
    still = cv2.resize(free, (COLUMNS, ROWS), interpolation=cv2.INTER_AREA) > _FREE
    return exposure.lit_alike(_colours(sight), _colours(other), still, bits=bits)


def _colours(sight: Sight) -> NDArray[np.float32]:
    return np.asarray(np.median(sight.blocks, axis=0), np.float32)


def _level(sight: Sight, reference: Sight, unseen: list[str], *, same_light: bool, bits: int) -> list[Remark]:
    """Compare exposure and white balance in what both lights leave alike: all of it, or what neither reaches."""
    if same_light:
        found, where = _lit_alike(sight, reference, bits), "Where nobody moves, in the same light,"
    else:
        found = exposure.unlit(_colours(sight), _colours(reference), bits=bits)
        where = "Where neither light reaches"
    if not found.told:
        what = "too little keeps still" if same_light else "no part of the room is dark in both lights"
        unseen.append(f"Exposure and white balance were not compared: {what}.")
        return []
    if found.colour is None:
        unseen.append("White balance was not compared: the lights differ too much everywhere.")
    if not found.one_level:
        unseen.append(
            "Exposure was not compared: it cannot be told from where the light stands. Film a plate of this part, or, "
            "for stage, a second of the room without the light or a grey card at the head of each take."
        )
    return _told_of_light(found, where, "the reference")


def _told_of_light(found: exposure.Level, where: str, other: str) -> list[Remark]:
    said = []
    if found.other_white and found.colour is not None:
        red, blue = found.colour
        said.append(
            Remark(
                "white balance",
                f"{where} it is {found.tint} than {other}: red {red * 100:+.1f} %, blue {blue * 100:+.1f} % of the "
                "signal against green.",
                "Set the white balance to the same fixed value as before, never to automatic.",
                "look first",
                size=max(abs(red), abs(blue)) * 100,
                unit="%",
            )
        )
    if found.other_exposure:
        said.append(
            Remark(
                "exposure",
                f"{where} it is {'brighter' if found.bright > 0 else 'darker'} than {other} by "
                f"{abs(found.bright) * 100:.1f} % of the signal.",
                "Set iris, shutter, sensitivity and dimmers as they were. Or daylight changed: then film a new plate.",
                "look first",
                size=found.bright * 100,
                unit="%",
            )
        )
    return said


def _box(where: NDArray[np.bool_], sight: Sight) -> tuple[float, float, float, float] | None:
    rows, columns = np.nonzero(where)
    if not len(rows):
        return None
    across, down = sight.width / COLUMNS, sight.height / ROWS
    return (
        float(columns.min() * across),
        float(rows.min() * down),
        float((columns.max() + 1 - columns.min()) * across),
        float((rows.max() + 1 - rows.min()) * down),
    )


def _colour_of(take: Take) -> str:
    picture = take.picture
    return ", ".join((picture.matrix, picture.value_range, picture.primaries, picture.transfer))
