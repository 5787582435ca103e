"""Slow reruns, two windows, a reload and a lost connection: no move is lost and none is kept twice."""

import re
from contextlib import contextmanager

import pytest
from playwright.sync_api import expect

from inspect_app.services import earlier_inspections, job_view, open_store
from tests.browser.at_rest import rested, settled
from tests.browser.conftest import ANSWER_MS, new_job, served, window
from tests.browser.test_whole_job import measured_job, open_reading, value_shown

pytestmark = [pytest.mark.browser, pytest.mark.slow]
SLOW_S = 1.5  # longer than a person takes for a second move
HOLD_SOCKETS = """
    window.sockets = [];
    const Plain = WebSocket;
    window.WebSocket = class extends Plain { constructor(...a) { super(...a); window.sockets.push(this); } };
"""


@pytest.fixture(scope="module")
def slow(tmp_path_factory):
    """A server on which a moved edge takes its time: its address and its data folder."""
    data = tmp_path_factory.mktemp("slow") / "data"
    with served(data, "--slow", str(SLOW_S)) as address:
        yield address, data


@contextmanager
def desk_at(chromium, where):
    """A window on one measured job, its sockets within reach."""
    with window(chromium, where[0]) as page:
        page.add_init_script(HOLD_SOCKETS)
        page.address, page.data, page.job = *where, new_job(where[1])
        measured_job(page)
        open_reading(page)
        yield page


def kept(where, job):
    """The edges placed in each entry of the photo's history, the first measurement first."""
    store = open_store(where[1])
    photo = job_view(store, job).photos[0]
    edges = [{e.what: e.points for e in i.ask.hand_edges} for i in reversed(earlier_inspections(store, photo.id))]
    store.close()
    return edges


def take(page, side="body side"):
    """Take hold of a handle; where it is."""
    box = page.get_by_role("slider", name=re.compile(f"{side}, point 1")).bounding_box()
    x, y = box["x"] + 22, box["y"] + 22
    page.mouse.move(x, y)
    page.mouse.down()
    return x, y


def move(page, by, side="body side"):
    x, y = take(page, side)
    page.mouse.move(x + by, y, steps=3)
    page.mouse.up()


def until_measuring(page):
    """Wait until a move that was let go of is being measured."""
    page.locator('[data-testid="stApp"][data-test-script-state="running"]').wait_for()


def until_kept(page, where, entries):
    """Wait until the history has so many entries and the page has come to rest."""
    for _ in range(ANSWER_MS // 200):
        if len(kept(where, page.job)) >= entries:
            break
        page.wait_for_timeout(200)
    rested(page)
    return kept(where, page.job)


def test_a_second_move_while_the_first_is_measured_keeps_both(chromium, slow):
    with desk_at(chromium, slow) as page:
        move(page, 14)
        until_measuring(page)
        move(page, -12, "nut side")
        found = until_kept(page, slow, 3)
        assert [len(e) for e in found] == [0, 1, 2]
        shown = value_shown(page)
        page.reload()
        open_reading(page)
        assert value_shown(page) == shown


def test_the_same_handle_moved_twice_ends_where_it_was_left_last(chromium, slow):
    with desk_at(chromium, slow) as page:
        move(page, 14)
        until_measuring(page)
        move(page, 9)
        found = until_kept(page, slow, 3)
        (name,) = found[-1]
        assert found[-1][name][0][0] > found[1][name][0][0]
        assert len(found) == 3


def test_a_reload_in_the_middle_of_a_drag_loses_and_doubles_nothing(chromium, bench):
    with desk_at(chromium, bench) as page:
        before = value_shown(page)
        x, y = take(page)
        page.mouse.move(x + 38, y, steps=3)
        page.reload()
        page.mouse.up()
        open_reading(page)
        assert value_shown(page) == before
        assert len(kept(bench, page.job)) == 1


def test_a_reload_while_a_move_is_measured_keeps_it_once(chromium, slow):
    with desk_at(chromium, slow) as page:
        move(page, 14)
        until_measuring(page)
        page.reload()
        open_reading(page)
        found = until_kept(page, slow, 2)
        assert [len(e) for e in found] == [0, 1]


def test_a_connection_lost_while_a_handle_is_held_keeps_the_move_once(chromium, bench):
    with desk_at(chromium, bench) as page:
        before = value_shown(page)
        x, y = take(page)
        page.mouse.move(x + 14, y, steps=3)
        page.evaluate("sockets.forEach(s => s.close())")
        page.mouse.up()
        found = until_kept(page, bench, 2)
        assert [len(e) for e in found] == [0, 1]
        page.wait_for_function(
            "was => [...document.querySelectorAll('strong')].some(h => parseFloat(h.innerText) > was + 0.01)",
            arg=before,
        )


def test_a_connection_lost_while_a_move_is_measured_keeps_it_once(chromium, slow):
    with desk_at(chromium, slow) as page:
        move(page, 14)
        until_measuring(page)
        page.evaluate("sockets.forEach(s => s.close())")
        found = until_kept(page, slow, 2)
        page.wait_for_timeout(1000 * SLOW_S)
        assert [len(e) for e in kept(slow, page.job)] == [0, 1]
        assert found[-1]


def test_two_windows_on_one_job_keep_both_moves(chromium, bench):
    with desk_at(chromium, bench) as desk:
        other = desk.context.new_page()
        other.address, other.job = desk.address, desk.job
        other.set_default_timeout(ANSWER_MS)
        open_reading(other, "fret 1, crown width")
        for page in (desk, other):
            page.bring_to_front()
            page.get_by_role("slider", name=re.compile("body side, point 1")).focus()
            page.keyboard.press("Shift+ArrowRight")
            page.get_by_role("button", name="Undo the last move").wait_for()
            settled(page)
        for key in ("fret 1, crown width", "fret 2, crown width"):
            open_reading(desk, key)
            expect(desk.get_by_text("A person placed an edge.")).to_be_visible()
        assert [len(e) for e in kept(bench, desk.job)] == [0, 1, 2]


def test_an_undo_in_one_window_takes_back_the_last_move_of_either(chromium, bench):
    with desk_at(chromium, bench) as desk:
        move(desk, 14)
        until_kept(desk, bench, 2)
        other = desk.context.new_page()
        other.address, other.job = desk.address, desk.job
        other.set_default_timeout(ANSWER_MS)
        open_reading(other)
        other.get_by_role("button", name="Undo the last move").click()
        other.get_by_role("button", name="Undo the last move").wait_for(state="detached")
        desk.bring_to_front()
        move(desk, 10, "nut side")
        found = until_kept(desk, bench, 4)
        assert [len(e) for e in found] == [0, 1, 0, 1]
