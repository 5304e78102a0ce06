"""Seven 3840x2160 10-bit layers merged on a graphics processor, beside the processor's own kernel in the same run.

``--software`` takes an adapter that is only a program: it shows that the bench runs, and its times mean nothing.
"""

from __future__ import annotations

import argparse
import statistics
import time
from collections.abc import Callable

import numpy as np

from partsong.media.planes import Planes
from partsong.render import pixels
from partsong.render.gpu import GpuMerger, device
from partsong.render.merge import Form, Merger, stack_weights
from rendering.layers import HEIGHT, LAYERS, grainy, stack

FRAMES, PASSES = 24, 5
CODE = np.linspace(0, 1, 4096)
CURVE = np.where(  # Academy S-2016-001, ACEScct
    CODE > 0.155251141552511, 2 ** (CODE * 17.52 - 9.72), (CODE - 0.0729055341958355) / 10.5402377416545
)
FORM = Form(10, "422", "bt709", "limited")


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--software", action="store_true")
    software = parser.parse_args().software
    info = device(software).adapter.info
    count = 1 if software else FRAMES
    print(f"{info['device']}, {info['backend_type']}")
    frames = [grainy(seed) for seed in range(LAYERS)]
    turns = [[frames[(n + k) % LAYERS] for k in range(LAYERS)] for n in range(LAYERS)]
    here, there = Merger(stack(), CURVE, FORM), GpuMerger(stack(), CURVE, FORM, software=software)
    ours, theirs = there.merge(turns[0]), here.merge(turns[0])
    wanted = definition(turns[0])
    for name, got in (("graphics", ours), ("processor", theirs)):
        worst = max(int(np.abs(getattr(got, p).astype(int) - getattr(wanted, p)).max()) for p in ("y", "u", "v"))
        print(f"{name:10} worst difference from the definition: {worst} of 1023 codes")

    def kernel() -> None:
        for _ in range(count):
            there.run()
        there.received()

    def only_received() -> None:
        there.received()

    def whole() -> None:
        for n in range(count):
            there.merge(turns[n % LAYERS])

    def processor() -> None:
        for n in range(count):
            here.merge(turns[n % LAYERS])

    back = wall_ms(only_received)
    print(f"kernel alone {(wall_ms(kernel) - back) / count:8.3f} ms a frame")
    print(f"reading back {back:8.2f} ms a frame")
    print(f"whole frame  {wall_ms(whole) / count:8.2f} ms a frame: layers sent, merged, read back, one after another")
    print(f"processor    {wall_ms(processor) / count:8.2f} ms a frame, one core")
    sent = sum(plane.nbytes for frame in turns[0] for plane in (frame.y, frame.u, frame.v))
    print(f"copying the same {sent / 1e6:.0f} MB in memory: {wall_ms(lambda: copied(turns[0])):.2f} ms")


def definition(layers: list[Planes]) -> Planes:
    """Return the frame as the definition has it, in double precision, band by band to save memory."""
    bands = []
    for top in range(0, HEIGHT, 120):
        rows = range(top, top + 120)
        cut = [Planes(a.y[top : top + 120], a.u[top : top + 120], a.v[top : top + 120], 10, "bt709", "limited")
               for a in layers]  # fmt: skip
        bands.append(pixels.merged(cut, stack_weights(stack(), rows), CURVE))
    y, u, v = (np.concatenate([getattr(band, plane) for band in bands]) for plane in ("y", "u", "v"))
    return Planes(y, u, v, 10, "bt709", "limited")


def copied(layers: list[Planes]) -> None:
    """Copy every plane."""
    for layer in layers:
        for plane in (layer.y, layer.u, layer.v):
            plane.copy()


def wall_ms(work: Callable[[], object]) -> float:
    """Return the median wall time of some passes after a first one that warms up."""
    work()
    times = []
    for _ in range(PASSES):
        began = time.perf_counter()
        work()
        times.append(1000 * (time.perf_counter() - began))
    return statistics.median(times)


if __name__ == "__main__":
    main()
