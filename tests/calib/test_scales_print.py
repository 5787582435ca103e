"""The printed page: sizes read back from the vectors, and from a rendering in which the markers are found."""

from __future__ import annotations

import io
import shutil
import subprocess
from pathlib import Path

import cv2
import numpy as np
import pdfplumber
import pytest
from pypdf import PdfReader

from calib.scales.print import CHECK_BAR_MM, print_factor, scales_pdf, write_scales_pdf
from calib.scales.printed import DICTIONARY, SHEETS
from shared.errors import OptionError

MM = 72.0 / 25.4  # points in a millimetre (ISO 32000-1, 8.3.2.3)
PAPERS = {"a4": (210.0, 297.0), "letter": (8.5 * 25.4, 11.0 * 25.4)}  # ISO 216; inches exactly


@pytest.mark.parametrize("paper", PAPERS)
def test_page_is_the_papers_size(paper: str) -> None:
    pages = PdfReader(io.BytesIO(scales_pdf(paper))).pages
    assert len(pages) == 1
    assert (float(pages[0].mediabox.width), float(pages[0].mediabox.height)) == pytest.approx(
        tuple(v * MM for v in PAPERS[paper]), abs=0.01
    )


@pytest.mark.parametrize("paper", PAPERS)
def test_vectors_have_true_size(paper: str) -> None:
    with pdfplumber.open(io.BytesIO(scales_pdf(paper))) as pdf:
        page = pdf.pages[0]
        size = np.array([[r["width"], r["height"]] for r in page.rects]) / MM
        left = np.array([r["x0"] for r in page.rects]) / MM
        assert not page.images  # vectors only
        assert max(r["x1"] for r in page.rects) < page.width - 5 * MM  # clear of what printers can't reach
    for side, count in ((8.0, 17), (6.0, 7), (3.0, 19)):
        square = np.all(np.abs(size - side) < 1e-3, axis=1)
        assert square.sum() == count
    bars = np.sort(size[np.abs(size.max(axis=1) - CHECK_BAR_MM) < 1e-3], axis=1)
    assert bars == pytest.approx(np.array([[3.0, 100.0], [3.0, 100.0]]), abs=1e-3)
    strip_left = np.sort(left[np.all(np.abs(size - 8.0) < 1e-3, axis=1)])
    assert np.ptp(strip_left) == pytest.approx(12.0 * 9, abs=1e-3)


@pytest.mark.slow
@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm to render the page")
def test_rendered_markers_are_found_at_their_places(tmp_path: Path) -> None:
    path = tmp_path / "scales.pdf"
    write_scales_pdf(path, "a4")
    per_mm = 600 / 25.4
    subprocess.run(["pdftoppm", "-r", "600", "-gray", "-png", str(path), str(tmp_path / "page")], check=True)
    page = cv2.imread(str(next(tmp_path.glob("page*.png"))), cv2.IMREAD_GRAYSCALE)
    detector = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(DICTIONARY))
    corners, ids, _ = detector.detectMarkers(page)
    found = {int(i): np.reshape(c, (4, 2)) / per_mm for i, c in zip(np.ravel(ids), corners, strict=True)}
    for sheet in (s.markers for s in SHEETS.values()):
        first = found[sheet[0].id].mean(axis=0) - [sheet[0].left + sheet[0].side / 2, sheet[0].top + sheet[0].side / 2]
        for m in sheet:
            middle = np.array([m.left + m.side / 2, m.top + m.side / 2])
            assert found[m.id].mean(axis=0) - first == pytest.approx(middle, abs=0.05)  # a dot at 600 dpi is 0.042 mm


@pytest.mark.parametrize("paper", PAPERS)
def test_instructions_and_cautions_are_on_the_page(paper: str) -> None:
    words = " ".join(PdfReader(io.BytesIO(scales_pdf(paper))).pages[0].extract_text().split())
    for needed in (
        "Print at 100 %",
        "Check bars",
        "cut away from your hand",
        "Cut its foot",
        "touches the outer string",
    ):
        assert needed in words


def test_factor_from_the_check_bar() -> None:
    assert print_factor(98.4) == pytest.approx(0.984)
    for wrong in (0.0, 50.0, 3.94, float("nan")):  # 3.94: inches
        with pytest.raises(OptionError, match="not possible"):
            print_factor(wrong)


def test_unknown_paper_is_refused() -> None:
    with pytest.raises(OptionError, match="a4, letter"):
        scales_pdf("a3")
