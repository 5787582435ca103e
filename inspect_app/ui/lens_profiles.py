"""Lens profiles: the board to print, photos of it in, what they lack, the profile kept; choosing one by hand."""

from __future__ import annotations

from functools import partial

import streamlit as st

from calib.lens_board import MIN_PHOTOS, Board
from calib.lens_profile import LensProfile
from calib.lens_words import profile_words
from calib.scales.print_lens_board import board_of_bars, lens_board_pdf
from inspect_app.services import LensView
from inspect_app.services.lenses import LensTry, keep_lens, lenses, restore_lens, retire_lens, try_lens
from inspect_app.ui import server
from inspect_app.ui.lengths import bare_unit, length_field
from inspect_app.ui.page_frame import errors_shown, length_unit
from inspect_app.ui.undo import kept_in_shop
from inspect_app.ui.words import plain
from shared.errors import OptionError

__all__ = ["choose_lens", "lens_profiles"]

_TRIED = "lens-tried"
_PAPERS = {"A4": "a4", "Letter": "letter"}
_NEW = "A new profile"
_BY_PHOTO = "By the photo itself"


def choose_lens(was: LensProfile | None) -> LensProfile | None:
    """The profile to measure with, by hand; None leaves it to the photo's EXIF. Not asked while the shop has none."""
    kept = {f"{v.name}, {v.created:%Y-%m-%d}": v.profile for v in lenses(server.store()) if not v.retired}
    if was is not None and was not in kept.values():
        kept[was.name] = was
    if not kept:
        return None
    at = next((i for i, p in enumerate(kept.values(), 1) if p == was), 0)
    hint = "Where the photo names its camera, the profile of that camera and zoom is found by itself."
    return kept.get(st.selectbox("Lens", [_BY_PHOTO, *kept], at, help=hint))


def lens_profiles() -> None:
    """The shop's profiles, and making one."""
    st.markdown(
        "A profile of the camera's lens takes away what its focal length and distortion are uncertain by. "
        "**1. Print the board** at 100 % and stick it flat on glass or stiff card."
    )
    with st.container(horizontal=True):
        for name, paper in _PAPERS.items():
            st.download_button(
                f"Lens board on {name} (PDF)",
                data=partial(lens_board_pdf, paper),
                file_name=f"lens-board-{paper}.pdf",
                mime="application/pdf",
                on_click="ignore",
            )
    st.markdown(
        f"**2. Photograph it** {MIN_PHOTOS} times or more at the zoom and distance of the work, leaning the camera 15 "
        "to 35 degrees to every side in turn, so that the board once reaches each corner of the picture."
    )
    _make()
    _kept_profiles()


def _make() -> None:
    with st.form("lens", border=False):
        files = st.file_uploader("Photos of the board", accept_multiple_files=True)
        left, right = st.columns(2)
        name = left.text_input("Camera and setting", placeholder="such as phone, 2x zoom")
        bare = bare_unit(length_unit(), False)
        kept = {f"Does {v.name}, {v.created:%Y-%m-%d}, still hold?": v.profile for v in _in_use()}
        aim = right.selectbox("What for", [_NEW, *kept]) if kept else _NEW
        left, right = st.columns(2)  # a row of its own: on a phone the columns of one stand below each other
        across = length_field(left, "Bar across the page measures", None, bare)
        down = length_field(right, "Bar down the page measures", None, bare)
        if st.form_submit_button("Look at these photos"):
            with errors_shown(), st.spinner("Looking at the photos"):
                board = _board(across.mm(), down.mm())
                if not files:
                    raise OptionError("No photo was chosen.", f"Choose {MIN_PHOTOS} or more photos of the board.")
                st.session_state[_TRIED] = try_lens([(f.name, f.getvalue()) for f in files], name, board, kept.get(aim))
    tried: LensTry | None = st.session_state.get(_TRIED)
    if tried is None:
        return
    st.table([{"Photo": plain(n), "Shows": plain(said)} for n, said in tried.photos], border="horizontal")
    for sentence in tried.advice:
        st.info(sentence)
    if tried.holds is not None:
        (st.success if tried.holds else st.warning)("  \n".join(map(plain, tried.checked)))
        return
    if tried.profile is None:
        st.warning(tried.refusal)
        return
    st.markdown("  \n".join(map(plain, profile_words(tried.profile, tried.seen))))
    if st.button("Keep this profile", key="keep-lens", type="primary"):
        made = keep_lens(server.store(), tried.profile)
        del st.session_state[_TRIED]
        said = "Lens profile kept: photos of that camera and zoom are measured with it."
        kept_in_shop(said, partial(retire_lens, server.store(), made.id))
        st.rerun()


def _board(across: float | None, down: float | None) -> Board:
    """The board with its bars as measured, mm, or as nominal where neither is."""
    if across is not None and down is not None:
        return board_of_bars(across, down)
    if across is None and down is None:
        return Board()
    raise OptionError("Only one of the two bars has a length.", "Measure both, or leave both empty.")


def _in_use() -> list[LensView]:
    return [v for v in lenses(server.store()) if not v.retired]


def _kept_profiles() -> None:
    for v in _in_use():
        with st.container(horizontal=True, vertical_alignment="center"):
            p = v.profile
            st.markdown(
                f"**{plain(v.name)}**, {v.created:%Y-%m-%d}: {plain(p.camera) or 'camera not named'}, "
                f"{p.nearest_mm:.0f} to {p.farthest_mm:.0f} mm, focal length to {200.0 * p.u_focal / p.focal:.2f} %"
            )
            if st.button("Use no more", key=f"retire-lens-{v.id}"):
                retire_lens(server.store(), v.id)
                kept_in_shop(f"{v.name} is used no more.", partial(restore_lens, server.store(), v.id))
                st.rerun()
