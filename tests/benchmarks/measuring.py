"""The whole of ``measure`` as a multiple of decoding, and its peak memory.

``python tests/benchmarks/measuring.py [FOLDER]``

FOLDER holds photos with truth files; the sample photos where none is named. Processor time, the best of several runs
of opening and measuring, over the best of ``cv2.imdecode`` of the same bytes in the same run. Budget: 6 times in the
plan view, 8 in the others. Peak memory is that of a process of its own which measures the first plan photo made
24 megapixels large; budget 1.2 GB.
"""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable
from pathlib import Path

import cv2
import numpy as np

from calib.photo import open_photo
from calib.scales.ask import parse_scale
from inspect_app.measure import measure
from inspect_app.reading.ask import Ask
from shared.errors import InspectError

RUNS = 3
SAMPLES = Path(__file__).parents[2] / "sample_images"
_KNOWN = ("view", "scale_length", "first_fret", "nut", "treble", "crown_width", "crown_height", "end", "string")


def best(action: Callable[[], object]) -> float:
    """Least processor time of several runs, seconds."""
    spent = []
    for _ in range(RUNS):
        start = time.process_time()
        action()
        spent.append(time.process_time() - start)
    return min(spent)


def ask_of(truth: dict) -> Ask:
    """The question a truth file names."""
    options = truth["ask"]
    return Ask(scale=parse_scale(options["scale"]), **{k: options[k] for k in _KNOWN if k in options})


def ratio(data: bytes, ask: Ask) -> float:
    """Measuring over decoding, both from the bytes."""
    codes = np.frombuffer(data, np.uint8)

    def whole() -> None:
        try:
            measure(open_photo(data), ask)
        except InspectError as refusal:
            print(f"  refused: {refusal}")

    return best(whole) / best(lambda: cv2.imdecode(codes, cv2.IMREAD_COLOR))


def peak_memory_mb(photo: Path, truth: dict) -> float:
    """Of a process that measures the photo made 24 megapixels large."""
    picture = cv2.imread(str(photo))
    factor = (24e6 / (picture.shape[0] * picture.shape[1])) ** 0.5
    options = [w for k in ("view", "scale", "scale_length") if k in truth["ask"] for w in (f"--{k}", truth["ask"][k])]
    with tempfile.TemporaryDirectory() as folder:
        large = Path(folder) / "large.jpg"
        cv2.imwrite(str(large), cv2.resize(picture, None, fx=factor, fy=factor, interpolation=cv2.INTER_CUBIC))
        command = [sys.executable, "-m", "inspect_app.cli", "measure", str(large), *map(str, options)]
        subprocess.run(
            [w.replace("--scale_length", "--scale-length") for w in command], capture_output=True, check=True
        )
    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024.0


def main(folder: Path) -> None:
    """Print every photo's ratio, each view's median and worst, and the peak memory."""
    found = [(p, json.loads(p.read_text())) for p in sorted(folder.glob("*.json"))]
    shots = [(p.with_name(t["photo"]), t) for p, t in found if "ask" in t and "photo" in t]
    by_view = defaultdict(list)
    for photo, truth in shots:
        at = ratio(photo.read_bytes(), ask_of(truth))
        by_view[truth["ask"]["view"]].append(at)
        print(f"{photo.name:40}{at:6.1f} times decoding")
    for view, ratios in by_view.items():
        print(f"{view:12} median {np.median(ratios):.1f}, worst {max(ratios):.1f} times decoding")
    plan = next((s for s in shots if s[1]["ask"]["view"] == "plan"), None)
    if plan is not None:
        print(f"peak memory, 24 megapixels: {peak_memory_mb(*plan):.0f} MB (budget 1200)")


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else SAMPLES)
