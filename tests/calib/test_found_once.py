"""A search that several questions lead to is made once a photo, and its result is nobody else's."""

import numpy as np
import pytest

from calib.found_once import found_once
from calib.scales import printed
from calib.scales.find import ScaleAsk, find_scale, is_mirrored
from calib.scales.printed import rough_markers
from shared.errors import ScaleError


def bare(coded, level=0.4):
    return coded(np.full((120, 160), level))


def test_it_is_kept_by_name_and_photo(coded):
    one, other = bare(coded), bare(coded)
    assert [found_once(one, "a", lambda n=n: n) for n in (1, 2)] == [1, 1]
    assert found_once(one, "b", lambda: 3) == 3
    assert found_once(other, "a", lambda: 4) == 4


def test_a_photo_without_markers_is_searched_once_each_way(coded, monkeypatch):
    """At a glance, in full and mirrored: however many kinds of print are looked for."""
    searched, search = [], printed._detect_in
    monkeypatch.setattr(printed, "_detect_in", lambda *how: searched.append(how[1:]) or search(*how))
    photo = bare(coded)
    for kind in ("auto", "strip", "backdrop", "tongue"):
        with pytest.raises(ScaleError, match="No "):
            find_scale(photo, ScaleAsk(kind))
    assert not is_mirrored(photo)
    assert len(searched) == len(set(searched)) == 3


def test_what_is_handed_out_is_not_changed_by_who_has_it(print_photo, make_camera):
    photo = print_photo(printed.STRIP, printed.STRIP_SIZE, make_camera())
    ids, corners = rough_markers(photo)
    assert sorted(ids) == list(range(10))
    with pytest.raises(ValueError, match="read-only"):
        corners += 1.0
    assert rough_markers(photo)[1] is corners
