"""How well takes become one picture, on scenes of known truth: registration, match and light, masks and seams.

Everything follows from the seeds (``bench/staging/scenes.py``); those from 2000 on were used to set nothing. Parts are
run by name, all of them without one; ``--few`` takes a sample.
"""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent))

PARTS = (
    "registration",
    "light",
    "seams",
)


def main() -> None:
    """Run what was asked for."""
    asked = argparse.ArgumentParser(prog="./start bench stage", description=__doc__)
    asked.add_argument("parts", nargs="*", choices=PARTS, help="which parts; all of them if none is named")
    asked.add_argument("--seed", type=int, default=2000, help="the first scene's")
    asked.add_argument("--few", action="store_true", help="a sample of the scenes")
    given = asked.parse_args()
    for part in given.parts or PARTS:
        if part == "registration":
            from staging.registering import report_registration

            report_registration(given.seed, few=given.few)
        if part == "light":
            from staging.light import (
                report_faults,
                report_grain,
                report_light,
                report_match,
                report_seams_of_grain,
            )

            report_match(given.seed + 100, few=given.few)
            report_light(given.seed, few=given.few)
            report_faults(given.seed)
            report_grain(given.seed, few=given.few)
            report_seams_of_grain(given.seed, few=given.few)
        if part == "seams":
            from staging.seams import report_seams

            report_seams(given.seed, few=given.few)


if __name__ == "__main__":
    main()
