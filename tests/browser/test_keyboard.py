"""The whole job without a pointer: Tab, Enter, arrows and the letters on the buttons."""

import re

import pytest
from playwright.sync_api import TimeoutError as Unanswered
from playwright.sync_api import expect

from inspect_app.services import Stage, find_jobs, job_view, open_store
from inspect_app.services.estimating import estimates
from inspect_app.services.heights import fret_heights, fret_work
from tests.browser.at_rest import settled
from tests.browser.conftest import ANSWER_MS, keep_picture, window
from tests.browser.drawn import board_photo

pytestmark = [pytest.mark.browser, pytest.mark.slow]
MOST_TABS = 60
FOCUSED = """() => {
  let e = document.activeElement;
  while (e?.shadowRoot?.activeElement) e = e.shadowRoot.activeElement;
  if (!e || e.querySelector("a, button, input")) return "";
  return (e.getAttribute("aria-label") || e.labels?.[0]?.innerText || e.innerText || e.title || "").trim();
}"""


def tab_to(page, wanted):
    """Press Tab until what has the focus is called so."""
    passed = []
    for _ in range(MOST_TABS):
        page.keyboard.press("Tab")
        passed.append(page.evaluate(FOCUSED))
        if re.search(wanted, passed[-1]):
            return
    pytest.fail(f"{MOST_TABS} Tabs do not lead to {wanted!r}, but to {passed}")


def go(page, wanted):
    """Tab there and press Enter."""
    tab_to(page, wanted)
    page.keyboard.press("Enter")


def on_page(page, name):
    """Wait for a page of the job."""
    expect(page.get_by_role("heading", name=name, exact=True)).to_be_visible(timeout=ANSWER_MS)
    settled(page)


def to_step(page, name):
    """To another page of the job, by its name at the top: past the end of this one, or from its top."""
    go(page, f"^{name}( |$)")
    on_page(page, name)


def file_chooser(page):
    """Opened by Enter on the upload button; a rerun that comes in between takes the focus, then it is reached again."""
    for patience in (5_000, 10_000, 20_000):
        tab_to(page, "Upload")
        try:
            with page.expect_file_chooser(timeout=patience) as chosen:
                page.keyboard.press("Enter")
            return chosen.value
        except Unanswered:
            settled(page)
    raise AssertionError("the upload button does not open the chooser by Enter")


def taken_in(page, name, seed):
    """One photo chosen and measured."""
    file_chooser(page).set_files({"name": name, "mimeType": "image/jpeg", "buffer": board_photo(seed=seed)})
    expect(page.get_by_role("button", name="Measure 1 photo")).to_be_visible(timeout=ANSWER_MS)
    expect(page.get_by_text(re.compile("Scale found: .* pixels to the millimetre"))).to_be_visible()
    settled(page)
    go(page, "^Measure 1 photo")
    expect(page.get_by_text("Measured (1)")).to_be_visible(timeout=ANSWER_MS)
    settled(page)


def reviewed(page):
    """All sure readings accepted together, each doubtful one by its letter."""
    page.locator(".viewer").wait_for()
    settled(page)
    go(page, "^Accept all .* sure ones")
    title, done = page.get_by_role("heading", level=2).first, page.get_by_text("Nothing left here")
    for _ in range(12):
        expect(page.get_by_text(re.compile("sure ones"))).to_have_count(0, timeout=ANSWER_MS)
        expect(title.or_(done).first).to_be_visible(timeout=ANSWER_MS)
        settled(page)
        if done.is_visible():
            return
        name = title.inner_text()
        page.locator(".viewer").wait_for()
        page.keyboard.press("a")
        expect(title.filter(has_text=re.compile(f"^{re.escape(name)}$"))).to_have_count(0, timeout=ANSWER_MS)
    pytest.fail("the readings do not come to an end")


def stored(bench, customer):
    """What the store says of the job of this customer."""
    store = open_store(bench[1])
    job = find_jobs(store, customer).rows[0].id
    work = [(w.kind, w.frets) for w in fret_work(store, job)]
    heights = {n: q.value for n, q in fret_heights(store, job, "after").items()}
    found = job_view(store, job).stage, [e.status for e in estimates(store, job)], work, heights
    store.close()
    return found


def test_from_a_new_job_to_the_handover_by_keyboard(chromium, bench):
    with window(chromium, bench[0]) as page:
        page.on("filechooser", lambda _: None)  # choosers are taken from now on; `expect_file_chooser` may ask too late
        page.goto(bench[0])
        page.locator("h1").wait_for()
        settled(page)
        started(page)
        go(page, "^Add photos")
        on_page(page, "Photos")
        taken_in(page, "board.jpg", 11)
        an_edge_moved(page)
        reviewed(page)
        to_step(page, "Wear map")
        page.emulate_media(media="print")
        keep_picture(page, "print-wear-map")
        page.emulate_media(media="screen")
        agreed(page)
        assert stored(bench, "keyboard")[:2] == (Stage.ACCEPTED, ["accepted"])
        to_step(page, "After work")
        go(page, "^Add photos")
        on_page(page, "Photos")
        taken_in(page, "after.jpg", 12)
        to_step(page, "Readings")
        reviewed(page)
        handed_over(page)
    assert stored(bench, "keyboard") == (
        Stage.HANDED_OVER, ["accepted"], [("levelled", (1, 2, 3, 4))], {1: 0.95, 2: 0.94},
    )  # fmt: skip


