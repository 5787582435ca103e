"""A job of 300 photos in headless Chromium: how long its page of photos takes to load, and how smoothly it scrolls."""

import time
from unittest.mock import patch

import cv2
import numpy as np

from inspect_app.reading.ask import Ask
from inspect_app.services import (
    InstrumentDetails,
    JobDetails,
    add_photo,
    create_job,
    measure_photo,
    measuring,
    open_store,
)
from tests.browser.at_rest import script_has_run
from tests.inspect_app.conftest import full_answer

PHOTOS = 300
FRAMES = """() => new Promise(done => {
  const gaps = [], main = document.querySelector('[data-testid=stMain]'); let last = performance.now();
  const step = t => {
    gaps.push(t - last); last = t; main.scrollBy(0, 120);
    gaps.length < 150 ? requestAnimationFrame(step) : done(gaps);
  };
  requestAnimationFrame(step);
})"""


def fill(data):
    """The id of a new job of `PHOTOS` measured photos: small pictures, with an answer made up for each."""
    store = open_store(data)
    instrument = InstrumentDetails(scale_length=640.0, frets=20, strings=6)
    job = create_job(store, JobDetails("Riverside Players", instrument=instrument))
    noise = np.random.default_rng(0)
    for i in range(PHOTOS):
        small = noise.integers(0, 255, (40, 60, 3), dtype=np.uint8)
        jpeg = cv2.imencode(".jpg", cv2.resize(small, (900, 600), interpolation=cv2.INTER_NEAREST))[1].tobytes()
        photo = add_photo(store, job, jpeg, f"photo {i + 1}.jpg").photo
        answer = full_answer(photo.name, photo.sha256, frets=(1 + i % 20,))
        with patch.object(measuring, "answer_now", lambda *_, answer=answer: answer):
            measure_photo(store, photo.id, Ask("plan", scale_length=640.0))
    store.close()
    return job


def tell_scrolling(page, server, job):
    """Print how long each page of the job takes to show, and the frames while the page of photos is scrolled."""
    for name in ("photos", "readings", "wear_map", "job"):
        cpu, start = server.cpu_ms(), time.perf_counter()
        page.goto(f"{server.address}/{name}?job={job}")
        page.locator("h1").wait_for()
        script_has_run(page)
        took, cpu = time.perf_counter() - start, (server.cpu_ms() - cpu) / 1000.0
        print(f"{PHOTOS} photos, {name}: {took:.1f} s (server {cpu:.1f} s), {page.locator('*').count()} elements")
        if name == "photos":
            gaps = sorted(page.evaluate(FRAMES)[1:])
            print(f"  scrolled: median frame {gaps[len(gaps) // 2]:.0f} ms, worst {gaps[-1]:.0f} ms")
