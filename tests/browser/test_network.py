"""The pages on the bench's network: the passcode first, then the page that was asked for, and the code for a phone."""

import urllib.request
from urllib.error import HTTPError
from urllib.parse import urlsplit

import cv2
import numpy as np
import pytest

from inspect_app.services import job_view, open_store
from tests.browser.at_rest import settled
from tests.browser.conftest import keep_picture, new_job, served, window
from tests.browser.drawn import board_photo

pytestmark = [pytest.mark.browser, pytest.mark.slow]
CODE = "pear-tree-9"


def test_the_passcode_leads_to_the_page_asked_for(chromium, tmp_path):
    with served(tmp_path / "data", "--passcode", CODE) as address, window(chromium, address) as page:
        job = new_job(tmp_path / "data")
        page.goto(f"{address}/job?job={job}")
        page.get_by_role("heading", name="Bench passcode").wait_for()
        keep_picture(page, "passcode")
        page.get_by_label("passcode").fill("wrong")
        page.get_by_role("button", name="Go on").click()
        page.get_by_role("alert").wait_for()
        page.get_by_label("passcode").fill(CODE)
        page.get_by_role("button", name="Go on").click()
        page.get_by_role("heading", name="loan no. 7").wait_for()
        page.get_by_alt_text("Code to scan").wait_for()
        keep_picture(page, "phone-code")

        page.goto(f"{address}/photos?job={job}&visit=after")
        taps = send_from_a_phone(chromium, code_on(page))
        assert taps == 3
        store = open_store(tmp_path / "data")
        assert [(p.name, p.visit.label) for p in job_view(store, job).photos] == [("from the phone.jpg", "after")]
        store.close()


def code_on(page):
    """What a phone's camera reads on the page."""
    picture = page.get_by_alt_text("Code to scan")
    picture.wait_for()
    settled(page)
    picture.scroll_into_view_if_needed()
    seen = cv2.imdecode(np.frombuffer(picture.screenshot(), np.uint8), cv2.IMREAD_GRAYSCALE)
    return cv2.QRCodeDetector().detectAndDecode(cv2.resize(seen, None, fx=3, fy=3))[0]


def send_from_a_phone(chromium, scanned):
    """Send a photo from the code on; the taps it took. Nothing needs scrolling on a phone with its browser's bars."""
    where = urlsplit(scanned)
    phone = {"viewport": {"width": 360, "height": 600}, "has_touch": True, "is_mobile": True}
    with window(chromium, f"{where.scheme}://{where.netloc}", **phone) as page:
        page.goto(scanned)
        taps = 1  # on the address that the camera shows
        page.get_by_role("heading", name="Photos", exact=True).wait_for()
        settled(page)
        page.wait_for_url(lambda at: "scanned" not in at)
        upload = page.get_by_test_id("stFileUploaderDropzone").get_by_test_id("stBaseButton-secondary")
        box = upload.bounding_box()
        assert box["y"] + box["height"] <= 600
        with page.expect_file_chooser() as chooser:
            upload.tap()
            taps += 1
        photo = {"name": "from the phone.jpg", "mimeType": "image/jpeg", "buffer": board_photo(5)}
        chooser.value.set_files(photo)  # taken or picked in the phone's own window
        taps += 1
        page.get_by_text("from the phone.jpg is with the job now, visit after.").wait_for()
        page.get_by_text("To measure (1)").wait_for()
        keep_picture(page, "phone-sent")
    return taps


def test_a_foreign_host_name_is_refused(bench):
    asked = urllib.request.Request(bench[0], headers={"Host": "elsewhere.example"})
    with pytest.raises(HTTPError) as refused:
        urllib.request.urlopen(asked, timeout=10)
    assert refused.value.code == 400
    refused.value.close()
