"""Necks that fill little of a cluttered photo, seen at a tilt, either way round: found whole, nothing invented."""

from dataclasses import replace

import numpy as np
import pytest

from calib.photo import Focal, Photo
from calib.pose_fit import fit_plane
from calib.scales.span import span_scale
from inspect_app.instrument.fretboard import fret_position
from inspect_app.measure import measure
from inspect_app.measure.plan.board_overview import find_board
from inspect_app.measure.plan.fret_location import locate_frets
from inspect_app.reading.ask import Ask, ScaleAsk
from shared.errors import InspectError
from tests.inspect_app.measure.plan.bench_pictures import LEVEL_MM, Bench, clutter

TRIES = 12
"""Pieces of one bench; the sweep of odd inputs tries as many as one likes."""
SMALL = Bench(share=0.1, askew=4.0)
BENCHES = [
    SMALL,
    Bench(share=0.12, tilt=(20.0, 0.0), seed=1),
    Bench(share=0.1, tilt=(0.0, 20.0), askew=-8.0, nut_right=True, seed=2),
    Bench(share=0.15, tilt=(-20.0, 5.0), askew=18.0, seed=3),
    Bench("intake-plan-12", share=0.1, tilt=(10.0, -10.0), askew=-12.0, seed=4),
    Bench("intake-plan-12", share=0.3, tilt=(13.0, 13.0), askew=-18.0, nut_right=True, seed=5),
]


def ask(bench, **more):
    way = {"nut": "right", "treble": "top"} if bench.nut_right else {"nut": "left", "treble": "bottom"}
    return Ask(view="plan", **{**way, **more})


def found_px(board, plane):
    """Middles of the frets found, in the photo."""
    at = board.fret_mm[:, None] * board.along_neck + np.mean(board.span_mm) * board.across_neck
    return plane.to_px(np.column_stack([at, np.full(len(at), -LEVEL_MM)]))


def near(found, frets, gap_share=0.2):
    """For every place found which fret it lies on, None where on none; `frets` (n, 3, 2)."""
    gap = np.linalg.norm(np.diff(frets[:, 1], axis=0), axis=1).min()
    along = frets[:, 2] - frets[:, 0]
    normal = np.column_stack([-along[:, 1], along[:, 0]]) / np.linalg.norm(along, axis=1)[:, None]
    off = np.abs(np.einsum("fnk,nk->fn", found[:, None] - frets[None, :, 1], normal))
    return [int(row.argmin()) if row.min() < gap_share * gap else None for row in off]


@pytest.mark.slow
@pytest.mark.parametrize("bench", BENCHES, ids=lambda b: f"{b.sample} {b.share} {b.tilt}")
def test_every_whole_fret_is_found_and_none_invented(bench):
    frets, _ = bench.frets_px()
    board = find_board(bench.photo(), bench.plane, ask(bench), ())
    assert board is not None
    on = near(found_px(board, bench.plane), frets)
    assert set(range(len(frets))) <= set(on)
    # the sample's own frets that its edge cut may be found beside them: one at either end
    assert None not in on[1:-1]
    assert len(on) <= len(frets) + 2
    length = np.linalg.norm(frets[0, 2] - frets[0, 0]) / bench.plane.px_per_mm(board.fret_mm[0] * board.along_neck)
    assert board.span_mm[1] - board.span_mm[0] == pytest.approx(length, abs=0.25 * length)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [11, 12, 13])
def test_a_bench_without_a_neck_has_no_frets(seed):
    picture = np.round(clutter(seed, (1200, 900))).astype(np.uint8)
    photo = Photo(picture, "0" * 64, "bench.jpg", Focal(1500.0, 0.01, "EXIF"))
    plane = replace(SMALL, size=(1200, 900), share=0.2).plane
    assert find_board(photo, plane, ask(SMALL), ()) is None


def spanned(bench):
    """A span between the first and the last fret: two points, which say nothing of the tilt."""
    frets, numbers = bench.frets_px()
    ends = fret_position(bench.truth["ask"]["scale_length"], [numbers[0], numbers[-1]])
    return tuple(np.concatenate([frets[0, 1], frets[-1, 1]]).tolist()), float(ends[1] - ends[0])


@pytest.mark.slow
@pytest.mark.parametrize("tilt", [(13.0, 0.0), (0.0, 13.0), (-12.0, 9.0), (20.0, 0.0)], ids=str)
def test_the_fan_of_the_frets_tells_the_tilt_of_a_span(tilt):
    bench = Bench("intake-plan-12", share=0.3, tilt=tilt, seed=6)
    photo, (points, mm) = bench.photo(), spanned(bench)
    scale = span_scale(photo, points, mm)
    plane = fit_plane(scale, (photo.width, photo.height), photo.focal)
    board, located, _, _, tilted = locate_frets(photo, scale, plane, ask(bench))
    true = bench.plane.tilt_deg
    assert tilted.tilt_deg == pytest.approx(true, abs=1.5)
    assert abs(tilted.tilt_deg - true) < abs(plane.tilt_deg - true)
    frets, _ = bench.frets_px()
    middles = np.array([f.frame.to_px([f.frame.length_mm / 2.0], 0.0)[0] for f in located])
    assert set(range(len(frets))) <= set(near(middles, frets))
    assert len(board.fret_mm) <= len(frets) + 2


@pytest.mark.slow
def test_frets_count_from_the_other_side_where_a_span_leaves_the_tilt_open():
    """No tilt of 20 degrees makes ten gaps that grow shrink: said on the wrong side, the nut is found on the right."""
    bench = Bench("intake-plan-12", share=0.3, seed=6)
    photo, (points, mm) = bench.photo(), spanned(bench)
    scale = span_scale(photo, points, mm)
    plane = fit_plane(scale, (photo.width, photo.height), photo.focal)
    board = find_board(photo, plane, Ask(view="plan", nut="right", treble="top"), ())
    assert board is not None
    assert board.other_way
    assert set(range(len(bench.frets_px()[0]))) <= set(near(found_px(board, plane), bench.frets_px()[0]))


@pytest.mark.slow
def test_no_crop_size_or_blur_ends_in_an_exception():
    rng = np.random.default_rng(0)
    whole = Bench("intake-plan-12", share=0.3, seed=7).photo().bgr
    refused = read = 0
    for _ in range(TRIES):
        height, width = (int(n * rng.uniform(0.1, 1.0)) for n in whole.shape[:2])
        y, x = (int(rng.integers(0, n - m + 1)) for n, m in zip(whole.shape[:2], (height, width), strict=True))
        picture = np.ascontiguousarray(np.rot90(whole[y : y + height, x : x + width], int(rng.integers(0, 4))))
        height, width = picture.shape[:2]
        ends = rng.uniform((0, 0), (width - 1, height - 1), (2, 2))
        per_mm = 2.0 ** rng.uniform(-1.0, 4.5)
        span = ScaleAsk("span", span_px=tuple(ends.ravel().tolist()), span_mm=float(np.ptp(ends) / per_mm) + 0.1)
        photo = Photo(picture, "0" * 64, "crop.jpg", Focal(float(width), 0.05, "EXIF"))
        try:
            measure(photo, Ask(view="plan", scale=span, first_fret=int(rng.integers(1, 24))))
            read += 1
        except InspectError:
            refused += 1
    assert read + refused == TRIES
    assert refused > 0
    assert read > 0
