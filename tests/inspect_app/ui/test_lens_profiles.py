"""Lens profiles on the shop's page."""

from __future__ import annotations

import pytest
from streamlit.testing.v1 import AppTest

from calib.lens_profile import LensProfile
from inspect_app.services.lenses import LensTry, keep_lens, lenses
from inspect_app.ui import lens_profiles
from tests.inspect_app.ui.conftest import open_page
from tests.inspect_app.ui.test_pages import press, submit

PROFILE = LensProfile("phone", 0.81, 1e-3, -0.01, 2e-3, 0.1, 12, nearest_mm=250.0, farthest_mm=400.0, camera="Phone A")


@pytest.mark.slow
@pytest.mark.usefixtures("served")
def test_a_profile_that_was_made_is_kept_and_taken_out_of_use(store, job):
    at = open_page("shop.py", job)
    at.session_state["lens-tried"] = LensTry((("a.jpg", "35 corners"),), ("Lean the camera that way.",), PROFILE)
    at.run()
    assert any("Lean the camera" in i.value for i in at.info)
    assert any("in views held out" in m.value for m in at.markdown)
    press(at, "keep-lens")
    assert [v.name for v in lenses(store)] == ["phone"]
    at = open_page("shop.py", job)
    assert any("Phone A, 250 to 400 mm" in m.value for m in at.markdown)
    press(at, "retire-lens-1")
    assert [v.retired for v in lenses(store)] == [True]


@pytest.mark.usefixtures("served")
def test_a_bar_measured_alone_and_photos_that_are_missing_are_said(job):
    at = open_page("shop.py", job)
    bar = next(t for t in at.text_input if t.label.startswith("Bar across"))
    bar.set_value("100.1")
    submit(at, "Look at these photos")
    assert any("Only one of the two bars" in e.value for e in at.error)
    next(t for t in at.text_input if t.label.startswith("Bar down")).set_value("99.9")
    submit(at, "Look at these photos")
    assert any("No photo was chosen" in e.value for e in at.error)
    assert "lens-tried" not in at.session_state


def choosing():
    from inspect_app.ui.lens_profiles import choose_lens

    choose_lens(None)


def test_a_lens_is_asked_for_only_where_there_are_profiles(served):
    assert not AppTest.from_function(choosing).run().selectbox
    keep_lens(served, PROFILE)
    (asked,) = AppTest.from_function(choosing).run().selectbox
    assert asked.options[0] == "By the photo itself"
    assert asked.options[1].startswith("phone, ")


@pytest.mark.usefixtures("served")
def test_a_kept_profile_is_checked_and_one_of_another_lens_is_said(store, job, monkeypatch):
    keep_lens(store, PROFILE)
    seen = []

    def tried(photos, name, board, check=None):
        seen.append(check)
        return LensTry((("a.jpg", "35 corners"),), (), None, "", False, ("This is not the lens of the profile.",))

    monkeypatch.setattr(lens_profiles, "try_lens", tried)
    at = open_page("shop.py", job)
    aim = next(s for s in at.selectbox if s.label == "What for")
    aim.set_value(next(o for o in aim.options if o.startswith("Does phone, ")))
    next(f for f in at.file_uploader if f.label == "Photos of the board").set_value([("a.jpg", b"x", "image/jpeg")])
    submit(at, "Look at these photos")
    assert seen == [PROFILE]
    assert any("not the lens" in w.value for w in at.warning)
    assert not any(b.key == "keep-lens" for b in at.button)
