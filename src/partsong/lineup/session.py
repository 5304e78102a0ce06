"""A folder of sound for the mixer: every placed take's own sound laid onto the song, beside the mix and the stems.

Every file begins with the song and lasts as long as it does, so that all of them lie right when they are put at the
same place, and says in its ``bext`` chunk at which time of day that is. Sound is laid where it was *made*: the arrival
delay is taken out.

**Drift.** A take whose clock strays by more than a millisecond over its length is resampled onto the song. Any other is
moved by whole samples only, and its samples are the camera's own.
"""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput, OutputFailed
from partsong.film.coverage import PlacedTake, placed_takes
from partsong.film.folder import FilmFolder, not_written
from partsong.film.records import Clip, Film, Timecode
from partsong.media.bwf import BITS, BroadcastInfo, samples_since_midnight, write_bwf
from partsong.media.resample import TAPS, read_between
from partsong.media.sound import read_sound
from partsong.timebase import Rate, clock, frame_to_timecode, round_half_up, timecode_to_frame
from partsong.watch import Watch

RATE_HZ = 48000
USUAL_ORIGIN = "01:00:00:00"
MATTERS_S = 0.001
"""Drift that stays below this over a take is left alone: sound walks 34 cm in it, less than a player moves, and every
sample stays the camera's own. Common practice, no source."""

_BLOCK = RATE_HZ
LIST_NAME = "session.txt"


@dataclass(frozen=True, slots=True)
class Laid:
    """How a take's sound lies on the song, exactly.

    Sample ``k`` of the song is the take's sample ``first + k * step``. ``strays_s`` is how far the take's clock strays
    from the song's over its length.
    """

    first: Fraction
    step: Fraction
    strays_s: float

    @property
    def resampled(self) -> bool:
        """Whether the drift is taken out."""
        return self.step != 1


@dataclass(frozen=True, slots=True)
class Entry:
    """A file of the session: its name, where its sound comes from, and what is said of it."""

    name: str
    clip: Clip
    laid: Laid
    words: str


@dataclass(frozen=True, slots=True)
class Session:
    """What was written. ``resampled`` are the files whose drift was taken out, ``left_out`` takes with the reason."""

    folder: Path
    origin: str
    time_reference: int
    files: tuple[tuple[str, str], ...]
    resampled: tuple[str, ...]
    left_out: tuple[tuple[str, str], ...]


def lay(sound_s: Fraction, drift_ppm: float, length_s: Fraction) -> Laid:
    """Say how a take's sound is laid onto the song.

    Parameters
    ----------
    sound_s : Fraction
        Where the take's sound starts on the song.
    drift_ppm : float
        How much faster song time runs than the take's clock.
    length_s : Fraction
        The take's length on its own clock.
    """
    drift = Fraction(drift_ppm) / 1_000_000
    strays_s = abs(drift) * length_s
    if strays_s > MATTERS_S:
        step = 1 / (1 + drift)
        return Laid(-sound_s * RATE_HZ * step, step, float(strays_s))
    return Laid(Fraction(round_half_up(-sound_s * RATE_HZ)), Fraction(1), float(strays_s))


def onto_song(
    blocks: Iterable[NDArray[np.float32]], begin: int, laid: Laid, count: int, channels: int
) -> Iterator[NDArray[np.float32]]:
    """Yield ``count`` samples of the song's time line, in blocks of (n, channels); silence where the take has none.

    ``blocks`` are the take's sound from its sample ``begin`` on.
    """
    source = iter(blocks)
    held, at = np.zeros((0, channels), np.float32), begin
    for start in range(0, count, _BLOCK):
        stop = min(start + _BLOCK, count)
        low = (laid.first + start * laid.step).__floor__() - TAPS
        high = (laid.first + stop * laid.step).__floor__() + TAPS
        while at + len(held) < high and (block := next(source, None)) is not None:
            held = np.concatenate([held, block])
        gone = min(max(low - at, 0), len(held))
        held, at = held[gone:], at + gone
        first = laid.first + start * laid.step - at
        if laid.resampled:
            positions = float(first) + np.arange(stop - start, dtype=np.float64) * float(laid.step)
            yield read_between(held, positions)
        else:
            out = np.zeros((stop - start, channels), np.float32)
            shift = int(first)
            begins, ends = max(0, -shift), min(stop - start, len(held) - shift)
            if begins < ends:
                out[begins:ends] = held[begins + shift : ends + shift]
            yield out


