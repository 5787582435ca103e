"""How quick the pages are in headless Chromium, on the demo job and the recipes it is measured with:
python -m tests.benchmarks.pages

Prints, for each kind of handle, the time from letting go to the new authoritative value, and until a moved handle's
value follows it on the screen; from asking for the first
page to its heading; the longest frame while a 24-megapixel photo is dragged about; the presses and waits of a whole
job, from a new one to the handover (`whole_job`); and how a job of 300 photos loads and scrolls (`many_photos`). Beside
each time stands what the server spent of a processor on it: on a machine that is busy with other work, that is what
tells.
"""

import os
import statistics
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

from playwright.sync_api import sync_playwright

from inspect_app.demo import load_demo
from inspect_app.services import add_photo, open_store, readings
from tests.benchmarks.many_photos import fill, tell_scrolling
from tests.benchmarks.whole_job import tell, whole_job
from tests.browser.at_rest import script_has_run
from tests.browser.conftest import CHROMIUM, QUIET, served, window
from tests.browser.drawn import board_photo

OF_WIRE = ("tang width",)
KINDS = (
    "crown width",
    "length",
    "flat width",
    "flat length",
    "divot depth",
    "bevel treble",
    "crown line radius",
    *OF_WIRE,
)
TIMES = 9
FRAMES = """() => new Promise(done => {
  const gaps = []; let last = performance.now();
  const step = t => { gaps.push(t - last); last = t; gaps.length < 90 ? requestAnimationFrame(step) : done(gaps); };
  requestAnimationFrame(step);
})"""
LOST_MS = 15_000  # longer than any answer takes; a move that changes no digit is left out
WATCH = """() => { window.__took = new Promise(done => {
  const strong = () => [...document.querySelectorAll('strong')].map(h => h.innerText);
  const values = () => strong().filter(t => t.includes('±')).join();
  const before = values(); let t0 = 0;
  addEventListener('pointerup', () => { t0 = performance.now(); }, { once: true, capture: true });
  const look = () => {
    const now = values();
    t0 && now && now !== before ? done(performance.now() - t0) : requestAnimationFrame(look);
  };
  look();
  setTimeout(() => done(null), %d);
}); }"""
FOLLOWS = """() => { window.__live = new Promise(done => {
  const live = [...document.querySelectorAll('*')].map(e => e.shadowRoot?.querySelector('.live')).find(Boolean);
  const before = live.textContent; let t0 = 0;
  addEventListener('pointermove', () => { t0 = performance.now(); }, { once: true, capture: true });
  const there = () => t0 && live.textContent !== before;
  const look = () => requestAnimationFrame(() => (there() ? done(performance.now() - t0) : look()));
  look();
  setTimeout(() => done(null), %d);
}); }"""


