"""Every page of the demo job against the rules of axe-core (WCAG 2.2, levels A and AA), in light and in dark."""

import pytest
from axe_playwright_python.sync_playwright import Axe

from tests.browser.conftest import settled, window

pytestmark = [pytest.mark.browser, pytest.mark.slow]
PAGES = (
    "", "job", "photos", "readings", "wear_map", "options", "estimate", "after_work", "by_hand", "findings", "shop",
)  # fmt: skip
GRAVE = ("serious", "critical")
RULES = {"runOnly": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]}


def grave_findings(page):
    """What axe-core calls serious or worse: rule, what it asks, the first element it found."""
    found = Axe().run(page, options=RULES).response["violations"]
    return [(v["id"], v["help"], v["nodes"][0]["html"][:160]) for v in found if v["impact"] in GRAVE]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_no_page_has_a_serious_finding(chromium, demo, scheme):
    address, job, _ = demo
    grave = {}
    with window(chromium, address, color_scheme=scheme) as page:
        for name in PAGES:
            page.goto(f"{address}/{name}?job={job}" if name else address)
            page.locator("h1").wait_for()
            settled(page)
            found = grave_findings(page)
            if found:
                grave[name or "jobs"] = found
    assert grave == {}


def test_the_rules_find_what_is_wrong(chromium, demo):
    """A page spoilt on purpose: a picture without words, and a button without a name."""
    with window(chromium, demo[0]) as page:
        page.goto(demo[0])
        page.locator("h1").wait_for()
        settled(page)
        page.evaluate(
            "document.querySelector('h1').insertAdjacentHTML('afterend', '<img src=\"data:,\"><button></button>')"
        )
        assert {"image-alt", "button-name"} <= {rule for rule, *_ in grave_findings(page)}
