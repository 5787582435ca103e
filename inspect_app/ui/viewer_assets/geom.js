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

// Mean distance of the points of line b from the straight line through the ends of a.
export function gap(a, b) {
  const p = a[0], q = a[a.length - 1], l = distance(p, q);
  if (l < 1e-9 || !b.length) return 0;
  const off = (r) => Math.abs((q[0] - p[0]) * (r[1] - p[1]) - (q[1] - p[1]) * (r[0] - p[0])) / l;
  return b.reduce((sum, r) => sum + off(r), 0) / b.length;
}

// The value of a readout from its points in photo pixels; null while it cannot be told.
export function readout(spec, pts) {
  const mm = pts.map((p) => toPlane(spec.H, p));
  if (spec.kind === "distance" && mm.length === 2) return distance(mm[0], mm[1]);
  if (spec.kind === "angle" && mm.length === 3) return angle(mm[0], mm[1], mm[2]);
  if (spec.kind === "gap" && mm.length >= 4) return gap(mm.slice(0, mm.length / 2), mm.slice(mm.length / 2));
  if (spec.kind === "circle" && mm.length === 3) {
    const c = circle(mm[0], mm[1], mm[2]);
    return c && c.r;
  }
  return null;
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