def started(page):
    """A new job, and what the options need to be known of it."""
    if page.locator("details", has_text="New job").get_attribute("open") is None:
        go(page, "New job$")
    for label, text in (("^Customer", "Keyboard Players"), ("^Instrument", "Grey tenor"), ("^Scale length", "640")):
        tab_to(page, label)
        page.keyboard.type(text)
    go(page, "^Start this job")
    on_page(page, "Grey tenor")
    go(page, "Change what is written down$")
    expect(page.get_by_role("button", name="Keep these details")).to_be_visible(timeout=ANSWER_MS)
    settled(page)
    expect(page.get_by_role("spinbutton", name="Frets")).to_be_visible(timeout=ANSWER_MS)  # drawn last
    for label, text in (("^Frets", "4"), ("^Strings", "6"), ("^Crown height when new", "1.1")):
        tab_to(page, label)
        page.keyboard.press("Control+a")
        page.keyboard.type(text)
    go(page, "^Keep these details")
    expect(page.get_by_role("cell", name="4, 6")).to_be_visible(timeout=ANSWER_MS)
    settled(page)


def an_edge_moved(page):
    """The edge of one crown, by arrows; what was placed by hand needs no second word."""
    page.goto(page.url.replace("/photos", "/readings") + "&reading=fret+2,+crown+width")
    page.locator(".viewer .handle").first.wait_for()
    settled(page)
    tab_to(page, "body side, point 1")
    page.keyboard.press("Shift+ArrowRight")
    expect(page.get_by_role("button", name="Undo the last move")).to_be_visible(timeout=ANSWER_MS)
    settled(page)
    page.keyboard.press("n")
    expect(page.get_by_role("heading", level=2, name=re.compile("^Fret 2, crown"))).to_have_count(0, timeout=ANSWER_MS)
    settled(page)


def agreed(page):
    """The option that stands drafted, issued and accepted."""
    to_step(page, "Options")
    go(page, "^Draft the estimate")
    on_page(page, "Estimate")
    page.get_by_role("img", name=re.compile("Draft of estimate")).first.wait_for()
    settled(page)
    go(page, "^Issue it")
    expect(page.get_by_role("button", name="Issue this")).to_be_visible(timeout=ANSWER_MS)
    settled(page)
    go(page, "^Issue this")
    expect(page.get_by_role("button", name="Accepted", exact=True)).to_be_visible(timeout=ANSWER_MS)
    settled(page)
    go(page, "^Accepted$")
    expect(page.get_by_text(re.compile("^Accepted by Keyboard Players"))).to_be_visible(timeout=ANSWER_MS)
    settled(page)


def handed_over(page):
    """What was done, the heights read, the paper, and where the job stands then."""
    to_step(page, "After work")
    tab_to(page, "^Fret and height")
    page.keyboard.type("1: 0.95, 2: 0.94")
    go(page, "^Keep these heights")
    expect(page.get_by_text(re.compile("^Heights kept"))).to_be_visible(timeout=ANSWER_MS)
    settled(page)
    go(page, "What was done to the frets$")
    expect(page.get_by_role("button", name="Write it down")).to_be_visible(timeout=ANSWER_MS)
    settled(page)
    tab_to(page, "^Frets$")
    page.keyboard.type("1-4")
    go(page, "^Write it down")
    expect(page.get_by_text(re.compile("^Levelled: 1, 2, 3, 4"))).to_be_visible(timeout=ANSWER_MS)
    settled(page)
    tab_to(page, r"^Handover \(PDF\)")
    with page.expect_download() as paper:
        page.keyboard.press("Enter")
    assert paper.value.path().read_bytes().startswith(b"%PDF")
    go(page, "^Job( |$)")
    on_page(page, "Grey tenor")
    tab_to(page, "It stands at")
    page.keyboard.press("ArrowDown")
    expect(page.get_by_role("option", name="Handed over")).to_be_visible(timeout=ANSWER_MS)
    page.keyboard.type("Handed")
    expect(page.get_by_role("option")).to_have_count(1, timeout=ANSWER_MS)
    page.keyboard.press("Enter")
    expect(page.locator(".st-key-standing").get_by_role("heading", name="Handed over")).to_be_visible(timeout=ANSWER_MS)
    settled(page)
