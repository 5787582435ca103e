"""Optics: photo, scale, plane, edges. Nothing here knows of instruments.

OpenCV is told to use one thread. What is worked on here are pieces of a photo, a fret or an edge long: sharing them
between cores costs 5 to 15 % more processor time than it saves, and gains under 5 % of waiting.
"""

import os
import sys

os.environ.setdefault("OPENCV_FOR_THREADS_NUM", "1")  # read when it is loaded, which a list of jobs need not wait for
if "cv2" in sys.modules:
    sys.modules["cv2"].setNumThreads(1)
