"""The demo job's papers as a customer gets them: few pages, small files, nothing printed over anything."""

import io

import pytest
from pypdf import PdfReader

from inspect_app.demo import load_demo
from inspect_app.services import open_store, put_setting
from inspect_app.services.estimating import accept_estimate, draft, estimate_pdf, issue_estimate
from inspect_app.services.papers import bench_paper, handover_paper, record_paper
from tests.inspect_app.report.test_report import overprints

pytestmark = pytest.mark.slow

MOST_BYTES = 3_000_000


@pytest.fixture(scope="module")
def demo(demo_data):
    store = open_store(demo_data)
    job = load_demo(store)
    made = issue_estimate(store, draft(store, job).id)
    accept_estimate(store, made.id)
    yield store, job, made
    store.close()


class Paper:
    """A paper's bytes as `overprints` takes them."""

    def __init__(self, data):
        self.data = data
        self.pages = [p.extract_text() for p in PdfReader(io.BytesIO(data)).pages]
        self.words = " ".join(" ".join(self.pages).split())


def test_the_estimate_is_one_page_with_its_pictures(demo):
    store, _, made = demo
    paper = Paper(estimate_pdf(store, made.id))
    assert len(paper.pages) == 1
    assert len(paper.data) < MOST_BYTES
    assert overprints(paper) == []
    for said in ("The deepest is on fret 2 under the 2nd string", "deep Fret 2", "wide Fret 2", "Worked on and kept"):
        assert said in paper.words


def test_the_handover_is_one_page_and_names_what_was_agreed(demo):
    store, job, _ = demo
    paper = Paper(handover_paper(store, job).data)
    assert len(paper.pages) == 1
    assert len(paper.data) < MOST_BYTES
    assert overprints(paper) == []
    assert "estimate 1, accepted by Harbour Street Music School" in paper.words
    assert "Fret 2, 2nd string: groove" in paper.words
    assert "gone" in paper.words
    assert "lamp" not in paper.words


def test_what_the_photos_could_not_tell_stands_in_the_record(demo):
    store, job, _ = demo
    paper = Paper(record_paper(store, job, "after").data)
    assert "cannot tell" in paper.words
    assert "Move the lamp" in paper.words
    assert overprints(paper) == []


def test_bench_sheet_is_one_page(demo):
    store, job, _ = demo
    paper = Paper(bench_paper(store, job).data)
    assert len(paper.pages) == 1
    assert overprints(paper) == []


def test_in_inches_no_paper_has_millimetres(demo):
    store, job, _ = demo
    put_setting(store, "length", {"unit": "inch"})
    try:
        made = draft(store, job)
        papers = [estimate_pdf(store, made.id), bench_paper(store, job).data, handover_paper(store, job).data]
        papers.append(record_paper(store, job, "after").data)
    finally:
        put_setting(store, "length", {"unit": "mm"})
    for paper in map(Paper, papers):
        assert "thou" in paper.words
        assert " mm" not in paper.words.replace("mm/", "")
