"""Partsong: the film in which one musician plays every part, from the plan to the checked master."""

import os

# Read when OpenCV is loaded. Work is spread over processes, and pictures to judge are small: threads of its own cost a
# tenth more of the processor there and save no time.
os.environ.setdefault("OPENCV_FOR_THREADS_NUM", "1")

__version__ = "0.1.0"
