"""Strings, neck and board from stored answers to the pages, the options and the estimate's paper."""

import io
from dataclasses import replace

import pytest
from pypdf import PdfReader

from inspect_app.decide.options import Kind
from inspect_app.instrument.wire import WireStock
from inspect_app.jobs.details import InstrumentDetails, JobDetails
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection, PhotoSummary
from inspect_app.reading.key import Key, NotMeasured, Place, on_fret
from inspect_app.services import add_photo, create_job, job_view, measure_photo, update_job
from inspect_app.services.deciding import add_wire, board_of_visit, change_terms, decide, setup_of_visit
from inspect_app.services.estimating import draft, estimate_pdf
from inspect_app.services.setups import change_setup_targets, setup_targets
from shared.errors import OptionError
from tests.inspect_app.conftest import measure_with
from tests.inspect_app.deciding_case import jpeg, mm, put_elevation
from tests.inspect_app.ui.conftest import open_page, send
from tests.inspect_app.ui.test_deciding import words

pytestmark = [pytest.mark.filterwarnings("ignore::DeprecationWarning"), pytest.mark.usefixtures("served")]


@pytest.fixture
def job(store, monkeypatch):
    guitar = InstrumentDetails(
        scale_length=648.0, frets=6, strings=6, crown_height=1.1, name="Board no. 7", kind="Electric guitar"
    )
    made = create_job(store, JobDetails("A. Customer", instrument=guitar, asked_for="Buzzes"))
    put_elevation(store, monkeypatch, made, 1, [0.15] * 6)
    return made


def put(store, monkeypatch, job, seed, view, values, not_measured=(), **asked):
    def answer(photo, ask):
        who = PhotoSummary(photo.name, photo.sha256, photo.width, photo.height)
        return Inspection(view, who, "t", ask.to_dict(), values=values, not_measured=not_measured)

    measure_with(monkeypatch, answer)
    photo = add_photo(store, job, jpeg(seed), f"s{seed}.jpg", view, "intake").photo
    return measure_photo(store, photo.id, Ask(view, **asked))


def put_neck(store, monkeypatch, job, **values):
    read = {Key(Place("neck"), n.replace("_", " ")): mm(*v) for n, v in values.items()}
    read[on_fret(4, "height over neighbours")] = mm(0.09, 0.01)
    put(store, monkeypatch, job, 31, "side", read, string="first", scale_length=648.0)


def put_board(store, monkeypatch, job):
    place = on_fret(3, "board wear", 1)
    about = {"from treble end": (20.0, 0.1), "width": (9.0, 0.2), "length": (14.0, 0.2)}
    values = {place.part(n): mm(*v) for n, v in about.items()} | {place.part("share"): mm(0.12, 0.005, "1")}
    put(store, monkeypatch, job, 32, "plan", values, scale_length=648.0)


def test_pages_hold_strings_and_neck_against_the_kinds_targets(store, job, monkeypatch):
    put_neck(store, monkeypatch, job, treble_relief=(0.62, 0.02), treble_string_height=(1.5, 0.03))
    for page in ("wear_map.py", "options.py"):
        shown = open_page(page, job)
        said = words(shown)
        assert "Strings and neck" in [h.value for h in shown.header]
        assert "Fret 4 stands over its neighbours" in said
    brings = decide(store, job).option(Kind.LEVEL).brings
    assert any("bows forward by 0.62 mm" in b for b in brings)


@pytest.mark.slow
def test_what_a_gauge_reads_is_written_down_on_the_wear_map(store, job):
    page = open_page("wear_map.py", job, fold="gauge")
    page.selectbox(key="gauge-what").select("treble end lifted").run()
    page.number_input[-1].set_value(2)
    send(page, "Write it down")
    assert "Nothing was typed" in " ".join(e.value for e in page.error)
    page.text_input[-1].input("0.2")
    send(page, "Write it down")
    assert "The treble end of fret 2 is off the wood by 0.20" in words(page)
    assert decide(store, job).besides.seat_ends == 1
    page.button(key="gauge-fret 2, treble end lifted").click().run()
    assert not setup_of_visit(store, job).ends


