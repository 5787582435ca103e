"""A server and a real Chromium, a job of its own for each test; nothing may be asked of another host."""

import os
import shutil
import socket
import subprocess
import sys
import time
import urllib.request
from contextlib import contextmanager
from pathlib import Path
from urllib.error import URLError
from urllib.parse import urlsplit

import pytest
from playwright.sync_api import Error as BrowserError
from playwright.sync_api import Page, expect, sync_playwright

from inspect_app.demo import load_demo
from inspect_app.services import InstrumentDetails, JobDetails, create_job, open_store
from tests.browser.at_rest import WATCH

ROOT = Path(__file__).resolve().parents[2]
OUTPUT = ROOT / "tests" / "output"
CHROMIUM = os.environ.get("CHROMIUM") or shutil.which("chromium") or shutil.which("chromium-browser")
QUIET = (
    "--no-sandbox", "--headless", "--disable-gpu", "--disable-background-networking", "--disable-component-update",
    "--disable-sync",
)  # fmt: skip
WIDTHS = (1440, 768, 390, 360)  # a laptop, a tablet, two phones
START_S = 300.0  # far more than a cold start on a loaded machine takes; a warm one takes 3 s
ANSWER_MS = 180_000  # a machine may stand still for a while, and no test is of speed
expect.set_options(timeout=ANSWER_MS)
MOST_SHOWN = 3000  # characters of a page on which a test failed


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    """What the page showed, its fields' values too, goes into the report of a test that failed on it."""
    report = yield
    if call.when == "call" and report.failed:
        for name, page in item.funcargs.items():
            if isinstance(page, Page) and not page.is_closed():
                report.sections.append((f"{name}, at {page.url}", shown_on(page)[:MOST_SHOWN]))
    return report


def shown_on(page):
    """What a page shows as a screen reader would find it, or why that can't be told."""
    try:
        return page.locator("body").aria_snapshot(timeout=5000)
    except BrowserError as error:
        return str(error)


def free_port():
    with socket.socket() as s:
        s.bind(("127.0.0.1", 0))
        return s.getsockname()[1]


@contextmanager
def served(data_dir, *more):
    """The pages on a free port; yields their address."""
    port = free_port()
    command = [sys.executable, "-m", "tests.browser.bench", "--data", str(data_dir), "--port", str(port), *more]
    with open(data_dir.parent / "server.log", "w") as log:
        env = dict(os.environ)
        if "--real" in more:  # photos are read in workers, as ever; the stand-in of the others is not known there
            env.pop("INSPECT_APP_APART", None)
        process = subprocess.Popen(command, cwd=ROOT, stdout=log, stderr=subprocess.STDOUT, env=env)
        try:
            wait_until_up(process, port, Path(log.name))
            yield f"http://localhost:{port}"
        finally:
            process.terminate()
            process.wait(30)


def wait_until_up(process, port, log):
    end = time.monotonic() + START_S
    while time.monotonic() < end:
        if process.poll() is not None:
            break
        try:
            with urllib.request.urlopen(f"http://127.0.0.1:{port}/_stcore/health", timeout=2):
                return
        except (URLError, OSError):
            time.sleep(0.2)
    pytest.fail(f"the pages did not start:\n{log.read_text()[-2000:]}")


@pytest.fixture(scope="package")  # its event loop ends with these tests and is in no other test's way
def chromium():
    if CHROMIUM is None:
        pytest.skip("no Chromium on this machine: install it, or name it in the CHROMIUM variable")
    with sync_playwright() as p:
        browser = p.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
        yield browser
        browser.close()


@pytest.fixture(scope="session")
def bench(tmp_path_factory):
    """One server for all tests: its address and its data folder. Each test makes a job of its own."""
    data = tmp_path_factory.mktemp("bench") / "data"
    with served(data) as address:
        yield address, data


@pytest.fixture(scope="session")
def demo(finished_made):
    """The pages on both demo jobs with the recipes they are measured with: their address, the job to try things on, the
    data folder."""
    data = finished_made()
    store = open_store(data)
    job = load_demo(store)
    store.close()
    with served(data, "--real") as address:
        yield address, job, data


@pytest.fixture
def job_id(bench):
    """A new job in the bench's store."""
    return new_job(bench[1])


def new_job(data):
    store = open_store(data)
    instrument = InstrumentDetails("loan no. 7", "school guitar", scale_length=640.0, frets=6, strings=6)
    made = create_job(store, JobDetails("Harbour Street Music School", instrument=instrument))
    store.close()
    return made


@contextmanager
def window(chromium, address, **options):
    """A browser window that fails the test if anything asks another host, or a script breaks."""
    context = context_with(chromium, {"viewport": {"width": 1440, "height": 900}, "color_scheme": "light", **options})
    page = context.new_page()
    outside, broken = [], []
    page.on("request", lambda r: is_inside(r.url, address) or outside.append(r.url))
    page.on("websocket", lambda w: is_inside(w.url, address) or outside.append(w.url))
    page.on("pageerror", lambda e: broken.append(str(e)))
    page.set_default_timeout(ANSWER_MS)
    try:
        yield page
    finally:
        forget(context, page, address)
    assert outside == []
    assert broken == []


def context_with(chromium, options):
    """A context with these options that no window uses, else a new one: the first page of a new context loads and
    compiles all scripts again, three times the work of a page."""
    for context in chromium.contexts:
        if getattr(context, "made_with", None) == options and not context.pages:
            return context
    context = chromium.new_context(**options)
    context.add_init_script(WATCH)
    context.made_with = options
    return context


def forget(context, page, address):
    """Close the windows of a context; of what they kept only loaded files stay."""
    if not page.is_closed():
        kept = {"origin": "{0.scheme}://{0.netloc}".format(urlsplit(address)), "storageTypes": "cookies,local_storage"}
        context.new_cdp_session(page).send("Storage.clearDataForOrigin", kept)
    context.clear_cookies()
    for left in context.pages:
        left.close()


def is_inside(url, address):
    parts = urlsplit(url)
    return parts.scheme in ("data", "blob") or parts.netloc == urlsplit(address).netloc


@pytest.fixture
def desk(chromium, bench, job_id):
    """A window of a laptop."""
    with window(chromium, bench[0]) as page:
        page.address, page.data, page.job = *bench, job_id
        yield page


@pytest.fixture
def phone(chromium, bench, job_id):
    """A window of a phone."""
    with window(chromium, bench[0], viewport={"width": 390, "height": 844}, has_touch=True, is_mobile=True) as page:
        page.address, page.data, page.job = *bench, job_id
        yield page


def keep_picture(page, name):
    """A screenshot of the whole page among the test's output."""
    OUTPUT.mkdir(exist_ok=True)
    page.screenshot(path=OUTPUT / f"{name}.png", full_page=True)
