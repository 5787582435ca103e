"""A whole job in headless Chromium, from the list of jobs to the handover: its presses, and how long each waits.

Nine sample photos: six at intake, three after the work. A press is a click or a key that stands for one; choosing files
in the browser's own window counts as one; what is typed into a field counts as none. A wait runs from the press until
what was asked for is there and the page has come to rest. Taking photos in and measuring them is told apart: that is
the photos' time, not the pages'. Beside each wait stands what server and page spent of a processor on it: one after the
other, so that their sum is about the wait where nothing else runs.
"""

import re
import time
from dataclasses import dataclass, field

from playwright.sync_api import expect

from sample_images import photos
from tests.browser.at_rest import script_has_run

MOST_PRESSES, MOST_WAIT_S = 60, 1.0
MEASURING_MS = 600_000
INTAKE = (
    "intake-plan-1", "intake-plan-6", "intake-plan-12", "intake-elevation-2", "intake-elevation-3", "intake-section",
)  # fmt: skip
AFTER = ("after-plan-1", "after-elevation-2", "after-end-2-treble")
SURE, DOUBT = re.compile(r"Accept all \d+ sure"), re.compile(r"Accept all \d+ with this doubt")


@dataclass(frozen=True)
class Wait:
    """One press and what came of it: seconds until it was there, and of a processor by the server and by the page."""

    what: str
    took: float
    server: float
    page: float
    measuring: bool

    @property
    def cpu(self):
        return self.server + self.page


@dataclass
class Hands:
    """The person at the page: every press is counted, every wait timed."""

    page: object
    server: object
    waits: list = field(default_factory=list)

    def __post_init__(self):
        self.metrics = self.page.context.new_cdp_session(self.page)
        self.metrics.send("Performance.enable", {"timeDomain": "threadTicks"})

    def cpu(self):
        """Processor seconds so far: of the server, of the page's main thread."""
        told = {m["name"]: m["value"] for m in self.metrics.send("Performance.getMetrics")["metrics"]}
        return self.server.cpu_ms() / 1000.0, told["TaskDuration"]

    @property
    def presses(self):
        return len(self.waits)

    def press(self, what, act, there=None, measuring=False):
        """Do one thing, and wait for `there`."""
        before, start = self.cpu(), time.perf_counter()
        act()
        if there is not None:
            there.first.wait_for(timeout=MEASURING_MS if measuring else None)
        script_has_run(self.page)
        took = time.perf_counter() - start
        spent = (now - was for was, now in zip(before, self.cpu(), strict=True))
        self.waits.append(Wait(what, took, *spent, measuring))

    def click(self, name, there=None, role="button", measuring=False):
        target = self.page.get_by_role(role, name=name).first
        target.wait_for()
        said = name.pattern if isinstance(name, re.Pattern) else name
        self.press(f"{role} {said}", target.click, there, measuring)

    def type(self, label, text, role="textbox"):
        box = self.page.get_by_role(role, name=label).first
        box.fill(text)
        box.press("Tab")
        script_has_run(self.page)


def whole_job(page, server):
    """Go through the job; the presses and waits it took."""
    hands = Hands(page, server)
    new_job(hands)
    take_in(hands, INTAKE)
    review(hands)
    agree(hands)
    hands.click(re.compile("^Photos"), page.get_by_role("heading", name="Add photos"), "link")
    take_in(hands, AFTER)
    review(hands)
    hand_over(hands)
    return hands


def new_job(hands):
    page = hands.page
    page.goto(server_address(hands))
    page.locator("h1").wait_for()
    script_has_run(page)
    if page.locator("details", has_text="New job").get_attribute("open") is None:
        hands.press("New job", page.get_by_text("New job").click, page.get_by_role("button", name="Start this job"))
    hands.type("Customer", "Riverside Players")
    hands.type("Instrument", "Blue tenor")
    hands.type("Scale length", "630")
    hands.type("Asked for", "buzzes on the first frets")
    hands.click("Start this job", page.get_by_role("heading", name="Blue tenor"))
    hands.press(
        "Change what is written down",
        page.get_by_text("Change what is written down").click,
        page.get_by_role("button", name="Keep these details"),
    )
    hands.type("Frets", "20", "spinbutton")
    hands.type(re.compile("^Strings$"), "6", "spinbutton")
    hands.type("Crown width when new", "2.4")
    hands.type("Crown height when new", "1.12")
    hands.click("Keep these details", page.get_by_role("link", name="Job"))
    hands.click(re.compile("Add photos"), page.get_by_role("heading", name="Add photos"), "link")


def server_address(hands):
    return hands.server.address


def take_in(hands, names):
    """Drop these photos, say which fret each shows, measure them."""
    page = hands.page
    samples = {s.path.stem: s for s in photos()}
    every = [samples[n] for n in names]
    if page.get_by_role("radio", name="Told from each photo").count():
        groups = [every]
    else:
        groups = [[s for s in every if s.view == view] for view in dict.fromkeys(s.view for s in every)]
    before = page.get_by_role("button", name=re.compile("Measure \\d+ photo")).count()
    count = 0
    for group in groups:
        if len(groups) > 1:
            view = {"plan": "From above", "elevation": "Along the neck", "end": "Fret end", "section": "Wire"}
            hands.click(re.compile(view[group[0].view]), role="radio")
        count += len(group)
        drop = page.locator('[data-testid="stFileUploaderDropzoneInput"]').first
        hands.press(
            f"choose {len(group)} photos",
            lambda drop=drop, group=group: drop.set_input_files([str(s.path) for s in group]),
            page.get_by_text(f"To measure ({count})"),
            measuring=True,
        )
    assert not before, "photos were waiting before"
    for sample in every:
        if "first_fret" in sample.ask:
            number(page, sample).fill(str(sample.ask["first_fret"]))
            number(page, sample).press("Tab")
            script_has_run(page)
    measured = page.get_by_text(f"Measured ({len(names)})")
    hands.click(re.compile(f"Measure {len(names)} photos"), measured, measuring=True)


