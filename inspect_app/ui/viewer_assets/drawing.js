// Drawing: the photo where the view puts it, a sharper piece of it where someone looks closely, and the lines over both.
import * as g from "./geom.js";
import { sharper, showPiece } from "./loupe.js";
import { drawSecond, sharpenSecond } from "./second.js";
import { drawMap, toAddress } from "./whereabouts.js";

const TILE_REST = 160; // ms without movement before a sharper piece of the photo is fetched
const BEYOND = 40; // px a line is drawn beyond the edge of the viewer
const DASHES = { doubt: 14, hand: 25, rejected: 20, scale: 6 }; // px until a tone's dashes repeat, as in the style sheet

export function draw(me) {
  if (!me.view || me.frame) return;
  me.frame = requestAnimationFrame(() => {
    me.frame = 0;
    place(me, me.img, [0, 0, me.data.photo.w, me.data.photo.h]);
    if (showPiece(me.first)) place(me, me.first.tile, me.first.box);
    drawSecond(me);
    drawMap(me);
    paths(me);
    clearTimeout(me.timers.tile);
    me.timers.tile = setTimeout(() => { sharpen(me); toAddress(me); }, TILE_REST);
  });
}

function place(me, image, b) {
  if (!image.naturalWidth) return;
  const [x, y] = g.toScreen(me.view, [b[0], b[1]]);
  image.style.transform = `translate(${x}px, ${y}px) scale(${(me.view.s * (b[2] - b[0])) / image.naturalWidth})`;
}

export function drawn(me, s) {
  if (!s.anchors) return s.pts;
  const off = s.anchors.map(([id, i]) => [i, me.pts[id][0] - me.home[id][0], me.pts[id][1] - me.home[id][1]]);
  return g.bent(s.pts, off, s.closed);
}

function pathOf(me, pts, closed, tone) {
  const at = pts.map((p) => g.toScreen(me.view, p));
  const lines = g.clipped(at, closed, [-BEYOND, -BEYOND], me.size.map((v) => v + BEYOND), DASHES[tone]);
  const whole = closed && lines.length === 1 && lines[0].length === at.length + 1;
  const path = (line) => line.map(([x, y], i) => `${i ? "L" : "M"}${x.toFixed(1)} ${y.toFixed(1)}`).join("");
  return whole ? `${path(lines[0].slice(0, -1))}Z` : lines.map(path).join("");
}

function paths(me) {
  for (const s of me.shapes) {
    const d = s.spec.anchors && !s.spec.anchors.some(([h]) => me.stirred.has(h)) ? "" : pathOf(me, drawn(me, s.spec), s.spec.closed, s.spec.tone);
    for (const p of s.parts) p.setAttribute("d", d);
    if (s.text && s.spec.pts.length) {
      const [x, y] = g.toScreen(me.view, s.spec.at ?? s.spec.pts[0]);
      const away = s.spec.tone === "scale" && (y < 0 || y > me.size[1]); // others stay at the edge: a long fret's number
      s.text.style.display = away || x < 0 || x > me.size[0] ? "none" : "";
      s.text.setAttribute("x", Math.min(me.size[0] - 40, Math.max(40, x)));
      s.text.setAttribute("y", Math.min(me.size[1] - 12, Math.max(20, y - 10)));
    }
  }
  for (const h of me.handles) {
    const [x, y] = g.toScreen(me.view, me.pts[h.spec.id]);
    h.node.setAttribute("transform", `translate(${x.toFixed(2)} ${y.toFixed(2)})`);
  }
  if (me.placedPath) me.placedPath.forEach((p) => p.setAttribute("d", placedPath(me)));
}

function placedPath(me) {
  const pts = me.placed.map((id) => me.pts[id]);
  const tool = me.data.place;
  if (tool?.kind === "circle" && pts.length === 3) {
    const c = g.circle(...pts.map((p) => g.toScreen(me.view, p)));
    if (c) return `M${c.c[0] - c.r} ${c.c[1]}a${c.r} ${c.r} 0 1 0 ${2 * c.r} 0a${c.r} ${c.r} 0 1 0 ${-2 * c.r} 0`;
  }
  return pts.length ? pathOf(me, pts, false) : "";
}

function sharpen(me) {
  const { photo } = me.data;
  if (me.held || me.view.s * me.img.naturalWidth === 0) return;
  let box = null;
  if (me.view.s * devicePixelRatio > (1.15 * me.img.naturalWidth) / photo.w) {
    const a = g.toPhoto(me.view, [0, 0]), b = g.toPhoto(me.view, me.size);
    box = [Math.max(0, Math.floor(a[0])), Math.max(0, Math.floor(a[1])), Math.min(photo.w, Math.ceil(b[0])), Math.min(photo.h, Math.ceil(b[1]))];
  }
  if (sharper(me.first, photo, box)) place(me, me.first.tile, box);
  sharpenSecond(me, me.first.box);
}
