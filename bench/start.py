"""How long a command takes to begin: CPU of ``partsong --help`` against a bare interpreter, in one run."""

from __future__ import annotations

import resource
import subprocess
import sys

RUNS = 10


def cpu_s(*words: str) -> float:
    """Return the CPU seconds (user and system) of one run of a command, the least of several."""
    least = float("inf")
    for _ in range(RUNS):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        least = min(least, after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    return least


def main() -> None:
    """Print the table."""
    bare = cpu_s(sys.executable, "-c", "pass")
    ours = cpu_s(sys.executable, "-m", "partsong", "--help")
    print(f"bare interpreter {bare:.3f} s CPU, partsong --help {ours:.3f} s CPU, ratio {ours / bare:.1f} (limit 0.3 s)")


if __name__ == "__main__":
    main()
