"""The E_n number of ISO 13528:2015, 9.7 (clause from memory)."""

import pytest

from inspect_app.decide.known_thing import e_n


@pytest.mark.parametrize(
    ("read", "u_read", "expected", "u_expected", "number"),
    [
        (1.006, 0.009, 1.0, 0.0125, 0.390),
        (0.5, 0.03, 0.5, 0.04, 0.0),
        (0.55, 0.03, 0.5, 0.04, 1.0),
        (0.45, 0.03, 0.5, 0.04, -1.0),
    ],
)
def test_the_number_is_the_difference_over_both_expanded_uncertainties(read, u_read, expected, u_expected, number):
    """ISO 13528, E_n: (x - X) / sqrt(U_x^2 + U_X^2); the formula as NIST's Dataplot manual quotes it."""
    assert e_n(read, u_read, expected, u_expected) == pytest.approx(number, abs=1e-3)
