"""Printing a page from the browser: nothing of the wear map or of a long table is cut off the paper."""

import pytest
from playwright.sync_api import expect

from tests.browser.at_rest import settled
from tests.browser.conftest import keep_picture, window

pytestmark = [pytest.mark.browser, pytest.mark.slow]
A4_PX = 718  # 210 mm less margins of 10 mm, at 96 px to the inch


def test_the_wear_map_fits_on_a4(chromium, demo):
    address, job, _ = demo
    with window(chromium, address, viewport={"width": A4_PX, "height": 1000}) as page:
        page.goto(f"{address}/wear_map?job={job}")
        page.locator(".heat table").first.wait_for()
        settled(page)
        page.emulate_media(media="print")
        expect(page.locator(".heat table")).to_have_count(2)  # the frets, and strings and neck over them
        settled(page)
        boxes = [table.bounding_box() for table in page.locator(".heat table").all()]
        assert page.locator(".heat thead th").count() > 20
        assert min(box["x"] for box in boxes) >= 0
        assert max(box["x"] + box["width"] for box in boxes) <= A4_PX
        tables = page.locator(".long")
        assert max(t.locator("tr").count() for t in tables.all()) > 12
        for each in tables.all():
            assert each.evaluate("e => e.scrollHeight - e.clientHeight") <= 2
            assert each.evaluate("e => e.querySelector('table').getBoundingClientRect().right") <= A4_PX
        keep_picture(page, "print-wear-map-a4")
