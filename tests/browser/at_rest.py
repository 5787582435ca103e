"""When a page has come to rest: nothing is asked of its script, nothing is drawn, nothing moves any more.

A page is drawn piece by piece while its script runs, and what stood there before stays in sight until the end: whoever
waits for one thing and reads another, or reads after a press, waits here in between.
"""

__all__ = ["WATCH", "rested", "script_has_run", "settled"]

WATCH = """{
  const RERUN = 11, NEW_SESSION = 4;  // fields of Streamlit's BackMsg and ForwardMsg
  const fields = (bytes) => {
    const found = [];
    let at = 0;
    const number = () => {
      let value = 0, shift = 1;
      for (; bytes[at] > 127; shift *= 128) value += (bytes[at++] - 128) * shift;
      return value + bytes[at++] * shift;
    };
    while (at < bytes.length) {
      const tag = number(), kind = tag % 8;
      found.push(Math.floor(tag / 8));
      const length = kind === 1 ? 8 : kind === 5 ? 4 : number();
      if (kind > 0) at += length;
    }
    return found;
  };
  const { send } = WebSocket.prototype, heard = new WeakSet();
  window.asked = false;
  WebSocket.prototype.send = function (data) {
    if (!heard.has(this)) this.addEventListener("message", (e) => {
      if (e.data instanceof ArrayBuffer && fields(new Uint8Array(e.data)).includes(NEW_SESSION)) window.asked = false;
    });
    heard.add(this);
    if (data instanceof Uint8Array && fields(data).includes(RERUN)) window.asked = true;
    return send.call(this, data);
  };
}"""
"""Run in every page before its own scripts: whether a run of the script has been asked for that has not begun. The
page itself says only that a run goes on, once the server has said so."""

AT_REST = """(frames) => {
  const app = document.querySelector('[data-testid="stApp"]');
  const idle = app?.dataset.testScriptState === "notRunning" && app.dataset.testConnectionState === "CONNECTED";
  const within = (e) => (e.shadowRoot ? [e, ...everything(e.shadowRoot)] : [e]);
  const everything = (root) => [...root.querySelectorAll("*")].flatMap(within);
  const moving = (a) => a.playState === "running" && a.effect?.getComputedTiming().endTime !== Infinity;
  const all = idle && !window.asked ? everything(document) : [];
  const loading = (e) => e.localName === "img" && !e.complete && e.loading !== "lazy";
  const drawn = all.length && !document.querySelector('[data-testid="stSkeleton"], [data-stale="true"]') &&
    document.fonts.status === "loaded" && !all.some(loading) && !document.getAnimations().some(moving);
  const place = (e) => { const { x, y, width, height } = e.getBoundingClientRect(); return [x, y, width, height]; };
  const look = drawn ? all.map(place).join() : "";
  window.still = drawn && look === window.look ? window.still + 1 : 0;
  window.look = look;
  if (window.still < frames) return false;
  window.look = "";
  return true;
}"""
FRAMES = 5  # a piece of the page that has been fetched is drawn in the next, and may fetch one more
REST_MS = 400  # by the page's own clock; longer than its own waits: 250 for a further key, 160 for a sharper picture


def script_has_run(page):
    """Wait until no run of the script goes on: for who takes the time; what was just asked for may be yet to come."""
    page.wait_for_selector('[data-testid="stApp"][data-test-script-state="notRunning"]')


def settled(page):
    """Wait until the script behind the page has run for all that was asked, and nothing moves on the page."""
    page.wait_for_function(AT_REST, arg=FRAMES, polling="raf")


def rested(page):
    """As `settled`, and what the viewer leaves until its person pauses is done: a key's move, the address, a picture.

    Its waits end by the clock of the page, in order, so that a machine that stands still delays both alike.
    """
    settled(page)
    page.evaluate("ms => new Promise(done => setTimeout(done, ms))", REST_MS)
    settled(page)
