// A second photo that lies on the first: seen to the right of a line, which the slider moves; zoom and place are one.
import * as g from "./geom.js";
import { sharper, showPiece, takePhoto } from "./loupe.js";

export function second(me, el) {
  const layer = el("div", "second");
  me.stage.after(layer);
  const img = el("img", "", layer), tile = el("img", "", layer);
  img.alt = tile.alt = "";
  const names = ["left", "right"].map((side) => el("span", `name ${side}`, me.box));
  const slider = el("input", "parting", me.box);
  Object.assign(slider, { type: "range", min: 0, max: 100, value: 50 });
  slider.addEventListener("input", () => part(me));
  me.second = { layer, img, tile, names, slider, box: null };
  img.onload = tile.onload = () => drawSecond(me);
}

// Takes up the scene's second photo, or puts the layer away.
export function takeSecond(me) {
  const s = me.second, data = me.data.second;
  for (const e of [s.layer, s.slider, ...s.names]) e.hidden = !data;
  if (!data) return;
  s.names.forEach((e, i) => { e.textContent = data.names[i]; });
  s.slider.setAttribute("aria-label", `Line between ${data.names[0].toLowerCase()} and ${data.names[1].toLowerCase()}`);
  takePhoto(s, data.photo);
  part(me);
}

function part(me) {
  const { layer, slider } = me.second, share = slider.value / 100;
  slider.setAttribute("aria-valuetext", `${slider.value} % ${me.data.second.names[0].toLowerCase()}`);
  layer.style.clipPath = `inset(0 0 0 ${100 * share}%)`;
}

export function drawSecond(me) {
  const data = me.data?.second, { img, tile, box } = me.second;
  if (!data || !me.view) return;
  lay(me, img, [0, 0, data.photo.w, data.photo.h]);
  if (showPiece(me.second)) lay(me, tile, box);
}

// The picture of a piece of the second photo, where the homography and the view put it.
function lay(me, image, b) {
  if (!image.naturalWidth) return;
  const k = (b[2] - b[0]) / image.naturalWidth, { s, x, y } = me.view;
  const m = g.times([s, 0, x, 0, s, y, 0, 0, 1], g.times(me.data.second.onto, [k, 0, b[0], 0, k, b[1], 0, 0, 1]));
  image.style.transform = `matrix3d(${[m[0], m[3], 0, m[6], m[1], m[4], 0, m[7], 0, 0, 1, 0, m[2], m[5], 0, m[8]].join()})`;
}

// A sharper piece of the second photo, of what the box of the first one shows.
export function sharpenSecond(me, b) {
  const data = me.data.second;
  if (!data) return;
  const at = b && [[b[0], b[1]], [b[2], b[1]], [b[2], b[3]], [b[0], b[3]]].map((p) => g.toPlane(data.back, p));
  const edge = (k, pick, most) => Math.min(most, Math.max(0, Math.round(pick(...at.map((p) => p[k])))));
  const box = at && [edge(0, Math.min, data.photo.w), edge(1, Math.min, data.photo.h), edge(0, Math.max, data.photo.w), edge(1, Math.max, data.photo.h)];
  sharper(me.second, data.photo, box);
  drawSecond(me);
}
