"""Every page, full and empty and with what opens on it, by axe-core: WCAG 2.2 A and AA and its good practice."""

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.browser.at_rest import settled
from tests.browser.conftest import new_job, window

pytestmark = [pytest.mark.browser, pytest.mark.slow]
JOB_PAGES = (
    "job", "photos", "readings", "wear_map", "options", "estimate", "after_work", "by_hand", "findings",
)  # fmt: skip
RULES = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]
DESK, PHONE = {"width": 1440, "height": 900}, {"width": 390, "height": 844}
COLOURS, LAYOUT = (
    ["color-contrast"],
    ["target-size", "scrollable-region-focusable", "color-contrast", "link-in-text-block"],
)
RUN = """([rules, only]) => axe.run(document, {
  resultTypes: ["violations"],
  ...(only ? {runOnly: {type: "rule", values: only}} : {runOnly: {type: "tag", values: rules}}),
}).then(r => r.violations.flatMap(v => v.nodes.map(n => [v.id, n.html.slice(0, 160), n.any.concat(n.all, n.none)
  .map(c => c.message).join(" ").slice(0, 200)])))"""
# Streamlit's upload area is a <section role="presentation"> with a name: the role is ignored, its button has its own.
NOT_OURS = ("presentation-role-conflict", 'data-testid="stFileUploaderDropzone"')
STILL = """async () => {
  const look = () => [...document.querySelectorAll("*")].map(e => {
    const s = getComputedStyle(e);
    return s.color + s.backgroundColor + s.borderColor;
  }).join();
  for (let before = "", same = 0; same < 3;) {
    const now = look();
    same = now === before ? same + 1 : 0;
    before = now;
    await new Promise(done => setTimeout(done, 50));
  }
}"""
OPENED = {  # what a press opens: the page, the button or the line that is pressed, and what is then there
    "rejecting": ("readings", "[class*=st-key-start-reject] button", "[class*=st-key-reject-1]"),
    "narrowing down": ("readings", ".st-key-sieve .stPopover button", "[data-testid=stPopoverBody]"),
    "its table": ("readings", ".st-key-table summary", ".long"),
    "a photo, full size": ("photos", "[class*=st-key-open-] button", ".viewer"),
}


def findings(page, only=None):
    """What axe-core finds on the page as it stands: rule, element, what it asks."""
    if not page.evaluate("() => 'axe' in window"):
        page.evaluate(Axe().axe_script)
    return [f for f in page.evaluate(RUN, [RULES, only]) if not (f[0] == NOT_OURS[0] and NOT_OURS[1] in f[1])]


def still(page):
    """Wait until no colour on the page changes any more: they fade over, and one part of the page after another."""
    page.evaluate(STILL)


def in_all_looks(page):
    """Light by every rule; dark and a phone's width by the rules on what they change, as every run takes its time."""
    found = {"light": findings(page)}
    page.emulate_media(color_scheme="dark")
    page.wait_for_function("() => getComputedStyle(document.querySelector('.stApp')).colorScheme === 'dark'")
    still(page)
    found["dark"] = findings(page, COLOURS)
    page.emulate_media(color_scheme="light")
    page.set_viewport_size(PHONE)
    page.wait_for_function("() => getComputedStyle(document.querySelector('.stApp')).colorScheme === 'light'")
    still(page)
    viewer = page.locator(".viewer").first
    if viewer.count():  # else the buttons at the lower edge of the screen lie on the photo's, until it is scrolled
        viewer.evaluate("e => e.scrollIntoView({block: 'start'})")
    found["phone"] = findings(page, LAYOUT)
    page.set_viewport_size(DESK)
    return {look: here for look, here in found.items() if here}


def open_page(page, address):
    page.goto(address)
    page.locator("h1").wait_for()
    settled(page)


def test_no_page_and_no_state_has_a_finding(chromium, demo):
    address, job, data = demo
    empty = new_job(data)
    places = {"jobs": address, "shop": f"{address}/shop", "no such job": f"{address}/job?job=999"}
    places |= {name: f"{address}/{name}?job={job}" for name in JOB_PAGES}
    places |= {f"{name}, empty": f"{address}/{name}?job={empty}" for name in ("photos", "readings", "estimate")}
    found = {}
    with window(chromium, address, viewport=DESK) as page:
        for place, at in places.items():
            open_page(page, at)
            found[place] = in_all_looks(page)
        for state, (name, pressed, then) in OPENED.items():
            open_page(page, f"{address}/{name}?job={job}")
            page.locator(pressed).first.click()
            page.locator(then).first.wait_for()
            settled(page)
            found[state] = findings(page)
    assert {place: here for place, here in found.items() if here} == {}


def test_the_rules_find_what_is_wrong(chromium, demo):
    """A page spoilt on purpose: a picture without words, a button without a name, a heading that leaves one out."""
    with window(chromium, demo[0]) as page:
        open_page(page, demo[0])
        page.evaluate(
            "document.querySelector('h1').insertAdjacentHTML("
            "'afterend', '<img src=\"data:,\"><button></button><h4>Too deep</h4>')"
        )
        assert {"image-alt", "button-name", "heading-order"} <= {rule for rule, *_ in findings(page)}
