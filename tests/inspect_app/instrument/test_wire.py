"""Wire in stock against the wire measured (sizes: common practice, no source)."""

import pytest

from inspect_app.instrument.wire import WireStock, match_wire, size_class
from shared.errors import OptionError
from shared.measured import Measured

SAME = WireStock("a", "nickel silver", 2.5, 1.15, 0.58)
TALLER = WireStock("b", "nickel silver", 2.5, 1.40, 0.58)
WIDER = WireStock("c", "stainless", 2.8, 1.15, 0.70)
OTHER = WireStock("d", "other", 2.0, 0.95, 0.50)


def mm(value, u=0.01):
    return Measured.of(value, "mm", reading=u)


def test_stock_is_ordered_same_taller_wider_other():
    found = match_wire([OTHER, WIDER, TALLER, SAME], mm(2.5), mm(1.15))
    assert [(m.wire.label, m.relation) for m in found] == [
        ("a", "same"),
        ("b", "taller"),
        ("c", "wider"),
        ("d", "other"),
    ]


def test_warnings_name_height_hardness_and_tang():
    found = {
        m.wire.label: " ".join(m.warnings) for m in match_wire([TALLER, WIDER, OTHER], mm(2.5), mm(1.15), mm(0.58))
    }
    assert "nut" in found["b"]
    assert "harder" in found["c"]
    assert "0.12 mm wider" in found["c"]
    assert "0.08 mm narrower" in found["d"]


def test_a_fit_inside_the_uncertainty_is_not_warned_of():
    assert match_wire([SAME], mm(2.5), mm(1.15), mm(0.56, 0.02))[0].warnings == ()


def test_size_classes_are_the_trades_words():
    assert size_class(2.4, 1.15) == "medium"
    assert size_class(5.0, 1.0) == ""


@pytest.mark.parametrize("bad", [{"label": " "}, {"material": "gold"}, {"crown_width": 25.0}, {"price": -1}])
def test_impossible_wire_is_refused(bad):
    good = {"label": "x", "material": "other", "crown_width": 2.5, "crown_height": 1.1, "price": 0}
    with pytest.raises(OptionError):
        WireStock(**(good | bad))
