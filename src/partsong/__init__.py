"""Partsong: the film in which one musician plays every part, from the plan to the checked master."""

import os

# Read when OpenCV and numpy are loaded. Work is spread over processes, and pictures and matrices are small: threads of
# their own cost a tenth and two fifths more of the processor there (they wait by turning round) and save no time.
os.environ.setdefault("OPENCV_FOR_THREADS_NUM", "1")
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

__version__ = "0.1.0"
