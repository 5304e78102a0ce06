"""How far the table that renders lies from the exact colour path, on 3840x2160 frames, by its size; and bakes.

The exact path is OpenColorIO's own processors in single precision with the look's steps in float64 between them
(``partsong.render.colour``). Frames: two of the demo's takes, lit by one warm lamp and dusk, and one of them under
strong coloured lamps, as a concert has. Codes are 10 bits in and out. Nothing is tuned here. ``--few`` takes 1280x720.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from partsong.demo import camera, clips, tune
from partsong.film.records import Look
from partsong.look.handover import SIZES, bake, bake_error
from partsong.media.planes import Planes
from partsong.render import colour, pixels
from partsong.render.table import apply_table, build_table

SIGNAL = (10, "bt709", "limited")
LOOKS = {
    "as it is": Look(config=colour.DEFAULT_CONFIG, display="Rec.1886 Rec.709 - Display", view="ACES 1.0 - SDR Video"),
    "contrasty": Look(
        config=colour.DEFAULT_CONFIG, display="Rec.1886 Rec.709 - Display", view="ACES 1.0 - SDR Video",
        exposure_stops=0.6, contrast=1.25, saturation=1.2,
    ),
}  # fmt: skip
BAND = 240  # rows at a time, so that float64 stays small


def main() -> None:
    """Print the tables."""
    width, height = (1280, 720) if "--few" in sys.argv else (3840, 2160)
    frames = dict(filmed(width, height))
    for name, look in LOOKS.items():
        path = colour.display_path(look, "ACEScct", None)
        exact = {what: list(exact_bands(planes, path)) for what, planes in frames.items()}
        print(f"look {name}; {width}x{height}, 10-bit codes away from the exact path: worst / 99.9 % / mean")
        for size in (33, 65, 129):
            began = time.process_time()
            table = build_table(path, source=SIGNAL, target=SIGNAL, size=size)
            built = time.process_time() - began
            began = time.process_time()
            found = {what: apply_table(planes, table) for what, planes in frames.items()}
            ms = (time.process_time() - began) / len(frames) * 1000
            told = "   ".join(f"{what} {away(found[what], exact[what])}" for what in frames)
            print(
                f"  {size:4} points: {told}   (built in {built:.1f} s, {ms:.0f} ms a frame with the first compilation)"
            )
        print("  baked to .cube, camera R'G'B' to display R'G'B', read tetrahedrally:")
        for size in SIZES:
            table_of = bake(path, size)
            told = []
            for what, planes in frames.items():
                rgb = encoded(planes)[::4, ::4].reshape(-1, 3)
                error = bake_error(path, table_of, rgb)
                told.append(f"{what} {error.worst:.1f} / {error.p999:.1f} / {error.mean:.2f}")
            print(f"  {size:4} points: {'   '.join(told)}")


def filmed(width: int, height: int) -> Iterator[tuple[str, Planes]]:
    """Yield the frames by name."""
    song = tune.waltz(bars=2, seed=1)
    taken = {clip.part: clip for clip in clips.clips(song, tune.PARTS, roaming=False)}
    for part in ("cajon", "melodica"):
        middle = (taken[part].frames // 2,)  # long after the lamp was switched on
        light = next(iter(clips.light_frames(taken[part], song, width=width, height=height, some=middle)))
        yield part, camera.record(light, seed=7)
        if part == "cajon":
            lamps = np.stack([np.linspace(3, 0.2, width), np.full(width, 0.35), np.linspace(0.2, 4, width)], axis=-1)
            coloured = np.ascontiguousarray(light * lamps[None].astype(np.float32))
            yield "coloured lamps", camera.record(coloured, seed=8)


def encoded(planes: Planes) -> NDArray[np.float32]:
    """Return encoded R'G'B' of planes, colour replicated."""
    return pixels.codes_to_encoded(pixels.full_size(planes), *SIGNAL).astype(np.float32)  # type: ignore[arg-type]


def exact_bands(planes: Planes, path: colour.DisplayPath) -> Iterator[tuple[NDArray[np.float64], ...]]:
    """Yield the exact codes of bands of rows, not rounded: luma, and colour as 4:2:2 shares it."""
    for top in range(0, planes.height, BAND):
        rows = slice(top, top + BAND)
        band = Planes(planes.y[rows], planes.u[rows], planes.v[rows], *SIGNAL)  # type: ignore[arg-type]
        codes = pixels.encoded_to_codes(path(encoded(band)), *SIGNAL)  # type: ignore[arg-type]
        yield codes[..., 0], pixels.box_mean(codes[..., 1], "422"), pixels.box_mean(codes[..., 2], "422")


def away(found: Planes, exact: list[tuple[NDArray[np.float64], ...]]) -> str:
    """Return worst, 99.9th percentile and mean distance of all codes, rounding to whole codes (0.5) included."""
    distances = []
    for number, bands in enumerate(exact):
        rows = slice(number * BAND, number * BAND + BAND)
        for plane, band in zip((found.y, found.u, found.v), bands, strict=True):
            distances.append(np.abs(plane[rows].astype(np.float64) - band).ravel().astype(np.float32))
    every = np.concatenate(distances)
    return f"{every.max():.2f} / {np.percentile(every, 99.9):.2f} / {every.mean():.2f}"


if __name__ == "__main__":
    main()
