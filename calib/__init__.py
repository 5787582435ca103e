"""Optics: photo, scale, plane, edges. Nothing here knows of instruments.

OpenCV is told to use one thread. What is worked on here are pieces of a photo, a fret or an edge long: sharing them
between cores costs 5 to 15 % more processor time than it saves, and gains under 5 % of waiting.
"""

import cv2

cv2.setNumThreads(1)
