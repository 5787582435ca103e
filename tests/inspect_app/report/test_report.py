"""The papers: page sizes of ISO 216 and ANSI Letter, tagged, fonts embedded, text readable, the same bytes twice."""

import io
from datetime import date

import numpy as np
import pytest
from PIL import Image
from pypdf import PdfReader

from inspect_app.decide.estimate import PriceBook, cost_of, draft_estimate, option_lines
from inspect_app.decide.limits import Limits
from inspect_app.decide.options import Cost, Kind, recommend, work_out_options
from inspect_app.decide.proof import Agreed, prove
from inspect_app.decide.wear import FretWear, Spot, WearMap
from inspect_app.instrument.details import Instrument
from inspect_app.reading.key import NotMeasured, on_fret
from inspect_app.report.content import (
    Heading,
    Picture,
    ReadingRow,
    bench_content,
    estimate_content,
    handover_content,
)
from inspect_app.report.pdf import PAPERS, clean_text, render_pdf
from shared.measured import Measured

BOOK = PriceBook.default()
# ISO 216: A4 is 210 x 297 mm; Letter is 8.5 x 11 inches; PDF user space is 1/72 inch (ISO 32000-1, 8.3.2.3)
SIZES_PT = {"a4": (210 / 25.4 * 72, 297 / 25.4 * 72), "letter": (8.5 * 72, 11 * 72)}


def mm(value, u=0.01):
    return Measured.of(value, "mm", reading=u)


def show(q):
    return f"{q.value:.2f} ± {q.expanded:.2f} {q.unit}"


def jpeg(seed):
    noise = np.random.default_rng(seed).integers(0, 255, (60, 80, 3), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(noise).save(out, "JPEG")
    return out.getvalue()


def worn():
    frets = tuple(
        FretWear(n, (Spot(mm(20.0), 3, mm(0.15), mm(0.8)),), mm(44.0), mm(2.6), None, 0.01) for n in range(1, 7)
    )
    return WearMap(Instrument(648.0, frets=6), frets, mm(1.1), "section photo")


def heading(paper="a4", customer="A. Customer"):
    return Heading("The bench", ("1 Lane",), "12", customer, "Six-fret test board", "It buzzes", PAPERS[paper])


def estimate_pdf(paper="a4", customer="A. Customer"):
    wear = worn()
    options = work_out_options(wear, Limits.default(), lambda k, d, r: cost_of(BOOK, k, d, r))
    said = recommend(wear, options)
    e = draft_estimate("12", said.kind, option_lines(said.kind, 6, 0, BOOK), BOOK, date(2026, 5, 4), said.reason)
    pictures = [Picture(f"p{i}.jpg", f"Picture {i}", "a worn fret") for i in range(3)]
    record = ([ReadingRow("1", "crown width", mm(2.6), "p0")], [NotMeasured(on_fret(5, "flats"), "glare")], pictures)
    data = estimate_content(heading(paper, customer), e, wear, said, options, record, ("Rosewood board",), show)
    return render_pdf("estimate", data, {p.file: jpeg(i) for i, p in enumerate(pictures)}, e.made_on)


def text_of(pdf):
    return "\n".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf.data)).pages)


@pytest.mark.parametrize("paper", list(SIZES_PT))
def test_pages_have_the_published_size(paper):
    box = PdfReader(io.BytesIO(estimate_pdf(paper).data)).pages[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(SIZES_PT[paper], abs=0.1)


def test_estimate_is_tagged_conforming_and_readable():
    pdf = estimate_pdf()
    reader = PdfReader(io.BytesIO(pdf.data))
    assert pdf.conforms
    assert reader.trailer["/Root"]["/MarkInfo"]["/Marked"]
    words = text_of(pdf)
    for expected in ("Estimate 1", "A. Customer", "Level, crown and polish", "0.15 ± 0.02 mm", "fret 5, flats: glare"):
        assert expected in words


def test_every_font_is_embedded():
    reader = PdfReader(io.BytesIO(estimate_pdf().data))
    fonts = [f.get_object() for p in reader.pages for f in p["/Resources"]["/Font"].values()]
    assert fonts
    for font in fonts:
        descriptor = font["/DescendantFonts"][0].get_object()["/FontDescriptor"].get_object()
        assert any(k in descriptor for k in ("/FontFile", "/FontFile2", "/FontFile3"))


def test_the_same_input_gives_the_same_bytes():
    assert estimate_pdf().data == estimate_pdf().data


@pytest.mark.parametrize(
    "name", ["*bold* $x$ #panic()", "Žofie Ωμέγα Ёлка", "\x00\x1b[31m", "山田 太郎", "🎸", '"]} \\ <a>']
)
def test_any_name_makes_a_paper_and_stays_text(name):
    pdf = estimate_pdf(customer=name)
    assert pdf.data.startswith(b"%PDF")
    if name.startswith("*"):
        assert name in text_of(pdf)


def test_the_estimate_says_what_the_customer_should_note_and_the_cautions_of_the_work():
    words = " ".join(text_of(estimate_pdf()).split())
    assert "nut slots and the action" in words
    assert "CITES" in words
    assert "Eye protection" in words
    assert "licensed practice come first" in words


@pytest.mark.parametrize("paper", list(SIZES_PT))
def test_the_customer_gets_one_page_and_signs_on_it(paper):
    pages = PdfReader(io.BytesIO(estimate_pdf(paper).data)).pages
    assert "Accepted by" in pages[0].extract_text()
    assert pages[1].extract_text().startswith("Measurement record")
    assert len(pages[0].images) == 2


def test_control_characters_are_taken_out():
    assert clean_text({"a": ["x\x00y\x07\n", 3]}) == {"a": ["xy\n", 3]}


def test_bench_sheet_holds_the_cautions_of_the_work_chosen():
    wear = worn()
    options = work_out_options(wear, Limits.default(), lambda k, d, r: Cost(0, 0), mm(1.2))
    full = next(o for o in options if o.kind == Kind.REFRET)
    pdf = render_pdf("bench", bench_content(heading(), full, {"Bevel": "30°"}, ["Rosewood"]), {}, "2026-05-04")
    words = " ".join(text_of(pdf).split())
    assert pdf.conforms
    for expected in ("Cyanoacrylate", "Naphtha", "Wood dust", "licensed practice", "CITES", "nickel"):
        assert expected in words
    leave = options[0]
    assert not bench_content(heading(), leave, {}, [])["cautions"]


def test_handover_shows_every_check_and_pairs_of_pictures():
    checks = prove(Agreed(30.0), worn(), [], Limits.default())
    pair = (Picture("b.jpg", "Fret 2", "before"), Picture("a.jpg", "Fret 2", "after"))
    data = handover_content(heading(), "Levelled.", checks, [pair], [], show)
    pdf = render_pdf("handover", data, {"b.jpg": jpeg(1), "a.jpg": jpeg(2)}, "2026-05-04")
    words = " ".join(text_of(pdf).split())
    assert pdf.conforms
    assert "bevels" in words
    assert "cannot tell" in words
    assert "Before" in words


def test_a_picture_name_can_not_leave_the_folder():
    with pytest.raises(ValueError, match="plain picture name"):
        render_pdf("estimate", {}, {"../x.jpg": b""}, "2026-05-04")