@dataclass(frozen=True)
class Server:
    """Where the pages are served, and by which process."""

    address: str
    pid: int

    def cpu_ms(self):
        """Processor time it has used so far."""
        fields = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        return 1000.0 * (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def letting_go(page, server, job, reading):
    """Milliseconds from a handle's release to the changed value, of the server's processor, and from its first movement
    until the value on the photo follows; one row a move."""
    page.goto(f"{server.address}/readings?{urlencode({'job': job, 'photo': reading.photo_id, 'reading': reading.key})}")
    page.locator(".viewer .handle").first.wait_for()
    script_has_run(page)
    page.wait_for_timeout(4000)  # as long as someone looks before they move an edge; the photo is looked at meanwhile
    taken = []
    for k in range(TIMES):
        box = page.locator(".viewer .handle").nth(reading.handle).bounding_box()
        x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
        page.evaluate(WATCH % LOST_MS)
        cpu = server.cpu_ms()
        page.mouse.move(x, y)
        page.mouse.down()
        page.evaluate(FOLLOWS % LOST_MS)
        step = 9 if k % 2 else -9
        page.mouse.move(x + step * reading.along[0], y + step * reading.along[1], steps=2)
        follows = page.evaluate("window.__live")
        page.mouse.up()
        took = page.evaluate("window.__took")
        script_has_run(page)
        if took is not None and follows is not None:
            taken.append((took, server.cpu_ms() - cpu, follows))
        page.wait_for_timeout(300)
    return taken


@dataclass(frozen=True)
class Wanted:
    """A reading to move an edge of: which of its handles, and the direction that changes it on the screen."""

    photo_id: int
    key: str
    quantity: str
    handle: int = 0
    along: tuple[float, float] = (1.0, 0.0)


def wanted(store, job):
    """The surest reading of each kind that the demo job has: a small move then shows in its last digit."""
    every = readings(store, job)
    handle = {"divot depth": 1, "flat width": 2, "crown line radius": 1, "bevel treble": 1}
    upright = ("length", "flat length", "divot depth", "crown line radius")
    for kind in KINDS:
        here = [r for r in every if r.reading.quantity == kind and (r.view == "section") == (kind in OF_WIRE)]
        found = min(here, key=lambda r: r.relative_u, default=None)
        if found is not None:
            along = (0.0, 1.0) if kind in upright else (1.0, 0.0)
            yield Wanted(found.photo_id, found.reading.key, kind, handle.get(kind, 0), along)


def first_page(page, address):
    """Seconds to the first page's heading, warm."""
    page.goto(address)
    page.locator("h1").wait_for()
    start = time.perf_counter()
    page.goto(address)
    page.locator("h1").wait_for()
    return time.perf_counter() - start


def panning(page, server, data, job):
    """Milliseconds of the longest frame while a 24-megapixel photo is dragged."""
    store = open_store(data)
    add_photo(store, job, board_photo(size=(6000, 4000)), "large.jpg", "finding")
    store.close()
    page.goto(f"{server.address}/findings?job={job}")
    viewer = page.locator(".viewer").first
    viewer.wait_for()
    page.wait_for_timeout(3000)
    box = viewer.bounding_box()
    page.mouse.move(box["x"] + 200, box["y"] + 100)
    page.mouse.down()
    frames = page.evaluate_handle(f"() => ({{gaps: ({FRAMES})()}})")
    for k in range(60):
        page.mouse.move(box["x"] + 200 + 3 * (k % 30), box["y"] + 100 + 2 * (k % 20))
    page.mouse.up()
    return max(page.evaluate("h => h.gaps", frames))


def tell_letting_go(page, server, data, job):
    """Print the times of each kind, and of all moves together."""
    store = open_store(data)
    every = []
    for reading in wanted(store, job):
        taken = letting_go(page, server, job, reading)
        every += taken
        print(f"{reading.quantity}: {told(taken)}", flush=True)
    store.close()
    print(f"handle let go to new value, all kinds: {told(every)}", flush=True)


def told(taken):
    """The times of some moves, in words."""
    if not taken:
        return "no move was answered"
    wall, cpu, follows = (statistics.median(v) for v in zip(*taken, strict=True))
    worst = max(t for t, *_ in taken)
    return f"median {wall:.0f} ms, worst {worst:.0f} ms, processor {cpu:.0f} ms; follows the handle in {follows:.0f} ms"


def main():
    with tempfile.TemporaryDirectory() as folder, sync_playwright() as p:
        data = Path(folder) / "data"
        store = open_store(data)
        job = load_demo(store)
        store.close()
        with served(data, "--real") as address:
            server = Server(address, served_by(address))
            browser = p.chromium.launch(executable_path=CHROMIUM, args=list(QUIET))
            with window(browser, address) as page:
                print(f"load of this machine: {os.getloadavg()[0]:.1f} on {os.cpu_count()} cores")
                print(f"first page, warm: {first_page(page, address):.2f} s")
                tell_letting_go(page, server, data, job)
                print(f"longest frame dragging 24 megapixels: {panning(page, server, data, job):.0f} ms", flush=True)
                tell(whole_job(page, server))
                tell_scrolling(page, server, fill(data))
            browser.close()


def served_by(address):
    """The process that serves an address of this machine."""
    port = f"--port {address.rpartition(':')[2]}"
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                words = (entry / "cmdline").read_text().replace("\0", " ")
            except OSError:
                continue
            if port in words:
                return int(entry.name)
    raise RuntimeError(f"nothing serves {address}")


if __name__ == "__main__":
    main()