def write_session(
    folder: FilmFolder, film: Film, out: Path, *, origin: str = USUAL_ORIGIN, made: datetime, watch: Watch
) -> Session:
    """Write the session of a film into a new folder, as a whole or not at all.

    Parameters
    ----------
    folder, film
        The film.
    out : Path
        The folder to make; it may be there when it is empty.
    origin : str
        The timecode label, at the film's rate, at which the song starts.
    made : datetime
        The date and time to write into the files.
    watch : Watch
        Progress in seconds of sound.

    Raises
    ------
    InvalidInput
        If the film has no song or rate, the label does not exist, or ``out`` holds anything.
    OutputFailed
        If it cannot be written.
    """
    if film.song is None or film.rate is None:
        raise InvalidInput("A session needs a song and a frame rate. Add takes first: partsong shoot add FILM FOLDER")
    rate = film.rate
    zero = Timecode(frame=timecode_to_frame(origin, rate), drop=origin.strip()[-3:-2] == ";")
    reference = samples_since_midnight(zero, rate, RATE_HZ)
    if out.exists() and (not out.is_dir() or any(out.iterdir())):
        raise InvalidInput(f"{out} holds something already. Give the session a new folder.")
    entries = session_entries(film)
    sources = [folder.locate(entry.clip.file) for entry in entries]  # a missing file is told before the work
    session = Session(
        out,
        frame_to_timecode(zero.frame, rate, drop=zero.drop),
        reference,
        _told(entries),
        tuple(entry.name for entry in entries if entry.laid.resampled),
        _left_out(film),
    )
    count = round_half_up(film.song.length_s * RATE_HZ)
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        temporary = Path(tempfile.mkdtemp(prefix=f".{out.name}.", suffix=".part", dir=out.parent))
        try:
            for entry, source in zip(entries, sources, strict=True):
                info = BroadcastInfo(
                    description=f"{film.song.title}: {entry.words}",
                    originator="Partsong",
                    reference=Path(entry.name).stem,
                    made=made,
                    time_reference=reference,
                )
                write_bwf(temporary / entry.name, _sound(entry, source, count, watch), info, rate_hz=RATE_HZ)
            words = session_list(film, session, rate)
            (temporary / LIST_NAME).write_text(words, encoding="utf-8", newline="\n")
            temporary.chmod(0o755)
            if out.exists():
                out.rmdir()
            temporary.rename(out)
        finally:
            shutil.rmtree(temporary, ignore_errors=True)
    except OutputFailed:
        raise
    except OSError as problem:
        if isinstance(problem, InvalidInput):
            raise
        raise not_written(out, problem) from problem
    return session


def session_entries(film: Film) -> tuple[Entry, ...]:
    """Return the files of a film's session in score order: the mix; each part's stem and takes; coverage."""
    song = film.song
    assert song is not None
    plain = Laid(Fraction(0), Fraction(1), 0.0)
    found: list[tuple[str, Clip, Laid, str]] = [("mix", song.mix, plain, "the mix")]
    takes = [placed for placed in placed_takes(film) if placed.take.clip.sound is not None]
    for part in film.parts:
        stem = song.stem_of(part.id)
        if stem is not None:
            found.append((f"{part.id}-stem", stem, plain, f"{part.name}, the stem"))
        found.extend(_take(placed, part.name) for placed in takes if placed.take.part == part.id)
    found.extend(_take(placed, "coverage") for placed in takes if placed.take.part is None)
    digits = max(2, len(str(len(found))))
    return tuple(
        Entry(f"{number:0{digits}d}-{name}.wav", clip, laid, words)
        for number, (name, clip, laid, words) in enumerate(found, start=1)
    )


def session_list(film: Film, session: Session, rate: Rate) -> str:
    """Return the session's list as plain text, ending with a line feed."""
    assert film.song is not None
    width = max(len(name) for name, _ in session.files)
    lines = [
        f"{film.song.title}: the sound of its takes, laid onto the song",
        "",
        f"Every file begins with the song and lasts as long: {clock(film.song.length_s)}, {RATE_HZ} Hz, {BITS} bits.",
        f"The song starts at {session.origin} (at {rate} frames a second): {session.time_reference} samples after "
        "midnight.",
        "Sound is laid where it was made: the time that it took to the camera is taken out.",
        "",
        *(f"{name:<{width}}  {words}" for name, words in session.files),
        "",
        f"Resampled: {', '.join(session.resampled) or 'none'}. All other takes hold the camera's own samples.",
    ]
    if session.left_out:
        lines += ["", "Left out:", *(f"{take}: {why}" for take, why in session.left_out)]
    return "\n".join(lines) + "\n"


# --- inside ---------------------------------------------------------------------------------------


def _take(placed: PlacedTake, of: str) -> tuple[str, Clip, Laid, str]:
    placement, take = placed.placement, placed.take
    assert placement.start is not None
    sound_s = placement.start.seconds  # less the delay: see lineup.arrival for the signs
    if placement.arrival_delay is not None:
        sound_s -= placement.arrival_delay.seconds
    laid = lay(sound_s, placement.drift_ppm, take.clip.duration.seconds)
    words = [f"{of}, take {take.id} ({placement.confidence}), its sound starts at {clock(sound_s)}"]
    strays = f"{laid.strays_s * 1e3:.2f} ms over its length"
    if laid.resampled:
        words.append(f"resampled by {placement.drift_ppm:+.1f} ppm: its clock strays by {strays}, more than 1 ms")
    elif placement.drift_ppm:
        words.append(f"not resampled: its clock strays by only {strays}")
    if sound_s < 0:
        words.append(f"{-float(sound_s):.2f} s before the song left out")
    return take.id, take.clip, laid, "; ".join(words)


def _left_out(film: Film) -> tuple[tuple[str, str], ...]:
    placed = {found.take.id for found in placed_takes(film)}
    left = []
    for take in film.takes:
        if take.id not in placed:
            placement = film.placement_of(take.id)
            left.append((take.id, "not placed" if placement is None else f"{placement.confidence}: not placed"))
        elif take.clip.sound is None:
            left.append((take.id, "it has no sound"))
    return tuple(left)


def _told(entries: Sequence[Entry]) -> tuple[tuple[str, str], ...]:
    return tuple((entry.name, entry.words) for entry in entries)


def _sound(entry: Entry, source: Path, count: int, watch: Watch) -> Iterator[NDArray[np.float32]]:
    assert entry.clip.sound is not None
    begin = max(0, entry.laid.first.__floor__() - TAPS)
    blocks = read_sound(source, rate_hz=RATE_HZ, start_s=Fraction(begin, RATE_HZ))
    laid = onto_song(blocks, begin, entry.laid, count, entry.clip.sound.channels)
    return watch.over(laid, total=-(-count // _BLOCK), doing=f"Writing {entry.name}")
