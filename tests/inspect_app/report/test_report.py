"""The papers: page sizes of ISO 216 and ANSI Letter, tagged, fonts embedded, text readable, the same bytes twice."""

import io
import re
from dataclasses import replace
from datetime import date

import numpy as np
import pdfplumber
import pytest
from PIL import Image
from pypdf import PdfReader

from inspect_app.decide.agreement import Answer
from inspect_app.decide.estimate import Line, PriceBook, cost_of, draft_estimate, format_money, option_lines
from inspect_app.decide.limits import Limits, Verdict
from inspect_app.decide.neck_strip import NeckRow
from inspect_app.decide.options import Cost, Kind, recommend, work_out_options
from inspect_app.decide.proof import ProofCheck
from inspect_app.decide.setup import Setup
from inspect_app.decide.wear import FretWear, Rate, WearMap, WornSpot
from inspect_app.instrument.details import Instrument
from inspect_app.reading.key import NotMeasured, on_fret
from inspect_app.report.bench import bench_content
from inspect_app.report.estimate import EstimateFindings, estimate_content
from inspect_app.report.handover import HandoverFacts, handover_content, months_to_check
from inspect_app.report.mail import covering_mail
from inspect_app.report.number_format import NumberFormat
from inspect_app.report.paper_frame import Heading, Picture
from inspect_app.report.pdf import PAPERS, clean_text, render_pages, render_pdf
from inspect_app.report.record import PhotoRow, ReadingRow, record_content
from shared.measured import Measured

BOOK = PriceBook.default()
MM = NumberFormat()
# ISO 216: A4 is 210 x 297 mm; Letter is 8.5 x 11 inches; PDF user space is 1/72 inch (ISO 32000-1, 8.3.2.3)
SIZES_PT = {"a4": (210 / 25.4 * 72, 297 / 25.4 * 72), "letter": (8.5 * 72, 11 * 72)}
LONG = "The nut was replaced by somebody before, and the customer says the buzz began in the dry winter. " * 12


def mm(value, u=0.01):
    return Measured.of(value, "mm", reading=u)


def jpeg(seed, size=(45, 90)):
    noise = np.random.default_rng(seed).integers(0, 255, (*size, 3), dtype=np.uint8)
    out = io.BytesIO()
    Image.fromarray(noise).save(out, "JPEG")
    return out.getvalue()


def worn(depth=0.15, frets=6):
    made = tuple(
        FretWear(n, (WornSpot(mm(20.0), 3, mm(depth), mm(0.8)),), mm(44.0), mm(2.6), None, 0.01)
        for n in range(1, frets + 1)
    )
    return WearMap(Instrument(648.0, frets=frets), made, mm(1.1), "section photo")


def unworn(frets=6):
    made = tuple(FretWear(n, (), mm(44.0), mm(2.6), None, 0.004) for n in range(1, frets + 1))
    return WearMap(Instrument(648.0, frets=frets), made)


def heading(paper="a4", customer="A. Customer"):
    return Heading("The bench", ("1 Lane",), "12", customer, "Six-fret test board", "It buzzes", PAPERS[paper])


def estimate_of(wear, **changes):
    options = work_out_options(wear, Limits.default(), lambda k, d, r: cost_of(BOOK, k, d, r))
    said = recommend(wear, options)
    frets = len(wear.frets)
    made = draft_estimate("12", said.kind, option_lines(said.kind, frets, 0, BOOK), BOOK, date(2026, 5, 4), said.reason)
    others = tuple((str(o.kind), o.price) for o in options if o.kind != said.kind)
    every = tuple(range(1, frets + 1))
    return replace(made, alternatives=others, dressed=every, **changes), options


