"""The examples in the docstrings of what is measured from above run and give what they show."""

import doctest

import pytest

from inspect_app.measure.plan import crown_arc, flat_picture, flat_size, robust_spread


@pytest.mark.parametrize("module", [crown_arc, flat_picture, flat_size, robust_spread], ids=lambda m: m.__name__)
def test_examples_give_what_they_show(module):
    failed, attempted = doctest.testmod(module)
    assert attempted > 0
    assert failed == 0
