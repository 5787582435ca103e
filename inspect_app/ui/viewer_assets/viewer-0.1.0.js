// Photo viewer: a photo with the outlines of its readings, and handles a person can move.
// All geometry is in upright photo pixels. The service computes every value that is kept; what is shown while a
// handle moves is marked with "about" and replaced as soon as the service has answered.
import * as g from "./geom.js";
import { draw, drawn } from "./drawing.js";
import { LOUPE, magnify, takePhoto } from "./loupe.js";
import { second, takeSecond } from "./second.js";
import { fromAddress, smallMap } from "./whereabouts.js";

const SVG = "http://www.w3.org/2000/svg";
const REACH = 22; // px: half of a 44 px touch target
const KEY_REST = 250; // ms after the last key before a move counts as finished
const ANSWER_REST = 6000; // ms without an answer before a move is told again
const viewers = new WeakMap();

const el = (tag, cls, parent) => {
  const e = document.createElement(tag);
  if (cls) e.className = cls;
  parent?.append(e);
  return e;
};
const svgEl = (tag, attrs, parent) => {
  const e = document.createElementNS(SVG, tag);
  for (const k in attrs) e.setAttribute(k, attrs[k]);
  parent?.append(e);
  return e;
};

function build(root) {
  const box = el("div", "viewer", root.querySelector("#mount") ?? root);
  box.tabIndex = 0;
  box.setAttribute("role", "group");
  const stage = el("div", "stage", box);
  const img = el("img", "whole", stage), tile = el("img", "tile", stage);
  img.alt = tile.alt = ""; // the viewer's own label says what they show
  const svg = svgEl("svg", { class: "over" }, box);
  const live = el("div", "live", box);
  live.setAttribute("role", "status");
  const loupe = el("canvas", "loupe", box);
  loupe.width = loupe.height = LOUPE;
  const bar = el("div", "bar", box);
  const me = {
    box, stage, img, first: { img, tile, box: null }, svg, live, loupe, bar, data: null, send: null, view: null, size: [0, 0], pts: {}, placed: [],
    rev: 0, held: null, stirred: new Set(), waiting: null, pointers: new Map(), piece: null, timers: {}, focusKey: null, shown: "", gone: new AbortController(),
  };
  button(me, "+", "Zoom in", () => zoom(me, 1.5));
  button(me, "−", "Zoom out", () => zoom(me, 1 / 1.5));
  button(me, "Whole", "Show the whole photo", () => look(me, whole(me)));
  me.toReading = button(me, "Reading", "Show the reading", () => look(me, me.data.focus));
  img.onload = () => { img.style.visibility = "visible"; draw(me); };
  tile.onload = () => draw(me);
  second(me, el);
  smallMap(me, el, ([x, y]) => move(me, { s: me.view.s, x: me.size[0] / 2 - me.view.s * x, y: me.size[1] / 2 - me.view.s * y }));
  listen(me);
  me.watch = new ResizeObserver(() => resized(me));
  me.watch.observe(box);
  return me;
}

function button(me, text, label, act) {
  const b = el("button", "", me.bar);
  b.type = "button";
  b.textContent = text;
  b.setAttribute("aria-label", label);
  b.addEventListener("click", act);
  return b;
}

const opening = (me) => fromAddress(me) ?? me.data.focus ?? whole(me);
const whole = (me) => [0, 0, me.data.photo.w, me.data.photo.h];

function look(me, box) {
  if (!box || !me.size[0]) return;
  me.view = g.fit(me.size, box, box === me.data.focus ? 36 : 0);
  me.view.s = Math.min(me.view.s, 12);
  me.view = { ...me.view, ...centred(me, box) };
  draw(me);
}
const centred = (me, b) => ({ x: me.size[0] / 2 - (me.view.s * (b[0] + b[2])) / 2, y: me.size[1] / 2 - (me.view.s * (b[1] + b[3])) / 2 });

