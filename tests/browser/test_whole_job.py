"""The main job in a real browser: a new job, photos, readings, an edge by hand, the wear map; and what goes wrong."""

import re

import pytest
from playwright.sync_api import expect

from inspect_app.reading.key import parse_key
from inspect_app.reading.quantities import card_of
from tests.browser.at_rest import rested, settled
from tests.browser.bench import measure_in
from tests.browser.conftest import keep_picture
from tests.browser.drawn import board_photo

pytestmark = [pytest.mark.browser, pytest.mark.slow]
JPEG = "image/jpeg"


def drop(page, *files):
    page.locator('[data-testid="stFileUploaderDropzoneInput"]').first.set_input_files(
        [{"name": n, "mimeType": JPEG, "buffer": b} for n, b in files]
    )


def measured_job(page):
    """The window's job with one measured photo; that the pages take it in and measure it is tested once."""
    measure_in(page.data, page.job, board_photo())


def taken_in_and_measured(page):
    """The window's job with one photo that is taken in and measured on the job's page."""
    page.goto(f"{page.address}/photos?job={page.job}")
    drop(page, ("board.jpg", board_photo()))
    page.get_by_role("button", name="Measure 1 photo").click()
    page.get_by_text("Measured (1)").wait_for()
    settled(page)


def open_reading(page, key="fret 2, crown width"):
    page.goto(f"{page.address}/readings?job={page.job}&reading={key.replace(' ', '+')}")
    page.get_by_role("heading", name=str(card_of(parse_key(key))), exact=False).wait_for()
    page.locator(".viewer .handle").first.wait_for()
    settled(page)


def value_shown(page):
    return float(page.locator("strong", has_text="±").first.inner_text().split("±")[0])


def accept_one_by_one(page):
    """Those that a look at each is asked for."""
    for _ in range(12):
        if page.get_by_text("Nothing left here").is_visible():
            break
        name = page.locator("h2").first.inner_text()
        page.locator(".st-key-accept button").click()
        page.wait_for_function("n => document.querySelector('h2')?.innerText !== n", arg=name)
        settled(page)
    page.get_by_text("Nothing left here").wait_for()


def test_from_a_new_job_to_the_wear_map(desk):
    desk.goto(desk.address)
    desk.locator("h1").wait_for()
    settled(desk)
    if desk.locator("details", has_text="New job").get_attribute("open") is None:
        desk.get_by_text("New job").click()
    desk.get_by_label("Customer (needed)").fill("Riverside Players")
    desk.get_by_role("textbox", name="Instrument").fill("Blue tenor")
    desk.get_by_role("textbox", name="Scale length").fill("640")
    desk.get_by_role("button", name="Start this job").click()
    desk.get_by_role("heading", name="Blue tenor").wait_for()
    desk.get_by_role("link", name="Photos ○").wait_for()
    settled(desk)
    desk.get_by_text("Change what is written down").click()
    settled(desk)
    desk.get_by_role("spinbutton", name="Frets").fill("4")
    desk.get_by_role("spinbutton", name="Strings", exact=True).fill("6")
    desk.get_by_role("textbox", name="Crown height when new").fill("1.1")
    desk.get_by_role("button", name="Keep these details").click()
    desk.get_by_text("written down", exact=False).first.wait_for()
    settled(desk)
    keep_picture(desk, "job")
    desk.get_by_role("link", name=re.compile("Add photos")).click()
    desk.get_by_role("heading", name="Photos", exact=True).wait_for()
    settled(desk)
    drop(desk, ("board.jpg", board_photo()))
    desk.get_by_role("button", name="Measure 1 photo").click()
    desk.get_by_text("Measured (1)").wait_for()
    desk.get_by_text(re.compile("pixels to the millimetre")).wait_for()
    settled(desk)
    keep_picture(desk, "photos")
    desk.get_by_role("link", name=re.compile(r"^Readings \(")).click()
    desk.get_by_role("button", name=re.compile("Accept all .* sure ones")).click()
    desk.get_by_text(re.compile(r"\d+ accepted")).wait_for()
    settled(desk)
    keep_picture(desk, "readings")
    accept_one_by_one(desk)
    desk.get_by_role("link", name=re.compile("^Wear map")).click()
    cell = desk.get_by_role("link", name=re.compile("fret 2, string"))
    expect(cell.first).to_contain_text("0.07")
    keep_picture(desk, "wear-map")
    cell.first.click()
    desk.get_by_role("heading", name=re.compile("Fret 2, flat 1")).wait_for()


