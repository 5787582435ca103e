"""The end view on drawn photos: the trade's common bevels, and what it says when it can't."""

from dataclasses import replace

import numpy as np
import pytest

from calib.photo import ASSUMED, Focal
from inspect_app.measure import measure
from inspect_app.reading.key import parse_key
from shared.errors import InspectError, OptionError
from tests.inspect_app.measure.backdrop.fret_pictures import Scene, draw, scene_ask

pytestmark = pytest.mark.slow

CLOSE = {"focal_px": 20000.0, "distance": 220.0, "divots": (), "blur": 1.2, "elevation": 5.0, "crown_below_top": 19.0}


def close_up(bevel, end, seed=0, **more):
    at = {"look_y": -19.0 if end == "treble" else 19.0}
    return Scene(bevels=(bevel, bevel), seed=seed, **{**CLOSE, **at, **more})


@pytest.mark.parametrize(
    ("focal_px", "distance"), [(20000.0, 220.0), (6500.0, 75.0)], ids=["long lens", "close-up lens"]
)
def test_without_exif_the_close_ups_own_focal_lengths_are_expected(focal_px, distance):
    """An everyday photo's 1.3 times the longer side would have the card bent: here it is 10 and 3 times."""
    scene = close_up(30.0, "treble", focal_px=focal_px, distance=distance)
    photo, _ = draw(scene)
    unknown = replace(photo, focal=Focal(1.3 * photo.width, 0.4, ASSUMED))
    angle = measure(unknown, scene_ask(scene, "end", end="treble")).frets[0].bevel_treble
    assert abs(angle.value - 30.0) <= 2.0 * angle.u


@pytest.mark.parametrize("end", ["treble", "bass"])
@pytest.mark.parametrize("bevel", [20.0, 30.0, 35.0])
def test_common_bevels_are_recovered(bevel, end):
    """20, 30 and 35 degrees: common practice, no source."""
    scene = close_up(bevel, end)
    photo, _ = draw(scene)
    found = measure(photo, scene_ask(scene, "end", end=end))
    angle = getattr(found.frets[0], f"bevel_{end}")
    assert angle is not None, found.not_measured
    assert angle.value == pytest.approx(bevel, abs=1.0)
    assert abs(angle.value - bevel) <= 2.0 * angle.u
    assert found.frets[0].bevel_straight.value > 0.4


def test_errors_are_covered_over_leans_and_lights():
    ratio = []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        scene = close_up(
            rng.uniform(18, 38),
            "treble",
            seed,
            tilt=rng.normal(0, 1),
            metal=int(rng.choice([70, 190])),
            yaw=rng.normal(),
        )
        photo, _ = draw(scene)
        fret = measure(photo, scene_ask(scene, "end", end="treble")).frets[0]
        if fret.bevel_treble is not None:
            ratio.append((fret.bevel_treble.value - scene.bevels[0]) / fret.bevel_treble.u)
    assert len(ratio) >= 5
    assert np.max(np.abs(ratio)) < 2.5
    assert np.sqrt(np.mean(np.square(ratio))) > 0.2


def test_an_end_outside_the_photo_is_said():
    scene = close_up(30.0, "bass", look_y=0.0)
    photo, _ = draw(scene)
    found = measure(photo, scene_ask(scene, "end", end="bass"))
    assert [n.what for n in found.not_measured] == [parse_key("fret 5, bevel bass")]


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_a_photo_on_its_side_or_its_head_is_to_be_turned(quarters):
    scene = close_up(30.0, "bass")
    photo, _ = draw(scene)
    turned = replace(photo, bgr=np.ascontiguousarray(np.rot90(photo.bgr, quarters)))
    with pytest.raises(InspectError, match=r"on its side or stands on its head\. Turn the photo"):
        measure(turned, scene_ask(scene, "end", end="bass"))


def test_which_end_must_be_said():
    scene = close_up(30.0, "bass")
    photo, _ = draw(scene)
    with pytest.raises(OptionError, match="which end"):
        measure(photo, scene_ask(scene, "end"))