function zoom(me, k, at = [me.size[0] / 2, me.size[1] / 2]) {
  const least = 0.5 * g.fit(me.size, whole(me)).s;
  move(me, g.zoomAt(me.view, k, at, least, 12));
}

function move(me, view) {
  me.view = g.held(view, me.size, [me.data.photo.w, me.data.photo.h]);
  draw(me);
}

function resized(me) {
  const r = me.box.getBoundingClientRect();
  if (!r.width || !me.data) return;
  const first = !me.size[0];
  const mid = first ? null : g.toPhoto(me.view, [me.size[0] / 2, me.size[1] / 2]);
  const all = !first && me.view.s < 1.01 * g.fit(me.size, whole(me)).s; // a phone that is turned shows it whole again
  me.size = [r.width, r.height];
  if (first || all) look(me, first ? opening(me) : whole(me));
  else move(me, { s: me.view.s, x: me.size[0] / 2 - me.view.s * mid[0], y: me.size[1] / 2 - me.view.s * mid[1] });
}

// ---- building what is drawn ----------------------------------------------------------------------------------

function scene(me) {
  const focused = me.svg.getRootNode().activeElement?.dataset?.handle;
  me.svg.replaceChildren();
  me.shapes = me.data.shapes.map((spec) => shapeNodes(me, spec));
  me.placedPath = ["casing", "line picked"].map((c) => svgEl("path", { class: c }, me.svg));
  me.handles = [];
  const specs = [...me.data.handles, ...me.placed.map((id, i) => ({ id, label: `Point ${i + 1}` }))];
  specs.forEach((spec) => me.handles.push(handleNode(me, spec)));
  me.handles.find((h) => h.spec.id === focused)?.node.focus({ preventScroll: true });
  tell(me);
}

function shapeNodes(me, spec) {
  const group = svgEl("g", {}, me.svg);
  const parts = ["casing", `line ${spec.tone}`].map((c) => svgEl("path", { class: c }, group));
  const text = spec.label ? svgEl("text", { class: "label" }, group) : null;
  if (text) text.textContent = spec.label;
  return { spec, parts, text };
}

function handleNode(me, spec) {
  const node = svgEl("g", { class: "handle", tabindex: "0", role: "slider", "aria-label": spec.label }, me.svg);
  node.dataset.handle = spec.id;
  svgEl("circle", { class: "reach", r: REACH }, node);
  svgEl("circle", { class: "rim", r: 9 }, node);
  svgEl("circle", { class: "ring", r: 9 }, node);
  svgEl("circle", { class: "dot", r: 2.2 }, node);
  node.addEventListener("pointerdown", (e) => grab(me, e, nearest(me, e)));
  node.addEventListener("keydown", (e) => nudge(me, e, spec.id));
  node.addEventListener("focus", () => magnify(me, spec.id));
  node.addEventListener("blur", () => { if (!me.held) me.loupe.classList.remove("on"); });
  return { spec, node };
}

// ---- live values ---------------------------------------------------------------------------------------------

function readings(me) {
  const at = (of, ids) => ids.map((h) => of[h]);
  const list = me.data.readouts.map((r) => [r, g.readout(r, at(me.home, r.handles), at(me.pts, r.handles))]);
  if (me.data.place && me.placed.length) list.push([me.data.place, g.measured(me.data.place, at(me.pts, me.placed))]);
  return list.filter(([, v]) => v !== null && Number.isFinite(v));
}

function tell(me) {
  const said = (me.stirred.size || me.data.place ? readings(me) : []).map(([r, v]) => `${r.label}: about ${(v * r.factor).toFixed(r.digits)}${r.unit === "°" ? "" : " "}${r.unit}`);
  const tool = me.data.place;
  if (tool && me.placed.length < tool.points) said.push(tool.prompts[me.placed.length]);
  me.live.textContent = said.join("   ");
  for (const h of me.handles ?? []) {
    const [x, y] = me.pts[h.spec.id];
    h.node.setAttribute("aria-valuenow", x.toFixed(1));
    h.node.setAttribute("aria-valuetext", said[0] ?? `${x.toFixed(1)}, ${y.toFixed(1)} pixels`);
  }
}

