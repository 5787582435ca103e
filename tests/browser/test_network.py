"""The pages on the bench's network: the passcode first, then the page that was asked for, and the code for a phone."""

import urllib.request
from urllib.error import HTTPError

import pytest

from tests.browser.conftest import keep_picture, new_job, served, window

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


def test_a_foreign_host_name_is_refused(bench):
    asked = urllib.request.Request(bench[0], headers={"Host": "elsewhere.example"})
    with pytest.raises(HTTPError) as refused:
        urllib.request.urlopen(asked, timeout=10)
    assert refused.value.code == 400
    refused.value.close()