def estimate_data(paper="a4", customer="A. Customer", wear=None, writing=MM, draft=False, **changes):
    wear = wear or worn()
    e, options = estimate_of(wear, locale=writing.locale, **changes)
    close = [
        Picture(f"p{i}.jpg", f"Fret 1, {view}", "a worn fret", 0.2, "2 mm", "0.15 ± 0.02 mm deep")
        for i, view in enumerate(("along the neck", "from above"))
    ]
    found = EstimateFindings(wear, options, 0.7, close)
    data = estimate_content(heading(paper, customer), e, found, ("Rosewood board",), writing, draft)
    return data, {p.file: jpeg(i) for i, p in enumerate(close)}


def estimate_pdf(**kwargs):
    return render_pdf("estimate", *estimate_data(**kwargs), "2026-05-04")


def pages_of(pdf):
    return PdfReader(io.BytesIO(pdf.data)).pages


def text_of(pdf):
    return " ".join(" ".join(page.extract_text() for page in pages_of(pdf)).split())


def overprints(pdf):
    """Pairs of words whose boxes lie on each other, and words over a picture's middle or beyond the page."""
    bad = []
    with pdfplumber.open(io.BytesIO(pdf.data)) as opened:
        for page in opened.pages:
            words = [w for w in page.extract_words() if w["text"] != "DRAFT" and w["upright"]]
            assert words
            for i, a in enumerate(words):
                if a["x0"] < 0 or a["x1"] > page.width or a["bottom"] > page.height:
                    bad.append((a["text"], "off the page"))
                for b in words[i + 1 :]:
                    wide = min(a["x1"], b["x1"]) - max(a["x0"], b["x0"])
                    high = min(a["bottom"], b["bottom"]) - max(a["top"], b["top"])
                    if wide > 1.0 and high > 0.4 * min(a["bottom"] - a["top"], b["bottom"] - b["top"]):
                        bad.append((a["text"], b["text"]))
    return bad


@pytest.mark.parametrize("paper", list(SIZES_PT))
def test_pages_have_the_published_size(paper):
    box = pages_of(estimate_pdf(paper=paper))[0].mediabox
    assert (float(box.width), float(box.height)) == pytest.approx(SIZES_PT[paper], abs=0.1)


def test_estimate_is_tagged_conforming_and_readable():
    pdf = estimate_pdf()
    assert pdf.conforms
    assert PdfReader(io.BytesIO(pdf.data)).trailer["/Root"]["/MarkInfo"]["/Marked"]
    words = text_of(pdf)
    for expected in ("Estimate 1", "A. Customer", "Level, crown and polish", "0.15 ± 0.02 mm deep", "2 mm"):
        assert expected in words


def test_every_font_is_embedded():
    fonts = [f.get_object() for p in pages_of(estimate_pdf()) for f in p["/Resources"]["/Font"].values()]
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


@pytest.mark.parametrize("paper", list(SIZES_PT))
def test_the_customer_gets_one_page_and_signs_on_it(paper):
    pages = pages_of(estimate_pdf(paper=paper))
    assert len(pages) == 1
    assert "Accepted by" in pages[0].extract_text()
    assert len(pages[0].images) == 2


@pytest.mark.slow
def test_a_long_note_flows_to_a_second_page_and_nothing_overprints():
    pdf = estimate_pdf(note=LONG, wear=worn(frets=24), discount_percent="10", tax_percent="19")
    pages = pages_of(pdf)
    assert len(pages) == 2
    assert " ".join(LONG.split()) in text_of(pdf)
    assert overprints(pdf) == []
    last = pages[1].extract_text()
    assert "Accepted by" in last
    assert "holds until" in last  # never a signature alone on a page


def test_the_draft_says_so_on_every_page_and_the_issued_paper_does_not():
    pdf = estimate_pdf(note=LONG, draft=True)
    assert len(pages_of(pdf)) == 2
    for page in pages_of(pdf):
        assert "DRAFT" in page.extract_text()
        assert "not an offer" in page.extract_text()
    assert "draft" not in text_of(estimate_pdf()).lower()


