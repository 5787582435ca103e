"""Filling a coarse grid in: exact for what is linear, against NumPy's interpolation for what is not."""

import numpy as np
import pytest

from calib.coarse_grid import coarse_places, filled


@pytest.mark.parametrize(("rows", "columns", "every"), [(37, 52, 16), (16, 16, 16), (5, 90, 24), (1, 1, 8)])
def test_a_plane_is_filled_exactly(rows, columns, every):
    y, x = coarse_places(rows, every), coarse_places(columns, every)
    coarse = np.stack(np.broadcast_arrays(3.0 + 2.0 * x[None, :], 7.0 - 0.5 * y[:, None]), axis=-1).astype(np.float32)
    fine = filled(coarse, every, (rows, columns))
    assert fine.shape == (rows, columns, 2)
    assert fine[..., 0] == pytest.approx(np.broadcast_to(3.0 + 2.0 * np.arange(columns), (rows, columns)), abs=1e-4)
    assert fine[..., 1] == pytest.approx(
        np.broadcast_to(7.0 - 0.5 * np.arange(rows)[:, None], (rows, columns)), abs=1e-4
    )


def test_between_places_it_runs_straight():
    x = coarse_places(100, 16)
    coarse = np.repeat((x**2)[None, :, None], 3, axis=0).astype(np.float32)
    fine = filled(coarse, 16, (16, 100))
    assert fine.reshape(16, 100)[0] == pytest.approx(np.interp(np.arange(100), x, x**2), abs=1e-2)
