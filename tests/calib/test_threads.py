"""OpenCV keeps to one thread, whether it is loaded before our own packages or after them."""

import os
import subprocess
import sys

import pytest

OURS, OPENCV = "import calib.photo", "import cv2"


@pytest.mark.parametrize("first", [OURS, OPENCV])
def test_one_thread(first):
    code = f"{first}\n{OURS}\n{OPENCV}\nassert cv2.getNumThreads() == 1, cv2.getNumThreads()"
    env = {k: v for k, v in os.environ.items() if k != "OPENCV_FOR_THREADS_NUM"}
    subprocess.run([sys.executable, "-c", code], check=True, env=env)