// ---- moving handles ------------------------------------------------------------------------------------------

// Where targets overlap, the handle nearest to the finger is meant, not the one drawn last.
function nearest(me, e) {
  const far = (h) => g.distance(g.toScreen(me.view, me.pts[h.spec.id]), point(me, e));
  return me.handles.reduce((best, h) => (far(h) < far(best) ? h : best));
}

function grab(me, e, { spec: { id }, node }) {
  e.stopPropagation();
  e.preventDefault();
  node.focus({ preventScroll: true });
  node.setPointerCapture(e.pointerId);
  const at = point(me, e), start = [...me.pts[id]];
  const off = g.toScreen(me.view, start).map((v, i) => v - at[i]);
  me.held = { id, start, node, pointer: e.pointerId };
  node.classList.add("held");
  magnify(me, id);
  const onMove = (m) => { if (m.pointerId === e.pointerId) shift(me, id, g.toPhoto(me.view, point(me, m).map((v, i) => v + off[i]))); };
  const end = (keep) => (m) => {
    if (m.pointerId !== undefined && m.pointerId !== e.pointerId) return;
    node.removeEventListener("pointermove", onMove);
    release(me, keep);
  };
  node.addEventListener("pointermove", onMove);
  node.addEventListener("pointerup", end(true), { once: true });
  node.addEventListener("pointercancel", end(false), { once: true });
}

function shift(me, id, p) {
  if (!me.held && !me.timers.key) return;
  const { w, h } = me.data.photo;
  me.stirred.add(id);
  me.pts[id] = [Math.min(w, Math.max(0, p[0])), Math.min(h, Math.max(0, p[1]))];
  draw(me);
  tell(me);
  magnify(me, id);
}

function release(me, keep) {
  const was = me.held;
  if (!was) return;
  me.held = null;
  was.node.classList.remove("held");
  me.loupe.classList.remove("on");
  if (!keep) {
    me.pts[was.id] = was.start;
    me.stirred.delete(was.id);
    draw(me);
    tell(me);
  } else if (g.distance(was.start, me.pts[was.id]) > 1e-6) commit(me, was.id);
  resume(me);
}

function nudge(me, e, id) {
  if (e.ctrlKey || e.metaKey) return;
  if (e.key === "Escape" && me.held) return release(me, false);
  const step = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] }[e.key];
  if (!step) return;
  e.preventDefault();
  e.stopPropagation();
  const k = e.shiftKey ? 10 : e.altKey ? 0.1 : 1;
  clearTimeout(me.timers.key);
  me.timers.key = setTimeout(() => {
    me.timers.key = 0;
    commit(me, id);
    resume(me);
  }, KEY_REST);
  shift(me, id, [me.pts[id][0] + k * step[0], me.pts[id][1] + k * step[1]]);
}

function commit(me, moved) {
  if (me.placed.includes(moved) && me.placed.length < me.data.place.points) return;
  me.rev += 1;
  const ids = me.placed.includes(moved) ? me.placed : me.data.handles.map((h) => h.id);
  const pts = Object.fromEntries(ids.map((id) => [id, me.pts[id]]));
  tellMove(me, { rev: me.rev, photo: me.data.photo.id, subject: me.data.subject, moved, pts });
}

// A move is told again until it is answered: the connection may have been lost. The same move twice is kept once.
function tellMove(me, move) {
  clearTimeout(me.timers.answer);
  if (me.data.subject !== move.subject || me.data.rev >= move.rev) return;
  me.send("geom", { ...move, told: Date.now() });
  if (!me.data.place) me.timers.answer = setTimeout(() => tellMove(me, move), ANSWER_REST);
}