def test_running_text_is_for_a_musician():
    data, _ = estimate_data()
    running = " ".join([data["found"], data["proposal"]["why"], *(a["text"] for a in data["alternatives"])])
    assert "±" not in running
    assert "fret 1 under the 3rd string: 0.15 mm, about a seventh of the fret's height" in running
    assert "lamp" not in running
    assert data["proposal"]["frets"] == "Worked on and kept: all 6 frets."


def test_alternatives_bear_tax_like_the_proposal():
    data, _ = estimate_data(tax_percent="19")
    leave = next(a for a in data["alternatives"] if a["title"] == "Leave")
    assert leave["price"] == "22.31 USD"  # 18.75 and 19 %: 3.5625 -> 3.56
    assert "tax of 19 %" in data["alternatives_note"]


def test_totals_can_be_added_up_from_the_paper():
    data, _ = estimate_data(discount_percent="12.5", tax_percent="19", lines=(Line("x", "1", "lot", 5020),))
    said = {r["label"]: r["amount"] for r in data["totals"]}
    assert said == {
        "Sum": "50.20 USD", "Discount 12.5 %": "-6.28 USD", "Net": "43.92 USD", "Tax 19 %": "8.34 USD",
        "Total": "52.26 USD", "Deposit 30 %": "15.68 USD",
    }  # fmt: skip


def test_the_estimate_says_what_the_customer_should_note():
    words = text_of(estimate_pdf())
    assert "nut slots and the action" in words
    assert "CITES Appendix II" in words
    assert "current CITES appendices and your country's own law come first" in words


@pytest.mark.parametrize(("locale", "mark", "other"), [("de_DE", ",", "."), ("", ".", ",")])
def test_one_paper_has_one_decimal_mark(locale, mark, other):
    writing = NumberFormat("mm", locale)
    data, pictures = estimate_data(writing=writing, tax_percent="8.1", discount_percent="2.5")
    for p in data["closeups"]:
        p["figure"] = writing.value(mm(0.15))
    words = text_of(render_pdf("estimate", data, pictures, "2026-05-04"))
    assert re.search(rf"\d{re.escape(mark)}\d", words)
    assert not re.search(rf"\d{re.escape(other)}\d", words)
    assert format_money(27050, "USD", 2, locale).split()[0].strip("$") in words


def test_a_job_in_inches_has_no_millimetres():
    writing = NumberFormat("inch")
    data, pictures = estimate_data(writing=writing)
    for p in data["closeups"]:
        p["figure"], p["bar_text"] = writing.value(mm(0.15)), "0.1 in"
    words = text_of(render_pdf("estimate", data, pictures, "2026-05-04"))
    assert "5.9 thou" in words  # 0.15 mm
    assert not re.search(r"\d ?mm\b", words)


def test_control_characters_are_taken_out():
    assert clean_text({"a": ["x\x00y\x07\n", 3]}) == {"a": ["xy\n", 3]}


@pytest.mark.slow
@pytest.mark.parametrize("kind", [k for k in Kind if k != Kind.LEAVE])
@pytest.mark.parametrize("paper", list(SIZES_PT))
def test_bench_sheet_is_one_page_even_with_every_material_named(kind, paper):
    wear = worn(frets=24)
    options = work_out_options(wear, Limits.default(), lambda k, d, r: Cost(0, 0), mm(1.2))
    option = next(o for o in options if o.kind == kind)
    woods = ["Brazilian rosewood, mother-of-pearl and tortoiseshell", "lacquered maple, ebony, wenge, pau ferro"]
    work = {"Bevel": "30° ± 2.5° from upright", "Watch for": "The strings sit lower over the frets. " * 3}
    pdf = render_pdf("bench", bench_content(heading(paper), option, work, woods, MM), {}, "2026-05-04")
    assert pdf.conforms
    assert len(pages_of(pdf)) == 1
    assert overprints(pdf) == []
    for expected in ("nickel", "licensed practice", "Tape lifts", "Appendix I:", "celluloid", "Sources: 1"):
        assert expected in text_of(pdf)


