"""A second save on what another window changed: estimate lines and fields, an instrument's limits, a finding's note."""

import pytest

from inspect_app.decide.estimate import Line
from inspect_app.services import add_photo, photo_view, update_photo
from inspect_app.services.deciding import change_terms, decide
from inspect_app.services.estimating import change_estimate, draft, estimates
from tests.inspect_app.conftest import noise_jpeg
from tests.inspect_app.ui.conftest import open_page, send

pytestmark = [pytest.mark.filterwarnings("ignore::DeprecationWarning"), pytest.mark.usefixtures("served")]
THEIRS = (Line("Another window's work", "1", "piece", 5000, True),)


@pytest.fixture
def job(worn_job):
    return worn_job


def tables(at):
    return " ".join(t.value.to_string() for t in at.table).replace("\\", "")


def warned(at):
    return " ".join(w.value for w in at.warning)


def typed_over(at, view, quantity):
    """The first line's quantity is typed over."""
    at.number_input(key=f"line-{view.id}-1-0-quantity").set_value(quantity).run()
    assert not at.exception, at.exception


@pytest.mark.slow
@pytest.mark.parametrize(
    ("answer", "kept"), [("Keep the lines typed here", "mine"), ("Keep the other lines", "theirs")]
)
def test_lines_that_both_windows_changed_are_asked_with_both_versions(store, job, answer, kept):
    view = draft(store, job)
    at = open_page("estimate.py", job)
    change_estimate(store, view.id, lines=THEIRS)
    typed_over(at, view, 7.5)
    assert "Another window has changed the lines" in warned(at)
    assert "Another window's work" in tables(at)
    assert "7.5" in tables(at)
    assert estimates(store, job)[0].estimate.lines == THEIRS  # nothing is lost before a person chose
    send(at, answer)
    lines = estimates(store, job)[0].estimate.lines
    assert lines == THEIRS if kept == "theirs" else lines[0].quantity == "7.5"
    assert not at.warning


def test_lines_typed_in_one_window_alone_are_kept_at_once(store, job):
    view = draft(store, job)
    at = open_page("estimate.py", job)
    typed_over(at, view, 7.5)
    assert estimates(store, job)[0].estimate.lines[0].quantity == "7.5"
    assert not at.warning


@pytest.mark.slow
def test_lines_are_added_and_taken_out_and_looking_at_them_changes_nothing(store, job):
    view = draft(store, job)
    at = open_page("estimate.py", job)
    was = estimates(store, job)[0]
    assert was.content_hash == view.content_hash
    send(at, "Add a line")
    new = f"line-{view.id}-1-{len(was.estimate.lines)}"
    at.text_area(key=f"{new}-work").set_value("New nut,\n fitted").run()
    at.number_input(key=f"{new}-each").set_value(40.5).run()
    lines = estimates(store, job)[0].estimate.lines
    assert lines == (*was.estimate.lines, Line("New nut, fitted", "1", "h", 4050))
    at.button(key=f"line-{view.id}-1-0-out").click().run()
    assert estimates(store, job)[0].estimate.lines == lines[1:]


@pytest.mark.slow
def test_a_field_of_the_estimate_is_told_with_both_versions(store, job):
    view = draft(store, job)
    at = open_page("estimate.py", job)
    change_estimate(store, view.id, note="theirs")
    next(t for t in at.text_area if t.label == "Note to the customer").set_value("mine").run()
    assert "theirs" in warned(at)
    assert "mine" in warned(at)
    assert estimates(store, job)[0].estimate.note == "mine"
    send(at, "Take the other")
    assert estimates(store, job)[0].estimate.note == "theirs"


def limits_of(store, job):
    return decide(store, job).terms.limits


def set_limit(at, key, value):
    next(n for n in at.number_input if n.key and n.key.endswith(f"-{key}-mm")).set_value(value)
    send(at, "Keep for this instrument")


def test_two_limits_of_an_instrument_changed_in_two_windows_are_both_kept(store, job):
    first, second = [e.key for e in limits_of(store, job).entries if e.unit == "mm"][:2]
    at = open_page("options.py", job, fold="limits")
    change_terms(store, job, limits=limits_of(store, job).with_value(first, 0.111))
    set_limit(at, second, 0.222)
    kept = limits_of(store, job)
    assert (kept[first].value, kept[second].value) == (0.111, 0.222)


def test_one_limit_changed_in_two_windows_is_asked_with_both_versions(store, job):
    at = open_page("options.py", job, fold="limits")
    change_terms(store, job, limits=limits_of(store, job).with_value("crown_height", 0.61))
    set_limit(at, "crown_height", 0.95)
    assert limits_of(store, job)["crown_height"].value == 0.61
    assert "0.61 mm" in tables(at)
    assert "0.95 mm" in tables(at)
    send(at, "Keep what was typed here")
    assert limits_of(store, job)["crown_height"].value == 0.95


def test_a_findings_note_changed_in_two_windows_is_asked_and_its_category_kept(store, job):
    photo = add_photo(store, job, noise_jpeg(9), "chip.jpg", "finding", note="chip").photo
    at = open_page("findings.py", job)
    update_photo(store, photo.id, note="theirs", category="board")
    next(t for t in at.text_area if t.key == f"note-finding-{photo.id}-0").set_value("mine")
    send(at, "Keep")
    assert photo_view(store, photo.id).note == "theirs"
    assert "theirs" in tables(at)
    assert "mine" in tables(at)
    send(at, "Keep what was typed here")
    assert (photo_view(store, photo.id).note, photo_view(store, photo.id).category) == ("mine", "board")