def number(page, sample):
    """The field for the fret of a photo that waits."""
    box = page.locator('[data-testid="stVerticalBlock"]', has=page.get_by_text(sample.path.name)).last
    return box.get_by_role("spinbutton").first


def review(hands):
    """Accept what is sure at once, then what shares a doubt; what is left one by one, by key."""
    page = hands.page
    hands.click(re.compile("^Readings"), page.locator(".viewer, [data-testid=stAlert]"), "link")
    if page.get_by_role("button", name=SURE).count():
        hands.click(SURE)
    by_doubt(hands)
    for _ in range(MOST_PRESSES):
        if page.get_by_text("Nothing left here").is_visible():
            return
        title = page.get_by_role("heading", level=2).first
        name = title.inner_text()
        page.locator(".viewer").wait_for()
        hands.press(f"key A on {name}", lambda: page.keyboard.press("a"), gone(page, name))
    raise AssertionError("the readings do not come to an end")


def by_doubt(hands):
    """Look for a reading wide for its size, the commonest doubt, and accept what has that doubt alone."""
    page = hands.page
    narrow = page.get_by_role("button", name=re.compile("^Narrow down"))
    if page.get_by_text("Nothing left here").is_visible() or not narrow.count():
        return
    choose = page.get_by_role("combobox", name=re.compile("Doubt"))
    hands.press("Narrow down", narrow.click, choose)
    wide = page.get_by_role("option", name=re.compile("^U is more than"))
    hands.press("Doubt", choose.click, page.get_by_role("option"))
    if not wide.count():
        page.keyboard.press("Escape")
        page.keyboard.press("Escape")
        script_has_run(page)
        return
    at_once = page.get_by_role("button", name=DOUBT)
    hands.press("U is more than …", wide.first.click, at_once.or_(page.get_by_text("Nothing left here")))
    page.keyboard.press("Escape")
    if at_once.count():
        hands.press("accept all with this doubt", at_once.click)


def gone(page, name):
    """What shows when a card is done: another card, or that nothing is left."""
    other = page.locator("h2").filter(has_not_text=re.compile(f"^{re.escape(name)}$"))
    return other.or_(page.get_by_text("Nothing left here"))


def agree(hands):
    """Look at the map, choose the option that is recommended, draft, issue, accepted."""
    page = hands.page
    hands.click(re.compile("^Wear map"), page.locator(".heat table").first, "link")
    hands.click(re.compile("^Options"), page.get_by_role("button", name="Draft the estimate"), "link")
    hands.click("Draft the estimate", page.get_by_role("img", name=re.compile("Draft of estimate")))
    hands.click("Issue it …", page.get_by_role("button", name="Issue this"))
    hands.click("Issue this", page.get_by_role("button", name="Accepted"))
    hands.click("Accepted", page.get_by_text(re.compile("Accepted by")))


def hand_over(hands):
    """Heights as read at the bench, the handover's paper, and the job as handed over."""
    page = hands.page
    hands.click(re.compile("^After work"), page.get_by_role("button", name="Keep these heights"), "link")
    frets = [f for s in photos() if s.path.stem in AFTER for f in s.truth["frets"]]
    heights = ", ".join(f"{f['n']}: {f['crown_height']:.3f}" for f in frets)
    hands.type(re.compile("^Fret and height"), heights)
    hands.click("Keep these heights", page.get_by_text("within").first)
    with page.expect_download() as paper:
        hands.click("Handover (PDF)")
    assert paper.value.path().read_bytes().startswith(b"%PDF")
    hands.click(re.compile("^Job( |$)"), page.get_by_text("It stands at"), "link")
    stands = page.get_by_role("combobox", name=re.compile("It stands at"))
    hands.press("It stands at", stands.click, page.get_by_role("option"))
    hands.click("Handed over", page.get_by_role("heading", name="Handed over"), "option")
    expect(page.get_by_role("link", name="After work ✓")).to_be_visible()


def tell(hands):
    """Print the counts, and what was slowest."""
    pages = [w for w in hands.waits if not w.measuring]
    photos_ = [w for w in hands.waits if w.measuring]
    print(f"whole job: {hands.presses} presses (at most {MOST_PRESSES})")
    for name, of in (("waits of the pages", lambda w: w.took), ("of a processor, server and page", lambda w: w.cpu)):
        slow = sorted(pages, key=of, reverse=True)
        over = sum(of(w) > MOST_WAIT_S for w in pages)
        print(f"{name}: longest {of(slow[0]):.2f} s, {over} of {len(pages)} over {MOST_WAIT_S:g} s")
        for w in slow[:6]:
            print(f"  {w.took:.2f} s (server {w.server:.2f} s, page {w.page:.2f} s): {w.what}")
    print(f"taking in and measuring: {sum(w.took for w in photos_):.1f} s in all")
    for w in photos_:
        print(f"  {w.took:.1f} s (server {w.server:.1f} s): {w.what}")
