"""Edges of every kind moved on the demo job: the value follows, is measured anew on letting go, and can be undone."""

import re
from urllib.parse import urlencode

import pytest
from playwright.sync_api import expect

from inspect_app.reading.quantities import card_of, one_of
from inspect_app.services import open_store, readings
from tests.browser.at_rest import settled
from tests.browser.conftest import window

pytestmark = [pytest.mark.browser, pytest.mark.slow]
SHOWN = "() => [...document.querySelectorAll('strong')].map(h => h.innerText).filter(t => t.includes('±')).join()"
KINDS = [
    ("crown width", "body side, point 1", (9, 0)),
    ("length", "treble end", (0, -9)),
    ("flat width", "nut side", (-9, 0)),
    ("flat length", "bass end", (0, -9)),
    ("divot depth", "floor", (0, 5)),
    ("divot length", "treble end", (-9, 0)),
    ("crown line radius", "middle", (0, -2)),
    ("bevel treble", "foot", (5, 0)),
    ("crown height", "top", (0, -9)),
    ("tang width", "left", (-9, 0)),
]


def reading_of(demo, quantity):
    """A reading of this kind that the demo job has: the widest or deepest, whose handles lie well apart."""
    store = open_store(demo[2])
    found = [r for r in readings(store, demo[1]) if r.reading.quantity == quantity]
    store.close()
    return max(found, key=lambda r: r.reading.value.value, default=None)


@pytest.mark.parametrize(("quantity", "handle", "by"), KINDS, ids=[k for k, *_ in KINDS])
def test_a_moved_edge_is_measured_anew_and_taken_back(chromium, demo, quantity, handle, by):
    reading = reading_of(demo, quantity)
    if reading is None:
        pytest.skip(f"the demo job has no {quantity}")
    with window(chromium, demo[0]) as page:
        query = urlencode({"job": demo[1], "photo": reading.photo_id, "reading": reading.reading.key})
        page.goto(f"{demo[0]}/readings?{query}")
        ring = page.get_by_role("slider", name=re.compile(f"{handle}$|{handle} of"))
        ring.first.wait_for()
        settled(page)
        before = page.evaluate(SHOWN)
        box = ring.first.bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.mouse.move(x, y)
        page.mouse.down()
        page.mouse.move(x + by[0], y + by[1], steps=3)
        expect(page.locator(".live")).to_contain_text(f"{quantity}: about")
        page.mouse.up()
        page.wait_for_function(f"was => ({SHOWN})() !== was", arg=before)
        settled(page)
        expect(page.get_by_text("A person placed an edge.")).to_be_visible()
        page.get_by_role("button", name="Undo the last move").click()
        page.wait_for_function(f"was => ({SHOWN})() === was", arg=before)


def open_reading(page, demo, reading):
    query = urlencode({"job": demo[1], "photo": reading.photo_id, "reading": reading.reading.key})
    page.goto(f"{demo[0]}/readings?{query}")
    page.locator(".viewer .handle").first.wait_for()
    settled(page)


def mark_flat(page, down=0):
    """Four taps where the flat shown has its edges, or so much further down; the new reading's name."""
    places = [page.locator(".viewer .handle").nth(k).bounding_box() for k in (0, 2, 1, 3)]
    page.get_by_role("button", name="Add what was missed").click()
    page.get_by_role("button", name="Flat", exact=True).click()
    page.get_by_text("Add by hand: flat").wait_for()
    page.locator(".live", has_text="Mark one end of the flat").wait_for()
    settled(page)
    for box in places:
        page.mouse.click(box["x"] + box["width"] / 2, box["y"] + box["height"] / 2 + down)
    page.get_by_text("A person placed an edge.").wait_for()
    settled(page)
    return page.get_by_role("heading", level=2).first.inner_text()


def test_a_flat_that_was_missed_is_marked_on_the_photo_and_taken_back(chromium, demo):
    """One more reading, by hand, that one step takes back."""
    reading = reading_of(demo, "flat width")
    with window(chromium, demo[0]) as page:
        open_reading(page, demo, reading)
        shown = mark_flat(page)
        assert re.fullmatch(rf"Fret {reading.reading.key.fret}, flat \d+", shown)
        expect(page.locator(".viewer .handle")).to_have_count(4)
        page.get_by_role("button", name="Undo the last move").click()
        page.get_by_role("heading", name=shown, exact=True).wait_for(state="detached")


def test_flats_marked_in_two_windows_are_both_kept(chromium, demo):
    reading = reading_of(demo, "flat width")
    with window(chromium, demo[0]) as one, window(chromium, demo[0]) as two:
        open_reading(one, demo, reading)
        open_reading(two, demo, reading)
        shown = {mark_flat(one), mark_flat(two, 5)}  # the second still shows the photo as it was
        assert len(shown) == 2
        store = open_store(demo[2])
        kept = {one_of(card_of(r.reading.key)) for r in readings(store, demo[1])}
        store.close()
        assert {s[:1].lower() + s[1:] for s in shown} <= kept
        undo = two.get_by_role("button", name="Undo the last move")
        title = two.get_by_role("heading", level=2).first
        before = title.inner_text()
        undo.click()
        expect(title).not_to_have_text(before)
        settled(two)
        assert title.inner_text().startswith(before.partition(",")[0])
        undo.click()
        undo.wait_for(state="detached")


def test_marking_by_keyboard_and_giving_up(chromium, demo):
    with window(chromium, demo[0]) as page:
        open_reading(page, demo, reading_of(demo, "divot depth"))
        page.get_by_role("button", name="Add what was missed").press("Enter")
        page.get_by_role("button", name="Divot", exact=True).press("Enter")
        viewer = page.locator(".viewer")
        page.get_by_text("Add by hand: divot").wait_for()
        settled(page)
        for _ in range(3):  # three points on one place are no divot: that is said, and marking begins afresh
            viewer.press("Enter")
        page.get_by_text("was not marked below the crown line").or_(page.get_by_text("moved past")).wait_for()
        page.locator(".live", has_text="Mark one end of the divot").wait_for()
        page.get_by_role("button", name="Cancel").press("Enter")
        page.get_by_role("heading", name=re.compile(r"divot \d")).wait_for()
        expect(page.locator(".viewer .handle")).to_have_count(3)
