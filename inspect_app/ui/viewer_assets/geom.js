// Plane geometry of the photo viewer. Pure functions: no page, no state. Points are [x, y].
// A view {s, x, y} puts photo pixel p at screen place s * p + (x, y).

export const toScreen = (v, p) => [v.s * p[0] + v.x, v.s * p[1] + v.y];
export const toPhoto = (v, q) => [(q[0] - v.x) / v.s, (q[1] - v.y) / v.s];

export function fit(size, box, margin = 0) {
  const w = Math.max(1, box[2] - box[0]), h = Math.max(1, box[3] - box[1]);
  const s = Math.min((size[0] - 2 * margin) / w, (size[1] - 2 * margin) / h);
  return { s, x: size[0] / 2 - s * (box[0] + w / 2), y: size[1] / 2 - s * (box[1] + h / 2) };
}

export function zoomAt(v, factor, q, least, most) {
  const s = Math.min(most, Math.max(least, v.s * factor));
  const k = s / v.s;
  return { s, x: q[0] - k * (q[0] - v.x), y: q[1] - k * (q[1] - v.y) };
}

// Keeps at least `keep` screen pixels of the photo in sight.
export function held(v, size, photo, keep = 60) {
  const lim = (at, span, room) => Math.min(room - keep, Math.max(keep - span, at));
  return { s: v.s, x: lim(v.x, v.s * photo[0], size[0]), y: lim(v.y, v.s * photo[1], size[1]) };
}

// Homography as nine numbers, row by row: photo pixels to millimetres.
export function toPlane(H, p) {
  const w = H[6] * p[0] + H[7] * p[1] + H[8];
  return [(H[0] * p[0] + H[1] * p[1] + H[2]) / w, (H[3] * p[0] + H[4] * p[1] + H[5]) / w];
}

// The product of two 3 x 3 matrices, each nine numbers row by row.
export const times = (a, b) => a.map((_, i) => [0, 1, 2].reduce((sum, k) => sum + a[i - (i % 3) + k] * b[3 * k + (i % 3)], 0));

export const distance = (a, b) => Math.hypot(b[0] - a[0], b[1] - a[1]);

// Angle at `corner` between the directions to a and b, degrees, 0 to 180.
export function angle(a, corner, b) {
  const u = [a[0] - corner[0], a[1] - corner[1]], w = [b[0] - corner[0], b[1] - corner[1]];
  return (Math.atan2(Math.abs(u[0] * w[1] - u[1] * w[0]), u[0] * w[0] + u[1] * w[1]) * 180) / Math.PI;
}

// Circle through three points: {c, r}, or null when they are in line.
export function circle(a, b, c) {
  const bx = b[0] - a[0], by = b[1] - a[1], cx = c[0] - a[0], cy = c[1] - a[1];
  const d = 2 * (bx * cy - by * cx);
  if (Math.abs(d) < 1e-9) return null;
  const ux = (cy * (bx * bx + by * by) - by * (cx * cx + cy * cy)) / d;
  const uy = (bx * (cx * cx + cy * cy) - cx * (bx * bx + by * by)) / d;
  return { c: [a[0] + ux, a[1] + uy], r: Math.hypot(ux, uy) };
}

// A value that follows its handles: it starts at `base` and changes by one slope [x, y] a handle and photo pixel.
export const follows = (base, slopes, home, pts) =>
  slopes.reduce((v, g, i) => v + g[0] * (pts[i][0] - home[i][0]) + g[1] * (pts[i][1] - home[i][1]), base);

// The value of a measurement by hand from its points in photo pixels; null while it cannot be told.
export function measured(spec, pts) {
  const mm = pts.map((p) => toPlane(spec.H, p));
  if (spec.kind === "distance" && mm.length === 2) return distance(mm[0], mm[1]);
  if (spec.kind === "angle" && mm.length === 3) return angle(mm[0], mm[1], mm[2]);
  if (spec.kind === "circle" && mm.length === 3) return circle(mm[0], mm[1], mm[2])?.r ?? null;
  return null;
}

