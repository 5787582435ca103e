"""The pages served for a test: the real server and store, with a recipe that reads frets from where they were drawn.

The scale is found and the plane fitted as always; only the search for frets is replaced, so that these tests are about
the pages and take no longer than they must.
"""

import argparse
import sys
import time
from contextlib import contextmanager
from pathlib import Path
from types import ModuleType

import numpy as np

from inspect_app.measure.summary import summaries
from inspect_app.reading.inspection import Flat, FretReading, Inspection, Outline
from inspect_app.reading.key import NotMeasured, parse_key
from inspect_app.services import (
    QueueState,
    add_photo,
    measure_photo,
    measuring_queue,
    open_store,
    photo_view,
    queue_of,
    suggested_ask,
)
from inspect_app.ui import run
from shared.errors import ScaleError
from shared.measured import Measured
from tests.browser.drawn import FRET_X_MM, FRET_Y_MM, WIDTH_MM

SLOW_S = 0.0
"""How long a moved edge is made to take."""
HELD = "queue-is-held"


def length(value, u, *flags, by_hand=False):
    made = Measured.of(value, "mm", flags, edge_noise=0.8 * u, scale=0.6 * u)
    return Measured(made.value, made.unit, made.contributions, made.flags, by_hand)


def fret_of(number, x, plane, ask):
    """One fret, its crown's edges where they were drawn or where a person put them."""
    placed = {h.what: h.points for h in ask.hand_edges}
    edges, at = [], []
    for side, dx in (("nut", -WIDTH_MM / 2), ("body", WIDTH_MM / 2)):
        name = parse_key(f"fret {number}, crown {side} side")
        drawn = plane.to_px([[x + dx, y, 0.0] for y in FRET_Y_MM])
        points = np.asarray(placed.get(name, drawn))
        edges.append(Outline("crown_edge", tuple(map(tuple, points.tolist())), of=name))
        at.append(plane.to_mm(points)[:, 0].mean())
    by_hand = any(key.fret == number and key.feature.startswith("crown") for key in placed)
    doubtful = ("GLARE",) if number == 3 else ()
    y0 = FRET_Y_MM[0]
    flat = plane.to_px([[x + a, y0 + b, 0.0] for a, b in ((0, 10), (0.4, 12), (0, 14), (-0.4, 12))])
    return FretReading(
        number,
        position=length(x, 0.01),
        length=length(FRET_Y_MM[1] - y0, 0.05),
        crown_width=length(abs(at[1] - at[0]), 0.02, *doubtful, *(("BY_HAND",) if by_hand else ()), by_hand=by_hand),
        flats=(Flat(length(12.0, 0.1), length(4.0, 0.1), length(0.8, 0.05), length(0.07, 0.01, "INDIRECT")),),
        outlines=(
            *edges,
            Outline("flat", tuple(map(tuple, flat.tolist())), True, parse_key(f"fret {number}, flats 1")),
        ),
    )


def measure(photo, scale, plane, ask):
    """The stand-in recipe; a photo with a dark upper corner has no frets in it."""
    if ask.hand_edges:
        time.sleep(SLOW_S)
    if photo.gray[:40, :40].mean() < 20:
        raise ScaleError("No frets are to be seen.", "Photograph the board from above, with the strip beside it.")
    seen, ruler, camera = summaries(photo, scale, plane, ask)
    frets = tuple(fret_of(ask.first_fret + i, x, plane, ask) for i, x in enumerate(FRET_X_MM))
    missing = (NotMeasured(parse_key(f"fret {ask.first_fret}, divots"), "a photo from above shows no depth"),)
    return Inspection(ask.view, seen, "test", ask.to_dict(), frets, missing, (), ruler, camera)


RECIPE = "inspect_app.measure.plan.recipe"


def stand_in():
    recipe = ModuleType(RECIPE)
    recipe.detect = lambda *seen: seen[:3]
    recipe.measure_detected = lambda detected, ask: measure(*detected, ask)
    sys.modules[RECIPE] = recipe


@contextmanager
def standing_in():
    """The stand-in for a while, in a process that also measures."""
    real = sys.modules.pop(RECIPE, None)
    stand_in()
    try:
        yield
    finally:
        del sys.modules[RECIPE]
        if real is not None:
            sys.modules[RECIPE] = real


def measure_in(data, job, photo, name="board.jpg"):
    """A photo taken into a job and measured with the stand-in, as the pages would, but without them."""
    store = open_store(data)
    with standing_in():
        taken = add_photo(store, job, photo, name).photo
        measure_photo(store, taken.id, suggested_ask(store, taken.id))
    store.close()


def let_it_be_stopped():
    """While the data folder holds the file `HELD`, photos of the queue are measured only once it has been stopped."""
    measure_photo = measuring_queue.measure_photo

    def stopped(store, photo_id):
        job_id = photo_view(store, photo_id).job_id
        return any(q.turn is QueueState.STOPPED for q in queue_of(store, job_id))

    def held(store, photo_id, *asked, **more):
        while (store.data_dir / HELD).exists() and not stopped(store, photo_id):
            time.sleep(0.05)
        return measure_photo(store, photo_id, *asked, **more)

    measuring_queue.measure_photo = held


def main():
    options = argparse.ArgumentParser()
    options.add_argument("--data", type=Path, required=True)
    options.add_argument("--port", type=int, required=True)
    options.add_argument("--passcode")
    options.add_argument("--real", action="store_true")
    options.add_argument("--slow", type=float, default=0.0)
    given = options.parse_args()
    global SLOW_S
    SLOW_S = given.slow
    if not given.real:
        stand_in()
    let_it_be_stopped()
    run(given.data, given.port, False, bool(given.passcode), given.passcode)


if __name__ == "__main__":
    main()
