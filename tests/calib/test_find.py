"""Another scale in the photo than the one asked for is named."""

import pytest

from calib.scales.ask import parse_scale
from calib.scales.find import find_scale
from shared.errors import ScaleError
from tests.calib.bench_scene import Shot, bank_card, board, photograph, place_all


@pytest.mark.parametrize("asked", ["coin:24.26", "rule", "strip", "auto"])
def test_a_card_where_another_scale_was_asked_for_is_named(asked):
    photo = photograph(Shot(), board(32.0) + place_all(bank_card(), (2.0, -2.0)))
    with pytest.raises(ScaleError, match=r"The photo shows a bank card: choose that as the scale\."):
        find_scale(photo, parse_scale(asked))


@pytest.mark.parametrize("asked", ["coin:24.26", "id1", "rule", "strip"])
def test_nothing_is_named_where_there_is_no_scale(asked):
    with pytest.raises(ScaleError) as refused:
        find_scale(photograph(Shot(), board(32.0)), parse_scale(asked))
    assert "The photo shows a" not in str(refused.value)
