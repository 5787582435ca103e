"""From the readings page to the first feature accepted in a few presses of a key, the focus always to be seen."""

import pytest
from playwright.sync_api import expect

from inspect_app.services import features, open_store
from tests.browser.at_rest import settled
from tests.browser.test_whole_job import measured_job

pytestmark = [pytest.mark.browser, pytest.mark.slow]
MOST_KEYS = 7
FOCUS = """() => {
  let e = document.activeElement;
  while (e?.shadowRoot?.activeElement) e = e.shadowRoot.activeElement;
  const look = getComputedStyle(e), box = e.getBoundingClientRect();
  return {
    called: e.matches("a, button") ? e.innerText.trim() : "",
    ringed: (look.outlineStyle !== "none" && parseFloat(look.outlineWidth) >= 2) || look.boxShadow !== "none",
    onScreen: box.bottom > 0 && box.top < innerHeight && box.right > 0 && box.left < innerWidth,
    jump: e.matches("#the-feature"),
  };
}"""


def verdicts(bench, job):
    store = open_store(bench[1])
    found = [f.verdict for f in features(store, job)]
    store.close()
    return found


def opened(desk):
    measured_job(desk)
    desk.goto(f"{desk.address}/readings?job={desk.job}")
    desk.locator(".viewer").wait_for()  # it listens for letters
    settled(desk)
    return desk.get_by_role("heading", level=2).first


def test_one_letter_accepts_the_first_feature(desk, bench):
    title = opened(desk)
    first = title.inner_text()
    desk.keyboard.press("a")
    expect(title).not_to_have_text(first)
    assert verdicts(bench, desk.job)[:2] == ["accept", "open"]


def test_tab_and_enter_alone_accept_it_and_show_where_the_focus_is(desk, bench):
    title = opened(desk)
    first, keys = title.inner_text(), 0
    for wanted in ("To the feature and its buttons", "Accept"):
        while keys < MOST_KEYS:
            desk.keyboard.press("Tab")
            keys += 1
            at = desk.evaluate(FOCUS)
            assert at["ringed"], at
            assert at["onScreen"], at
            if at["called"].startswith(wanted):
                break
        desk.keyboard.press("Enter")
        keys += 1
        if wanted != "Accept":
            desk.wait_for_function(f"() => ({FOCUS})().jump")
    expect(title).not_to_have_text(first)
    assert keys <= MOST_KEYS
    assert verdicts(bench, desk.job)[:2] == ["accept", "open"]
