"""The tilt that frets tell where a span can't: as uncertain as they lie uneven, and the span stays as long as it is."""

import numpy as np

from calib.photo import Focal, Photo
from calib.pose_fit import fit_plane
from calib.scales.span import span_scale
from inspect_app.instrument.fretboard import fret_position
from inspect_app.measure.plan.board_tilt import tilted_as_frets
from inspect_app.measure.plan.fret_frame import FretFrame
from tests.inspect_app.measure.plan.bench_pictures import Bench

BENCH = Bench("intake-plan-12", share=0.3, tilt=(9.0, -8.0))
FOCAL = Focal(BENCH.plane.focal_px, 0.02, "EXIF")
PHOTO = Photo(np.zeros((*BENCH.size[::-1], 3), np.uint8), "0" * 64, "bench.jpg", FOCAL)


def spanned():
    """A span between the outermost frets of the bench, and its plane: square on, for all that it tells."""
    frets, numbers = BENCH.frets_px()
    ends = fret_position(BENCH.truth["ask"]["scale_length"], [numbers[0], numbers[-1]])
    scale = span_scale(PHOTO, tuple(np.concatenate([frets[0, 1], frets[-1, 1]]).tolist()), float(np.ptp(ends)))
    return scale, fit_plane(scale, BENCH.size, PHOTO.focal)


def uneven(plane, rng, scatter_mm):
    """The bench's frets on a plane, each found so much beside its place."""
    frets, numbers = BENCH.frets_px()
    neck = (frets[-1, 1] - frets[0, 1]) / np.linalg.norm(frets[-1, 1] - frets[0, 1])
    px = frets + rng.normal(0.0, scatter_mm * plane.px_per_mm(), (len(frets), 1, 1)) * neck
    for n, ends in zip(numbers, px[:, [0, 2]], strict=True):
        a, b = plane.to_mm(ends)
        length = float(np.linalg.norm(b - a))
        along = (b - a) / length
        yield FretFrame(
            int(n), plane, a, along, np.array([along[1], -along[0]]), 0.0, length / 2.0, float("inf"), length
        )


def test_frets_found_unevenly_tell_the_tilt_as_much_less():
    scale, plane = spanned()
    true = BENCH.plane.rotation[:2, 2]
    z = []
    for seed in range(24):
        tilted = tilted_as_frets(plane, list(uneven(plane, np.random.default_rng(seed), 0.35)), scale)
        z.append((tilted.rotation[:2, 2] - true) / tilted.u_of(lambda p: p.rotation[:2, 2]))
    assert np.mean(np.abs(z) < 2.0) >= 0.93
    assert 0.3 < np.sqrt(np.mean(np.square(z))) < 1.3


def test_a_span_stays_as_long_as_it_is_on_the_tilted_plane():
    scale, plane = spanned()
    tilted = tilted_as_frets(plane, list(uneven(plane, np.random.default_rng(0), 0.05)), scale)
    assert abs(tilted.tilt_deg - BENCH.plane.tilt_deg) < 1.0
    seen = np.linalg.norm(np.diff(tilted.to_mm(scale.outline_px), axis=0))
    assert abs(seen / np.ptp(scale.plane_mm[:2, 0]) - 1.0) < 1e-6