// The value of a readout while its handles move; `home` is where each was when the value was measured.
export function readout(spec, home, pts) {
  if (spec.kind === "follows") return follows(spec.base, spec.slopes, home, pts);
  const [was, now] = [circle(...home), circle(...pts)];
  return was && now ? (spec.base * now.r) / was.r : null;
}

// A line bent along with its anchors: [[index, dx, dy], ...] in order of index; points between two anchors move by
// what lies between, those beyond the outer ones by the same; a closed line has no outer ones.
export function bent(pts, anchors, closed = false) {
  if (!anchors.length) return pts;
  const n = pts.length, first = anchors[0], last = anchors[anchors.length - 1];
  const ring = closed ? [[last[0] - n, last[1], last[2]], ...anchors, [first[0] + n, first[1], first[2]]] : anchors;
  return pts.map((p, i) => {
    const k = ring.findIndex((a) => a[0] >= i);
    const b = ring[k < 0 ? ring.length - 1 : k], a = ring[k < 0 ? ring.length - 1 : Math.max(0, k - 1)];
    const t = b[0] === a[0] ? 0 : Math.max(0, (i - a[0]) / (b[0] - a[0]));
    return [p[0] + a[1] + t * (b[1] - a[1]), p[1] + a[2] + t * (b[2] - a[2])];
  });
}

// What of a line of points lies in the box [lo, hi], as one or more lines. A line far longer than the screen, dashed, costs
// a frame to draw; where a cut begins it is put back to a whole `period` of the dashes, so that these stay with the line.
export function clipped(pts, closed, lo, hi, period = 1) {
  const all = closed && pts.length > 2 ? [...pts, pts[0]] : pts;
  const lines = all.length === 1 ? [all] : [];
  let line = null;
  for (let i = 1; i < all.length; i++) {
    const [a, b] = [all[i - 1], all[i]], cut = within(a, b, lo, hi);
    if (!cut) { line = null; continue; }
    const long = distance(a, b), from = cut[0] > 0 ? (Math.floor((cut[0] * long) / period) * period) / long : 0;
    const at = (t) => [a[0] + t * (b[0] - a[0]), a[1] + t * (b[1] - a[1])];
    if (line && from === 0) line.push(at(cut[1]));
    else lines.push((line = [at(from), at(cut[1])]));
    if (cut[1] < 1) line = null;
  }
  return lines;
}

// The part [from, to] of a straight line from a to b, 0 to 1, that lies in a box; null if none does (Liang and Barsky).
function within(a, b, lo, hi) {
  let from = 0, to = 1;
  for (const k of [0, 1]) {
    const d = b[k] - a[k];
    if (d === 0 && (a[k] < lo[k] || a[k] > hi[k])) return null;
    if (d === 0) continue;
    const [s, t] = [(lo[k] - a[k]) / d, (hi[k] - a[k]) / d];
    from = Math.max(from, Math.min(s, t));
    to = Math.min(to, Math.max(s, t));
  }
  return from <= to ? [from, to] : null;
}

// Distance of q from a line of points, joined end to end when closed.
export function toLine(pts, q, closed = false) {
  const all = closed && pts.length > 2 ? [...pts, pts[0]] : pts;
  if (all.length === 1) return distance(all[0], q);
  let best = Infinity;
  for (let i = 1; i < all.length; i++) {
    const [a, b] = [all[i - 1], all[i]];
    const u = [b[0] - a[0], b[1] - a[1]], l2 = u[0] * u[0] + u[1] * u[1];
    const t = l2 ? Math.min(1, Math.max(0, ((q[0] - a[0]) * u[0] + (q[1] - a[1]) * u[1]) / l2)) : 0;
    best = Math.min(best, distance([a[0] + t * u[0], a[1] + t * u[1]], q));
  }
  return best;
}