def test_a_jobs_paper_says_what_is_not_as_wanted(store, job, monkeypatch):
    put_neck(store, monkeypatch, job, treble_relief=(0.62, 0.02), treble_string_height=(2.6, 0.03))
    put_board(store, monkeypatch, job)
    change_setup_targets(store, "electric", {"treble relief": (0.1, 0.3)})
    pdf = estimate_pdf(store, draft(store, job, kind=Kind.LEVEL).id)
    text = " ".join(" ".join(p.extract_text() for p in PdfReader(io.BytesIO(pdf)).pages).split())
    assert "The neck bows forward by 0.62 mm (0.10 mm to 0.30 mm is what we aim for)." in text
    assert "The treble string stands high: 2.60 mm at the 12th fret (1.20 mm to 1.80 mm is usual)." in text
    assert "worn the board itself before fret 3" in text


def test_a_low_nut_and_a_worn_board_are_priced_with_a_refret(store, job, monkeypatch):
    plain = decide(store, job).option(Kind.REFRET).price
    put_neck(store, monkeypatch, job, treble_nut_clearance=(0.06, 0.01))
    put_board(store, monkeypatch, job)
    wire = add_wire(store, WireStock("Tall", "nickel silver", 2.6, 1.45, 0.5, 1.8, 150))
    change_terms(store, job, wire_id=wire.id)
    decision = decide(store, job)
    assert decision.besides.new_nut
    assert decision.besides.dress_board
    assert decision.option(Kind.REFRET).price > plain
    texts = [line.text for line in draft(store, job, kind=Kind.REFRET).estimate.lines]
    assert "Make and fit a nut for the taller frets" in texts
    assert "Dress the worn board" in texts
    assert decision.option(Kind.LEVEL).price == decide(store, job).option(Kind.LEVEL).price


def test_the_board_is_shown_by_string_and_field(store, job, monkeypatch):
    put_board(store, monkeypatch, job)
    board = board_of_visit(store, job)
    assert board.fields == (3,)
    assert board.places[0].strings == (3,)
    assert board.share_at(3, 3) == pytest.approx(0.12)
    assert board.share_at(3, 1) == 0.0
    page = open_page("wear_map.py", job)
    assert "fret 3 12 %" in words(page)


def test_why_the_board_could_not_be_told_is_said(store, job, monkeypatch):
    why = NotMeasured(Key(Place("board"), "board wear"), "strings lie over the board")
    put(store, monkeypatch, job, 33, "plan", {}, (why,), scale_length=648.0)
    assert "strings lie over the board" in words(open_page("wear_map.py", job))


@pytest.mark.slow
def test_targets_are_set_on_the_shops_page_and_refused_where_they_make_no_sense(store, job, monkeypatch):
    put_neck(store, monkeypatch, job, treble_relief=(0.45, 0.01))
    assert setup_of_visit(store, job).held[0].verdict == "beyond"
    change_setup_targets(store, "electric", {"treble relief": (0.2, 0.6)})
    assert setup_of_visit(store, job).held[0].verdict == "within"
    assert next(t for t in setup_targets(store) if t.kind == "bass").by_name["treble relief"].most == 0.40
    for bad in ({"treble relief": (0.6, 0.2)}, {"no such": (0.1, 0.2)}):
        with pytest.raises(OptionError):
            change_setup_targets(store, "electric", bad)
    with pytest.raises(OptionError):
        change_setup_targets(store, "flute", {})
    page = open_page("shop.py", job)
    send(page, "Keep these")
    assert setup_of_visit(store, job).held[0].verdict == "within"


def test_without_a_kind_nothing_is_held_against_targets(store, job, monkeypatch):
    details = job_view(store, job).details
    update_job(store, job, replace(details, instrument=replace(details.instrument, kind="")))
    put_neck(store, monkeypatch, job, treble_relief=(0.45, 0.01))
    assert setup_of_visit(store, job).targets is None
    assert "Write the instrument's kind" in words(open_page("wear_map.py", job)).replace("\\", "")