def test_bench_sheet_holds_the_cautions_of_the_work_chosen():
    wear = worn()
    options = work_out_options(wear, Limits.default(), lambda k, d, r: Cost(0, 0), mm(1.2))
    by_kind = {o.kind: o for o in options}
    words = text_of(render_pdf("bench", bench_content(heading(), by_kind[Kind.REFRET], {}, [], MM), {}, "2026-05-04"))
    for expected in ("Cyanoacrylate", "Naphtha", "mask", "Cut ends fly", "tang"):
        assert expected in words
    assert "Cut ends fly" not in str(bench_content(heading(), by_kind[Kind.LEVEL], {}, [], MM)["cautions"])
    assert not bench_content(heading(), by_kind[Kind.LEAVE], {}, ["Rosewood"], MM)["cautions"]["columns"]


def handover(checks=(), agreed=True, **changes):
    e, _ = estimate_of(worn())
    answer = Answer(True, "A. Customer", "signed", date(2026, 5, 6))
    bevels = {(2, "treble"): Measured.of(24.0, "deg", edge=0.5)}
    after = {(2, "treble"): Measured.of(30.1, "deg", edge=0.5)}
    work = HandoverFacts(worn(), unworn(), "2026-05-20", (e, answer) if agreed else None, "", bevels, after)
    pair = tuple(
        Picture(f"{w}.jpg", "Fret 2, 3rd string", w, 0.2, "2 mm", figure)
        for w, figure in (("before", "0.15 mm deep"), ("after", "no groove seen"))
    )
    data = handover_content(heading(), replace(work, **changes), checks, [pair], None, MM)
    return data, render_pdf("handover", data, {"before.jpg": jpeg(1), "after.jpg": jpeg(2)}, "2026-05-20")


def test_handover_sets_the_same_places_one_above_the_other():
    data, pdf = handover()
    assert ["Fret 2, 3rd string: groove", "0.15 mm", "none seen", "gone"] in data["rows"]
    assert ["Fret 2, treble end: bevel", "24°", "30°", "+6°"] in data["rows"]
    words = text_of(pdf)
    assert pdf.conforms
    assert len(pages_of(pdf)) == 1
    assert overprints(pdf) == []
    for said in ("20 May 2026", "estimate 1, accepted by A. Customer on 6 May 2026, signed", "Level, crown and polish",
                 "all 6 frets", "Wipe strings", "In about 12 months", "Before: 0.15 mm deep"):  # fmt: skip
        assert said in words


def test_what_could_not_be_told_is_not_on_the_handover_but_what_failed_is():
    hidden = ProofCheck("fret 1, widest flat", "at most 0.96 mm", None, Verdict.CANNOT_TELL, "Move the lamp.")
    kept = ProofCheck("fret 2, deepest divot", "at most 0.05 mm", mm(0.001, 0.0007), Verdict.WITHIN)
    failed = ProofCheck("fret 3, deepest divot", "at most 0.05 mm", mm(0.12), Verdict.BEYOND)
    words = text_of(handover([hidden, kept, failed])[1])
    assert "lamp" not in words
    assert "1 of 2 points checked after the work are as agreed" in words
    assert "measurement record" in words
    assert "Not as agreed" in words
    assert "0.120 ± 0.020 mm" in words


def test_nothing_agreed_is_never_called_agreed():
    words = text_of(handover(agreed=False)[1])
    assert "no estimate stands accepted" in words
    assert "as agreed" not in words


def test_a_place_only_one_visit_read_is_not_compared():
    lost = replace(unworn(), frets=tuple(replace(f, unseen_depth=None) for f in unworn().frets))
    data, _ = handover(after=lost, bevels_after={})
    assert data["rows"] == []