// Data that arrived while a handle was held is taken up afterwards, unless a newer move has been sent.
function resume(me) {
  const next = me.waiting;
  me.waiting = null;
  if (next) take(me, next);
}

// ---- looking around ------------------------------------------------------------------------------------------

const point = (me, e) => {
  const r = me.box.getBoundingClientRect();
  return [e.clientX - r.left - me.box.clientLeft, e.clientY - r.top - me.box.clientTop];
};

function listen(me) {
  const { stage, box } = me;
  stage.addEventListener("pointerdown", (e) => {
    box.focus({ preventScroll: true });
    stage.setPointerCapture(e.pointerId);
    me.pointers.set(e.pointerId, point(me, e));
    me.travel = me.pointers.size > 1 ? Infinity : 0;
    stage.classList.add("moving");
  });
  stage.addEventListener("pointermove", (e) => {
    const was = me.pointers.get(e.pointerId);
    if (was) drift(me, e, was, point(me, e));
  });
  for (const kind of ["pointerup", "pointercancel"])
    stage.addEventListener(kind, (e) => {
      const at = me.pointers.get(e.pointerId);
      me.pointers.delete(e.pointerId);
      if (!me.pointers.size) stage.classList.remove("moving");
      if (at && kind === "pointerup" && me.travel < 6) tap(me, at);
    });
  // One finger scrolls the page up and down; two move the photo, and the browser must not take those for a scroll.
  stage.addEventListener("touchmove", (e) => { if (e.touches.length > 1) e.preventDefault(); }, { passive: false });
  stage.addEventListener("dblclick", (e) => { if (!me.data.place) zoom(me, 2, point(me, e)); });
  // The wheel scrolls the page until the viewer has been clicked, so the page is never trapped.
  box.addEventListener("wheel", (e) => {
    if (!e.ctrlKey && box.getRootNode().activeElement !== box) return;
    e.preventDefault();
    zoom(me, Math.exp(-e.deltaY * (e.ctrlKey ? 0.01 : 0.0016)), point(me, e));
  }, { passive: false });
  box.addEventListener("keydown", (e) => keys(me, e));
  document.addEventListener("keydown", (e) => letter(me, e), { capture: true, signal: me.gone.signal });
}

function drift(me, e, was, now) {
  const others = [...me.pointers].filter(([id]) => id !== e.pointerId).map(([, p]) => p);
  me.pointers.set(e.pointerId, now);
  if (others.length) {
    const o = others[0];
    const mid = [(now[0] + o[0]) / 2, (now[1] + o[1]) / 2], old = [(was[0] + o[0]) / 2, (was[1] + o[1]) / 2];
    const k = g.distance(now, o) / Math.max(1, g.distance(was, o));
    me.view = { s: me.view.s, x: me.view.x + mid[0] - old[0], y: me.view.y + mid[1] - old[1] };
    return zoom(me, k, mid);
  }
  me.travel += g.distance(was, now);
  move(me, { s: me.view.s, x: me.view.x + now[0] - was[0], y: me.view.y + now[1] - was[1] });
}

function tap(me, at) {
  const tool = me.data.place;
  if (!tool) return choose(me, at);
  if (me.placed.length >= tool.points) return;
  const id = `p${me.placed.length + 1}`;
  me.pts[id] = g.toPhoto(me.view, at);
  me.placed.push(id);
  scene(me);
  draw(me);
  if (me.placed.length === tool.points) commit(me, id);
}

// A tap on or near an outline chooses the reading it belongs to.
function choose(me, at) {
  let best = { d: REACH, id: null };
  for (const { spec } of me.shapes) {
    if (!spec.pick) continue;
    const d = g.toLine(drawn(me, spec).map((p) => g.toScreen(me.view, p)), at, spec.closed);
    if (d < best.d) best = { d, id: spec.pick };
  }
  if (best.id) me.send("picked", { id: best.id, at: Date.now() }, true);
}