def test_letting_go_of_an_edge_measures_again_and_can_be_undone(desk):
    measured_job(desk)
    open_reading(desk)
    before = value_shown(desk)
    handle = desk.get_by_role("slider", name=re.compile("body side, point 1"))
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    desk.mouse.move(x, y)
    desk.mouse.down()
    desk.mouse.move(x + 8, y, steps=4)
    expect(desk.locator(".live")).to_contain_text("about")
    desk.mouse.move(x + 16, y, steps=4)
    desk.mouse.up()
    desk.get_by_role("button", name="Undo the last move").wait_for()
    settled(desk)
    moved = value_shown(desk)
    assert moved > before + 0.01
    expect(desk.get_by_text("A person placed an edge.")).to_be_visible()
    desk.reload()
    open_reading(desk)
    assert value_shown(desk) == moved
    desk.get_by_role("button", name="Undo the last move").click()
    desk.get_by_role("button", name="Undo the last move").wait_for(state="detached")
    settled(desk)
    assert value_shown(desk) == before


def test_an_edge_moves_by_key_and_keeps_the_focus(desk):
    measured_job(desk)
    open_reading(desk)
    before = value_shown(desk)
    handle = desk.get_by_role("slider", name=re.compile("body side, point 1"))
    handle.focus()
    for _ in range(5):
        desk.keyboard.press("ArrowRight")
    desk.get_by_role("button", name="Undo the last move").wait_for()
    rested(desk)
    assert value_shown(desk) != before
    again = desk.get_by_role("slider", name=re.compile("body side, point 1"))
    assert again.evaluate("e => e.getRootNode().activeElement === e")


def test_a_wrong_file_and_a_photo_without_scale_say_what_to_do(desk):
    desk.goto(f"{desk.address}/photos?job={desk.job}")
    drop(desk, ("notes.jpg", b"not a picture at all"))
    desk.get_by_text("is not a picture this program can read").wait_for()
    expect(desk.get_by_text("Use a JPEG, PNG or WebP photo")).to_be_visible()
    drop(desk, ("bare.jpg", board_photo(seed=3, strip=False)))
    desk.get_by_role("button", name="Measure 1 photo").click()
    desk.get_by_text("nothing measured").wait_for()
    keep_picture(desk, "no-scale")
    expect(desk.get_by_text(re.compile("strip|scale", re.IGNORECASE)).first).to_be_visible()


def test_the_same_photo_twice_is_kept_once(desk):
    taken_in_and_measured(desk)
    drop(desk, ("copy.jpg", board_photo()))
    desk.get_by_text("is the same file as").wait_for()
    expect(desk.get_by_text("Measured (1)")).to_be_visible()


def test_measuring_a_distance_by_hand(desk):
    measured_job(desk)
    desk.goto(f"{desk.address}/by_hand?job={desk.job}")
    viewer = desk.locator(".viewer")
    viewer.wait_for()
    desk.get_by_text("Mark where it starts").wait_for()
    settled(desk)
    box = viewer.bounding_box()
    for share in (0.3, 0.6):
        desk.mouse.click(box["x"] + share * box["width"], box["y"] + 0.4 * box["height"])
    desk.get_by_role("button", name="Keep it").wait_for()
    desk.get_by_label("Note").fill("span of the board")
    desk.get_by_label("Note").press("Enter")
    settled(desk)
    desk.get_by_role("button", name="Keep it").click()
    desk.get_by_text("span of the board").wait_for()
    keep_picture(desk, "by-hand")


def test_nothing_is_wider_than_a_phone(phone):
    taken_in_and_measured(phone)
    keep_picture(phone, "phone-photos")
    for name in ("", "job", "photos", "readings", "wear_map", "by_hand", "findings"):
        phone.goto(f"{phone.address}/{name}?job={phone.job}" if name else phone.address)
        phone.locator("h1").wait_for()
        settled(phone)
        assert phone.evaluate("document.documentElement.scrollWidth") <= 390, name
        keep_picture(phone, f"phone-{name or 'jobs'}")


def test_a_finger_moves_an_edge(phone):
    measured_job(phone)
    open_reading(phone)
    before = value_shown(phone)
    handle = phone.get_by_role("slider", name=re.compile("body side, point 1"))
    handle.scroll_into_view_if_needed()
    settled(phone)
    box = handle.bounding_box()
    assert box["width"] >= 44
    assert box["height"] >= 44
    x, y = box["x"] + 22, box["y"] + 22
    touch = phone.context.new_cdp_session(phone)
    for kind, dx in (("touchStart", 0), ("touchMove", 6), ("touchMove", 12), ("touchEnd", None)):
        points = [] if dx is None else [{"x": x + dx, "y": y}]
        touch.send("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})
    phone.get_by_role("button", name="Undo the last move").wait_for()
    settled(phone)
    assert value_shown(phone) != before