def test_strings_and_neck_stand_before_and_after_where_both_visits_read_them():
    """What changed by less than both uncertainties together is not called a change."""
    height, relief = "treble string height", "bass relief"
    before = Setup({height: mm(2.05, 0.05), relief: mm(0.31, 0.03), "bass string height": mm(2.4, 0.05)})
    after = Setup({height: mm(1.62, 0.05), relief: mm(0.28, 0.03)})
    data, pdf = handover(setup_before=before, setup_after=after)
    rows = {row[0]: row[1:] for row in data["rows"]}
    assert rows["String height at the 12th fret, treble side"] == ["2.05 ± 0.10 mm", "1.62 ± 0.10 mm", "−0.43 mm"]
    assert rows["Relief, bass side"][2] == "less than 0.08 mm"
    assert not any("String height" in name and "bass" in name for name in rows)
    assert overprints(pdf) == []


def test_the_next_check_follows_the_fastest_wear_at_its_upper_end():
    slow, fast = (Rate(1, 1, Measured.of(v, "mm/year", reading=0.005), None) for v in (0.01, 0.03))
    # 0.05 mm at 0.03 + 2 * 0.005 = 0.04 mm a year: 1.25 years
    assert months_to_check([slow, fast], 0.05) == 15
    assert months_to_check([], 0.05) is None
    assert months_to_check([Rate(1, 1, Measured.of(-0.01, "mm/year", reading=0.005), None)], 0.05) is None


@pytest.mark.slow
def test_the_record_holds_every_value_with_u_and_doubts():
    wear = worn()
    options = work_out_options(wear, Limits.default(), lambda k, d, r: Cost(0, 0), mm(1.2))
    readings = [ReadingRow("1", "crown width", mm(2.6).with_flags("GLARE"), 1)] * 90
    readings.append(ReadingRow("Neck", "treble relief", mm(0.3), 0))
    record = (readings, [PhotoRow(1, "a.jpg", "plan", "ab" * 32, "strip", ("BLURRED",))],
              [NotMeasured(on_fret(5, "flats"), "a flat narrower than 0.51 mm would not show")], [])  # fmt: skip
    check = ProofCheck("fret 1, widest flat", "at most 0.96 mm", None, Verdict.CANNOT_TELL, "Move the lamp.")
    neck = (
        NeckRow("Gap, treble string open", {n: mm(1.5 + 0.02 * n, 0.04) for n in range(9, 16)}),
        NeckRow("Over neighbours", {12: mm(0.08)}, frozenset({12})),
    )
    german = NumberFormat("inch", "de_DE")
    data = record_content(heading(), ("intake", "2026-05-04"), wear, record, options, [check], german, neck)
    assert [c["step"] for c in data["neck"]["rows"][1]["cells"] if c["text"] != "·"] == [2]
    pdf = render_pdf("record", data, {}, "2026-05-04")
    words = text_of(pdf)
    assert pdf.conforms
    assert overprints(pdf) == []
    for said in (
        "102,4 ± 0,8 thou",
        "GLARE",
        "BLURRED",
        "Move the lamp",
        "cannot tell",
        "20,1 thou",
        "gauge",
        "ISO 14253-1",
        "Strings and neck by fret",
        "Over neighbours",
        "3,1",
    ):
        assert said in words


def test_the_mail_says_what_price_and_how_to_accept():
    e, _ = estimate_of(worn(), tax_percent="19")
    text = covering_mail(heading(), e, worn(), MM)
    assert text.startswith("Subject: Estimate 1 for Six-fret test board, job 12\n\nDear A. Customer,")
    assert "Price: 321.90 USD including tax." in text  # 270.50 and 19 % of it, 51.395 -> 51.40
    assert "until 3 June 2026" in text
    assert "±" not in text


def test_the_draft_can_be_looked_at_as_pictures():
    data, pictures = estimate_data(draft=True)
    pages = render_pages("estimate", data, pictures)
    assert len(pages) == 1
    assert Image.open(io.BytesIO(pages[0])).size == (909, 1286)  # A4 at 110 dots an inch


def test_a_picture_name_can_not_leave_the_folder():
    with pytest.raises(ValueError, match="plain picture name"):
        render_pdf("estimate", {}, {"../x.jpg": b""}, "2026-05-04")