// A letter that the page waits for, wherever the focus is but in a field; it goes no further than this.
function letter(me, e) {
  const typed = e.composedPath()[0];
  const busy = typed.isContentEditable || ["INPUT", "TEXTAREA", "SELECT"].includes(typed.tagName);
  if (busy || e.ctrlKey || e.metaKey || e.altKey || !me.data.keys?.includes(e.key.toLowerCase())) return;
  e.preventDefault();
  e.stopImmediatePropagation();
  if (!e.repeat) me.send("pressed", { id: e.key.toLowerCase(), at: Date.now() }, true);
}

function keys(me, e) {
  if (e.target !== me.box || e.ctrlKey || e.metaKey || e.altKey) return;
  const pan = { ArrowLeft: [60, 0], ArrowRight: [-60, 0], ArrowUp: [0, 60], ArrowDown: [0, -60] }[e.key];
  if (pan) move(me, { s: me.view.s, x: me.view.x + pan[0], y: me.view.y + pan[1] });
  else if (e.key === "+" || e.key === "=") zoom(me, 1.4);
  else if (e.key === "-") zoom(me, 1 / 1.4);
  else if (e.key === "0") look(me, whole(me));
  else if (e.key === "Enter" && me.data.place) tap(me, [me.size[0] / 2, me.size[1] / 2]);
  else return;
  e.preventDefault();
}

// ---- taking new data -----------------------------------------------------------------------------------------

function take(me, data) {
  if (me.held || me.timers.key) {
    me.waiting = data;
    return;
  }
  const same = me.data && me.data.photo.id === data.photo.id && me.data.subject === data.subject;
  if (same && data.rev < me.rev) return;
  me.rev = same ? Math.max(me.rev, data.rev) : data.rev;
  const tool = same && data.place && me.data.place?.kind === data.place.kind && data.place.round === me.data.place.round;
  const kept = tool ? Object.fromEntries(me.placed.map((id) => [id, me.pts[id]])) : {};
  if (!tool) me.placed = [];
  me.stirred.clear();
  me.data = data;
  me.home = Object.fromEntries(data.handles.map((h) => [h.id, [h.x, h.y]]));
  me.pts = { ...me.home, ...kept };
  me.box.setAttribute("aria-label", data.alt);
  me.box.classList.toggle("small", Boolean(data.small));
  me.stage.classList.toggle("placing", Boolean(data.place));
  me.toReading.hidden = !data.focus;
  me.box.classList.toggle("whole", !data.focus);
  me.toReading.textContent = data.focusName;
  me.toReading.setAttribute("aria-label", `Show the ${data.focusName.toLowerCase()}`);
  takeSecond(me);
  me.box.style.setProperty("--shape", `${data.photo.w} / ${data.photo.h}`);
  if (takePhoto(me.first, data.photo)) {
    me.img.style.visibility = "hidden";
    me.piece = me.view = null;
  }
  scene(me);
  if (!me.size[0]) return;
  if (!me.view) look(me, opening(me));
  else if (data.focusKey && data.focusKey !== me.focusKey) look(me, data.focus ?? whole(me));
  me.focusKey = data.focusKey;
  draw(me);
}

export default function viewer(component) {
  const { parentElement, data, setStateValue, setTriggerValue } = component;
  let me = viewers.get(parentElement);
  if (!me) {
    me = build(parentElement);
    viewers.set(parentElement, me);
  }
  me.send = (name, value, once) => (once ? setTriggerValue(name, value) : setStateValue(name, value));
  take(me, data);
  if (me.view === null || !me.size[0]) resized(me);
  return () => {
    me.watch.disconnect();
    me.gone.abort();
    Object.values(me.timers).forEach(clearTimeout);
    cancelAnimationFrame(me.frame);
    me.box.remove();
    viewers.delete(parentElement);
  };
}
