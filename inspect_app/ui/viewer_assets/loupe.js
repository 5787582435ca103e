// Pieces of the full photo, fetched where someone looks closely. The loupe: the place of a handle, enlarged from a piece of the full photo that is fetched once for the neighbourhood.
import * as g from "./geom.js";

export const LOUPE = 148; // px across
const LOUPE_ZOOM = 4;

export const crop = (photo, b) => `${photo.crop}?x=${b[0]}&y=${b[1]}&w=${b[2] - b[0]}&h=${b[3] - b[1]}`;

// A layer is a photo's preview, a sharper piece of it over that, and which piece: {img, tile, box}.
// Takes up a photo; true if it is another than before.
export function takePhoto(layer, photo) {
  if (layer.img.getAttribute("src") === photo.preview) return false;
  layer.box = null;
  layer.tile.removeAttribute("src");
  layer.img.src = photo.preview;
  return true;
}

// Fetches the piece of a photo in a box of its pixels; none where there is no box, or one too small to be of use.
export function sharper(layer, photo, b) {
  layer.box = b && Math.min(b[2] - b[0], b[3] - b[1]) >= 8 ? b : null;
  if (layer.box && layer.tile.getAttribute("src") !== crop(photo, b)) layer.tile.src = crop(photo, b);
  return showPiece(layer);
}

// Shows the piece once it has come; whether it has.
export function showPiece({ tile, box }) {
  const there = Boolean(box && tile.complete && tile.naturalWidth);
  tile.style.visibility = there ? "visible" : "hidden";
  return there;
}

export function magnify(me, id) {
  const [x, y] = me.pts[id];
  const { w, h } = me.data.photo;
  const piece = me.piece;
  if (!piece || x < piece.b[0] + 60 || y < piece.b[1] + 60 || x > piece.b[2] - 60 || y > piece.b[3] - 60) {
    const b = [Math.max(0, Math.round(x) - 400), Math.max(0, Math.round(y) - 400), Math.min(w, Math.round(x) + 400), Math.min(h, Math.round(y) + 400)];
    if (!piece || piece.b.join() !== b.join()) {
      const image = new Image();
      me.piece = { b, image };
      image.onload = () => { if (me.loupe.classList.contains("on") && me.piece.image === image) magnify(me, me.lens); };
      image.src = crop(me.data.photo, b);
    }
  }
  me.lens = id;
  const c = me.loupe.getContext("2d");
  c.fillStyle = "#1b1f20";
  c.fillRect(0, 0, LOUPE, LOUPE);
  const span = LOUPE / LOUPE_ZOOM;
  const ready = me.piece.image.complete && me.piece.image.naturalWidth;
  const src = ready ? me.piece.image : me.img;
  const k = ready ? me.piece.image.naturalWidth / (me.piece.b[2] - me.piece.b[0]) : me.img.naturalWidth / w;
  const o = ready ? me.piece.b : [0, 0];
  c.imageSmoothingEnabled = false;
  c.drawImage(src, (x - span / 2 - o[0]) * k, (y - span / 2 - o[1]) * k, span * k, span * k, 0, 0, LOUPE, LOUPE);
  cross(c);
  const [sx, sy] = g.toScreen(me.view, me.pts[id]);
  me.loupe.style.left = sx > me.size[0] / 2 ? "10px" : `${me.size[0] - LOUPE - 16}px`;
  me.loupe.style.top = sy > me.size[1] / 2 ? "52px" : `${me.size[1] - LOUPE - 64}px`;
  me.loupe.classList.add("on");
}

function cross(c) {
  const m = LOUPE / 2;
  for (const [style, width] of [["#000", 3.5], ["#f0e442", 1.4]]) {
    c.strokeStyle = style;
    c.lineWidth = width;
    c.beginPath();
    for (const [a, b] of [[-26, -7], [7, 26]]) {
      c.moveTo(m + a, m); c.lineTo(m + b, m);
      c.moveTo(m, m + a); c.lineTo(m, m + b);
    }
    c.stroke();
  }
}
