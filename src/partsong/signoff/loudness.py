"""Loudness and true peak of a programme.

The measuring itself is FFmpeg's ``ebur128`` filter, an implementation of ITU-R BS.1770 and EBU Mode metering; this
module feeds it blocks of samples and reads the values that it attaches to its output.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from partsong.errors import InvalidInput
from partsong.signoff.checks import Check, held

if TYPE_CHECKING:
    from av.filter import Graph

RATE_HZ = 48000
TRUE_PEAK_LIMIT_DBTP = -1.0
TARGET_TOLERANCE_LU = 0.5
ABSOLUTE_GATE_LUFS = -70.0
"""EBU R 128 (2023): the greatest true peak in production, how far a programme may lie from its target; the gate of
ITU-R BS.1770-5, below which the meter reads nothing."""

_LAYOUTS = {1: "mono", 2: "stereo", 5: "5.0", 6: "5.1"}
_SHORTEST_S = 0.4  # one gating block
_RANGE_MEANS_S = 60.0  # EBU Tech 3342 advises against the range of shorter programmes (from memory)


@dataclass(frozen=True, slots=True)
class Loudness:
    """What a programme measures as a whole.

    ``integrated_lufs`` and ``true_peak_dbtp`` are ``-inf`` in silence (nothing passed the absolute gate of -70 LUFS,
    no sample differs from zero). ``range_lu`` says little about less than a minute.
    """

    integrated_lufs: float
    range_lu: float
    true_peak_dbtp: float
    length_s: float


def measure(blocks: Iterable[NDArray[np.float32]]) -> Loudness:
    """Measure integrated loudness, loudness range and true peak of 48 kHz sound.

    Parameters
    ----------
    blocks : iterable of array, each of shape (samples, channels)
        The programme in order. One, two, five (L R C Ls Rs) or six channels (L R C LFE Ls Rs); full scale is 1.

    Returns
    -------
    Loudness
        The true peak is that of the loudest channel, found at four times the rate.

    Raises
    ------
    InvalidInput
        If there are other numbers of channels or less than 0.4 s of sound.

    References
    ----------
    ITU-R BS.1770-5 (integrated loudness, true peak); EBU Tech 3342 (loudness range).
    """
    from av import BlockingIOError as NothingYet
    from av import EOFError as AllRead

    graph: Graph | None = None
    values: dict[str, str] = {}
    samples = 0

    def drain(graph: Graph) -> None:
        while True:
            try:
                values.update(graph.pull().metadata)
            except (NothingYet, AllRead):
                return

    for frame in _frames(blocks):
        if graph is None:
            graph = _meter(frame.layout.name)
        samples += frame.samples
        graph.push(frame)
        drain(graph)
    if graph is None or samples < _SHORTEST_S * RATE_HZ:
        raise InvalidInput(
            f"There are only {samples / RATE_HZ:.2f} s of sound. Loudness needs at least {_SHORTEST_S} s."
        )
    graph.push(None)
    drain(graph)
    integrated = float(values["lavfi.r128.I"])
    peak = float(values["lavfi.r128.true_peak"])
    return Loudness(
        integrated_lufs=integrated if integrated > ABSOLUTE_GATE_LUFS else -math.inf,
        range_lu=float(values["lavfi.r128.LRA"]),
        true_peak_dbtp=20 * math.log10(peak) if peak > 0 else -math.inf,
        length_s=samples / RATE_HZ,
    )


def judge(found: Loudness, *, target_lufs: float | None = None) -> tuple[Check, ...]:
    """Hold a measurement against its limits.

    Without a target the integrated loudness is only stated: the mix is the musician's record, and which loudness a
    client or a service wants is in their written specification.
    """
    integrated = _lufs(found.integrated_lufs)
    if target_lufs is None:
        loud = Check(
            "Loudness",
            f"The programme measures {integrated} as a whole; no target was given.",
            integrated,
            "",
            "ITU-R BS.1770-5, EBU Tech 3341",
            "stated",
        )
    else:
        away = found.integrated_lufs - target_lufs
        passes = abs(away) <= TARGET_TOLERANCE_LU + 1e-9
        what_to_do = (
            ""
            if passes
            else " There is no sound to turn up."
            if math.isinf(away)
            else f" Turn the mix {'down' if away > 0 else 'up'} by {abs(away):.1f} dB, or agree on another target."
        )
        loud = Check(
            "Loudness",
            f"The programme measures {integrated} as a whole; {_lufs(target_lufs)} was asked for.{what_to_do}",
            integrated,
            f"{_lufs(target_lufs)} ± {TARGET_TOLERANCE_LU} LU",
            "ITU-R BS.1770-5; tolerance of EBU R 128 (2023)",
            held(passes),
        )
    spread = Check(
        "Loudness",
        f"Quiet and loud passages lie {found.range_lu:.1f} LU apart"
        + ("." if found.length_s >= _RANGE_MEANS_S else ", which says little about so short a programme."),
        f"{found.range_lu:.1f} LU",
        "",
        "EBU Tech 3342",
        "stated",
    )
    # The meter gives the peak to three decimals of full scale, 0.005 dB at the limit.
    over = found.true_peak_dbtp - TRUE_PEAK_LIMIT_DBTP
    passes = over <= 0.005
    peak_words = "silence" if math.isinf(found.true_peak_dbtp) else f"{found.true_peak_dbtp:.1f} dBTP"
    peak = Check(
        "True peak",
        f"The highest peak of the rebuilt wave is {peak_words}."
        + ("" if passes else f" It may clip in players and lossy coding: turn the mix down by {over:.1f} dB."),
        peak_words,
        f"at most {TRUE_PEAK_LIMIT_DBTP:.0f} dBTP",
        "ITU-R BS.1770-5 Annex 2; limit of EBU R 128 (2023)",
        held(passes),
    )
    return loud, spread, peak


def _meter(layout: str) -> Graph:
    from av.filter import Graph

    graph = Graph()
    source = graph.add_abuffer(sample_rate=RATE_HZ, format="flt", layout=layout)
    meter = graph.add("ebur128", "metadata=1:peak=true:framelog=quiet")
    sink = graph.add("abuffersink")
    source.link_to(meter)
    meter.link_to(sink)
    graph.configure()
    return graph


def _frames(blocks: Iterable[NDArray[np.float32]]) -> Iterator[Any]:
    from av import AudioFrame

    at = 0
    for block in blocks:
        if not len(block):
            continue
        channels = block.shape[1]
        if channels not in _LAYOUTS:
            raise InvalidInput(f"Loudness of {channels} channels is not defined here. Give 1, 2, 5 or 6 channels.")
        frame = AudioFrame(format="flt", layout=_LAYOUTS[channels], samples=len(block))
        frame.sample_rate = RATE_HZ
        frame.pts = at
        frame.planes[0].update(np.ascontiguousarray(block, dtype=np.float32).tobytes())
        at += len(block)
        yield frame


def _lufs(value: float) -> str:
    return "under the gate (silence)" if math.isinf(value) else f"{value:.1f} LUFS"
