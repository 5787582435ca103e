// Where the viewer looks: in the page's address, so that a reload or a link shows the same piece; and on a small picture
// of the whole photo, which moves it.
import * as g from "./geom.js";

const named = (photo) => photo.id.slice(0, 8);
const inSight = (me) => [...g.toPhoto(me.view, [0, 0]), ...g.toPhoto(me.view, me.size)];

// The piece of this photo that the address names: its middle and width, in pixels.
export function fromAddress(me) {
  const [id, ...at] = (me.data.kept && new URLSearchParams(location.search).get("at") || "").split(".");
  const [x, y, w] = at.map(Number);
  return id === named(me.data.photo) && w > 0 && Number.isFinite(x + y + w) ? [x - w / 2, y - 0.5, x + w / 2, y + 0.5] : null;
}

export function toAddress(me) {
  if (!me.data.kept || !me.view || !me.size[0]) return;
  const b = inSight(me), { photo } = me.data, all = b[0] <= 1 && b[1] <= 1 && b[2] >= photo.w - 1 && b[3] >= photo.h - 1;
  const rest = location.search.slice(1).split("&").filter((p) => p && !p.startsWith("at="));
  if (!all) rest.push(`at=${[named(photo), ...[(b[0] + b[2]) / 2, (b[1] + b[3]) / 2, b[2] - b[0]].map(Math.round)].join(".")}`);
  const search = rest.length ? `?${rest.join("&")}` : "";
  if (search !== location.search) history.replaceState(history.state, "", location.pathname + search + location.hash);
}

export function smallMap(me, el, go) {
  const map = el("div", "map", me.box), img = el("img", "", map), piece = el("i", "", map);
  map.setAttribute("aria-hidden", "true"); // arrow keys move the photo
  img.alt = "";
  const to = (e) => {
    if (!e.buttons) return;
    const r = map.getBoundingClientRect(), { w, h } = me.data.photo;
    go([((e.clientX - r.left) / r.width) * w, ((e.clientY - r.top) / r.height) * h]);
  };
  map.addEventListener("pointerdown", (e) => { map.setPointerCapture(e.pointerId); to(e); });
  map.addEventListener("pointermove", to);
  me.map = { map, img, piece };
}

export function drawMap(me) {
  const { map, img, piece } = me.map, { photo } = me.data, b = inSight(me);
  map.hidden = !me.data.kept || (b[2] - b[0] > 0.9 * photo.w && b[3] - b[1] > 0.9 * photo.h);
  if (map.hidden) return;
  if (img.getAttribute("src") !== photo.small) img.src = photo.small;
  map.style.aspectRatio = `${photo.w} / ${photo.h}`;
  const cut = [0, 1, 2, 3].map((k) => Math.min(1, Math.max(0, b[k] / (k % 2 ? photo.h : photo.w))) * 100);
  Object.assign(piece.style, { left: `${cut[0]}%`, top: `${cut[1]}%`, width: `${cut[2] - cut[0]}%`, height: `${cut[3] - cut[1]}%` });
}
