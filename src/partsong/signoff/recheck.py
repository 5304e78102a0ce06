"""A stretch of a written master, decoded again beside what was planned for it. Runs in any process."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

from partsong.media.planes import Planes
from partsong.signoff.masters import MasterPlan, psnr, sampled_frames
from partsong.signoff.paint import Painter
from partsong.signoff.verify import Compared, most_like
from partsong.watch import Watch


@dataclass(frozen=True, slots=True)
class Rechecked:
    """Decodes frames ``first`` to before ``stop`` of a master, and compares some of them with their plan.

    It begins with a key frame, as every segment of a master does. The last stretch goes on to the end of the file,
    whatever lies there. ``alone`` says whether it may use all processors.
    """

    path: Path
    painter: Painter
    plan: MasterPlan
    first: int
    stop: int
    alone: bool

    def __call__(self, watch: Watch) -> tuple[list[int], list[Compared]]:
        """Return when each frame that was found is shown, in the file's ticks, and those that were compared."""
        from partsong.media.check import decode_stretch
        from partsong.media.frames import planes_of

        compared: list[Compared] = []
        looked_at = frozenset(sampled_frames(self.plan))

        def see(number: int, frame: Any) -> None:
            if self.first + number in looked_at:
                compared.append(self._compared(self.first + number, planes_of(frame, "bt709", "limited")))

        ticks = decode_stretch(
            self.path,
            watch,
            first_s=self.first * self.plan.rate.frame_s,
            stop_s=None if self.stop == self.plan.frames else self.stop * self.plan.rate.frame_s,
            threads=0 if self.alone else 1,
            see=see,
        )
        return ticks, compared

    def _compared(self, frame: int, decoded: Planes) -> Compared:
        """Hold a frame against what was planned for it and for its neighbours, which are painted again."""
        near = [number for number in (frame - 1, frame, frame + 1) if 0 <= number < self.plan.frames]
        planned = dict(zip(near, self.painter.pictures(near), strict=True))
        decoded_db = {number: psnr(planes, decoded) for number, planes in planned.items()}
        planned_db = {number: psnr(planned[frame], planned[number]) for number in near if number != frame}
        return Compared(frame, decoded_db[frame], most_like(frame, decoded_db, planned_db))
