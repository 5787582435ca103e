"""Triangle meshes of the things in a photo: fret, board, wire, flat sheets."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sample_images.instrument import Board, Fret, Wire

__all__ = [
    "Mesh",
    "fret_meshes",
    "board_meshes",
    "wire_meshes",
    "grime_meshes",
    "string_mesh",
    "sheet_mesh",
    "disc_mesh",
    "rounded_sheet_mesh",
]

Array = NDArray[np.float64]
_ARC, _FLAT = 40, 6  # cross-section points on a flank and on a flat: an arc of 40 is within 0.3 um of the true crown
_STEP = 0.04  # mm between stations along a fret: the shortest wear is some 50 times as long


@dataclass(frozen=True)
class Mesh:
    """Vertices (N, 3), normals (N, 3), texture coordinates (N, 2), faces (M, 3)."""

    vertices: Array
    normals: Array
    uv: Array
    faces: NDArray[np.int32]

    def write(self, path: Path) -> None:
        """Write as binary PLY."""
        head = (
            f"ply\nformat binary_little_endian 1.0\nelement vertex {len(self.vertices)}\n"
            + "".join(f"property float {n}\n" for n in ("x", "y", "z", "nx", "ny", "nz", "u", "v"))
            + f"element face {len(self.faces)}\nproperty list uchar int vertex_indices\nend_header\n"
        )
        corners = np.zeros(len(self.faces), dtype=[("n", "u1"), ("i", "<i4", 3)])
        corners["n"], corners["i"] = 3, self.faces
        body = np.hstack([self.vertices, self.normals, self.uv]).astype("<f4")
        path.write_bytes(head.encode() + body.tobytes() + corners.tobytes())


def _grid(points: Array, normals: Array, uv: Array) -> Mesh:
    """A mesh over a (rows, cols) grid; triangles without area are left out."""
    rows, cols = points.shape[:2]
    i = np.arange(rows * cols).reshape(rows, cols)
    a, b, c, d = (q.ravel() for q in (i[:-1, :-1], i[1:, :-1], i[1:, 1:], i[:-1, 1:]))
    faces = np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])])
    v = points.reshape(-1, 3)
    n = normals.reshape(-1, 3)
    n = n / np.linalg.norm(n, axis=1, keepdims=True)
    return _outward(Mesh(v, n, uv.reshape(-1, 2), faces.astype(np.int32)))


def _outward(mesh: Mesh) -> Mesh:
    """The same mesh with every triangle turned to the side its normals point to."""
    a, b, c = (mesh.vertices[mesh.faces[:, k]] for k in range(3))
    across = np.cross(b - a, c - a)
    keep = np.linalg.norm(across, axis=1) > 1e-12
    faces, across = mesh.faces[keep], across[keep]
    inward = np.sum(across * mesh.normals[faces].sum(axis=1), axis=1) < 0
    faces[inward] = faces[inward, ::-1]
    return Mesh(mesh.vertices, mesh.normals, mesh.uv, faces)


def _flat_polygon(points: Array, normal: Array, uv: Array) -> Mesh:
    """A convex, planar polygon (N, 3) as a fan."""
    n = len(points)
    fan = np.column_stack([np.zeros(n - 2), np.arange(1, n - 1), np.arange(2, n)]).astype(np.int32)
    return _outward(Mesh(points, np.tile(normal / np.linalg.norm(normal), (n, 1)), uv, fan))


def _stations(fret: Fret, board: Board) -> tuple[Array, Array]:
    """Stations along the fret and the depth removed at each, constant where the end bevels cut the crown."""
    y = np.linspace(fret.y_treble, fret.y_bass, math.ceil((fret.y_bass - fret.y_treble) / _STEP) + 1)
    lo = fret.y_treble + fret.height * math.tan(math.radians(fret.bevel_treble))
    hi = fret.y_bass - fret.height * math.tan(math.radians(fret.bevel_bass))
    return y, fret.removed(np.clip(y, lo, hi))


def _to_bevels(fret: Fret, y: Array, z_local: Array) -> Array:
    """Stations moved onto the cut ends where they lie beyond them: inward by height above the board x tan(bevel)."""
    lo = fret.y_treble + z_local * math.tan(math.radians(fret.bevel_treble))
    hi = fret.y_bass - z_local * math.tan(math.radians(fret.bevel_bass))
    return np.asarray(np.clip(y, lo, hi))


def fret_meshes(fret: Fret, board: Board) -> dict[str, Mesh]:
    """The crown as ``flank_nut``, ``flank_body`` and ``flat``, and its two cut faces ``end_treble`` and ``end_bass``.

    Flanks and flat have their own normals, so the edge of a flat is as sharp as on metal.
    """
    r, h = fret.radius, fret.height
    y0, depth = _stations(fret, board)
    edge = math.acos((r - h) / r)
    cut = np.maximum(np.arccos(np.clip((r - depth) / r, -1.0, 1.0)), 1e-5)
    s = np.linspace(0.0, 1.0, _ARC)
    out: dict[str, Mesh] = {}
    for name, sign in (("flank_nut", -1.0), ("flank_body", 1.0)):
        angle = cut[:, None] * (1 - s) + edge * s
        x, z = sign * r * np.sin(angle), h - r + r * np.cos(angle)
        y = _to_bevels(fret, np.repeat(y0[:, None], _ARC, 1), z)
        normal = np.stack([sign * np.sin(angle), -np.cos(angle) * board.slope(fret.x, y), np.cos(angle)], -1)
        out[name] = _placed(fret, board, x, y, z, normal)
    x = np.linspace(-1.0, 1.0, _FLAT)[None, :] * (r * np.sin(cut))[:, None]
    z = np.repeat((h - depth)[:, None], _FLAT, 1)
    y = _to_bevels(fret, np.repeat(y0[:, None], _FLAT, 1), z)
    rise = -np.gradient(depth, y0)[:, None] + board.slope(fret.x, y)
    out["flat"] = _placed(fret, board, x, y, z, np.stack([np.zeros_like(x), -rise, np.ones_like(x)], -1))
    return out | _end_faces(fret, board)


def _placed(fret: Fret, board: Board, x: Array, y: Array, z: Array, normal: Array) -> Mesh:
    points = np.stack([fret.x + x, y, z + fret.lift + board.height(fret.x, y)], -1)
    uv = np.stack([x / fret.width + 0.5, (y - fret.y_treble) / (fret.y_bass - fret.y_treble)], -1)
    return _grid(points, normal, uv)


def _end_faces(fret: Fret, board: Board) -> dict[str, Mesh]:
    r, h, level = fret.radius, fret.height, fret.level
    start = math.acos((r - level) / r)
    a = np.linspace(start, math.acos((r - h) / r), _ARC * 2)
    a = np.concatenate([-a[::-1], a])
    x, z = r * np.sin(a), h - r + r * np.cos(a)
    out = {}
    for name, at, sign, bevel in (
        ("end_treble", fret.y_treble, -1.0, fret.bevel_treble),
        ("end_bass", fret.y_bass, 1.0, fret.bevel_bass),
    ):
        y = _to_bevels(fret, np.full(len(x), at), z)
        # the board falls away towards the end, so the cut stands steeper in space than over the board
        b = math.atan(
            math.tan(math.radians(bevel)) / (1.0 + abs(float(board.slope(fret.x, at))) * math.tan(math.radians(bevel)))
        )
        points = np.column_stack([fret.x + x, y, z + fret.lift + board.height(fret.x, y)])
        uv = np.column_stack([x / fret.width + 0.5, z / h])
        out[name] = _flat_polygon(points, np.array([0.0, sign * math.cos(b), math.sin(b)]), uv)
    return out


def board_meshes(
    board: Board,
    x0: float,
    x1: float,
    thickness: float = 6.0,
    hollow: Callable[[Array, Array], Array] | None = None,
) -> dict[str, Mesh]:
    """The playing ``surface``, its sides and its cut ends; texture coordinates run 0..1 along x0..x1 and across.

    `hollow` gives the depth of what fingers have worn into the surface, mm, at x and y.
    """
    step = 8.0 if hollow is None else 0.5  # a hollow is some ten millimetres long
    xs, v = np.linspace(x0, x1, max(60, math.ceil((x1 - x0) / step))), np.linspace(-1.0, 1.0, 241)
    half = board.half_width(xs)
    y = half[:, None] * v[None, :]
    z = np.array([board.height(x, row) for x, row in zip(xs, y, strict=True)])
    slope = np.array([board.slope(x, row) for x, row in zip(xs, y, strict=True)])
    along = np.zeros_like(y)
    if hollow is not None:
        depth = hollow(np.repeat(xs[:, None], len(v), 1), y)
        z = z - depth
        along = -np.gradient(depth, xs, axis=0)
        slope = slope - np.gradient(depth, axis=1) / np.gradient(y, axis=1)
    points = np.stack([np.repeat(xs[:, None], len(v), 1), y, z], -1)
    uv = np.stack(np.broadcast_arrays((xs[:, None] - x0) / (x1 - x0), 0.5 + v[None, :] / 2), -1)
    surface = _grid(points, np.stack([-along, -slope, np.ones_like(y)], -1), uv)
    out = {"surface": surface}
    for name, col, sign in (("side_treble", 0, -1.0), ("side_bass", -1, 1.0)):
        top = points[:, col]
        wall = np.stack([top, top - [0, 0, thickness]], 1)
        wall_uv = np.stack([uv[:, [col, col], 0], np.tile([0.0, 0.1], (len(xs), 1))], -1)
        out[name] = _grid(wall, np.broadcast_to([0.0, sign, 0.0], wall.shape).copy(), wall_uv)
    for name, row, sign in (("cut_nut", 0, -1.0), ("cut_body", -1, 1.0)):
        strip = np.stack([points[row], points[row] - [0, 0, thickness]], 1)
        strip_uv = np.stack([np.full((len(v), 2), 0.5), np.repeat(0.5 + v[:, None] / 2, 2, 1)], -1)
        out[name] = _grid(strip, np.broadcast_to([sign, 0.0, 0.0], strip.shape).copy(), strip_uv)
    return out


def grime_meshes(fret: Fret, board: Board, amount: float, rng: np.random.Generator) -> dict[str, Mesh]:
    """Dirt caked along both feet of a fret and round its ends, up to about `amount` mm wide on the board."""
    reach = amount * rng.uniform(0.1, 0.7, 2)
    y = np.linspace(fret.y_treble - reach[0], fret.y_bass + reach[1], 900)
    room = float(board.half_width(fret.x)) - 0.02
    y = np.clip(y, -room, room)
    out: dict[str, Mesh] = {}
    for name, sign in (("grime_nut", -1.0), ("grime_body", 1.0)):
        wide = amount * (0.12 + 0.5 * _wander(rng, len(y)))
        high = amount * (0.04 + 0.28 * _wander(rng, len(y)))
        r, h = fret.radius, fret.height
        within = np.minimum(y - fret.y_treble, fret.y_bass - y)
        cut = np.minimum(
            (y - fret.y_treble) / math.tan(math.radians(max(fret.bevel_treble, 1.0))),
            (fret.y_bass - y) / math.tan(math.radians(max(fret.bevel_bass, 1.0))),
        )
        top = np.clip(np.minimum(high, cut), 0.0, h)
        inner = np.where(within > 0.0, np.sqrt(np.maximum(r * r - (r - h + top) ** 2, 0.0)), 0.0)
        beyond = np.clip(1.0 + within / max(float(reach.max()), 1e-6), 0.0, 1.0)
        x = np.stack([inner, (inner + fret.width / 2.0) / 2.0 + wide / 3.0, fret.width / 2.0 + wide * beyond], 1)
        lift = np.where(within > 0.0, top, 0.05 * beyond)
        z = np.stack([lift + 0.012, lift * 0.5 + 0.012, np.full(len(y), 0.004)], 1)
        yy = np.repeat(y[:, None], 3, 1)
        points = np.stack([fret.x + sign * x, yy, z + board.height(fret.x, yy)], -1)
        normal = np.broadcast_to([sign * 0.5, 0.0, 0.86], points.shape).copy()
        uv = np.stack([x / fret.width, (yy - y[0]) / (y[-1] - y[0])], -1)
        out[name] = _grid(points, normal, uv)
    return out


def _wander(rng: np.random.Generator, n: int) -> Array:
    """A smooth random line between 0 and 1."""
    knots = rng.uniform(0.0, 1.0, 26)
    return np.asarray(np.interp(np.linspace(0.0, 25.0, n), np.arange(26), knots))


def string_mesh(start: Array, stop: Array, diameter: float) -> Mesh:
    """A string as a tube from `start` to `stop`, both (3,)."""
    along = (stop - start) / np.linalg.norm(stop - start)
    side = np.cross(along, [0.0, 0.0, 1.0])
    side /= np.linalg.norm(side)
    a = np.linspace(0.0, 2.0 * math.pi, 25)
    ring = np.cos(a)[:, None] * side + np.sin(a)[:, None] * np.cross(side, along)
    points = np.stack([start + ring * diameter / 2.0, stop + ring * diameter / 2.0], 0)
    uv = np.stack(np.broadcast_arrays(np.array([[0.0], [1.0]]), a[None, :] / 7.0), -1)
    return _grid(points, np.stack([ring, ring], 0), uv)


def wire_meshes(wire: Wire) -> dict[str, Mesh]:
    """The wire's near face ``face`` in the plane x = 0 and its ``mantle`` running to x = length."""
    p = wire.profile()
    a = math.radians(wire.rotation)
    p = p @ np.array([[math.cos(a), math.sin(a)], [-math.sin(a), math.cos(a)]])
    ring = np.vstack([p, p[:1]])
    ring = ring[np.concatenate([[True], np.any(np.diff(ring, axis=0) != 0.0, axis=1)])]
    along = np.diff(ring, axis=0)
    out = np.column_stack([np.zeros(len(along)), -along[:, 1], along[:, 0]])  # outward for a clockwise outline
    quads, normals = [], []
    for (q0, q1), n in zip(itertools.pairwise(ring), out, strict=True):
        quads.append([[0.0, *q0], [0.0, *q1], [wire.length, *q1], [wire.length, *q0]])
        normals.append(np.tile(n / np.linalg.norm(n), (4, 1)))
    i = np.arange(len(quads))[:, None] * 4
    faces = np.concatenate([i + np.array(corner) for corner in ([0, 1, 2], [0, 2, 3])]).astype(np.int32)
    v = np.array(quads).reshape(-1, 3)
    mantle = _outward(Mesh(v, np.array(normals).reshape(-1, 3), v[:, :2] * [1 / wire.length, 0.2] + 0.5, faces))
    near = np.column_stack([np.zeros(len(p)), p])
    face = _outward(Mesh(near, np.tile([-1.0, 0.0, 0.0], (len(p), 1)), p / 8.0 + 0.5, _triangulate(p)))
    return {"face": face, "mantle": mantle}


def _triangulate(p: Array) -> NDArray[np.int32]:
    """Triangles of a section outline: its two mirrored halves pair up point by point."""
    n = len(p)
    k = np.arange(n // 2 - 1)
    a, b, c, d = k, k + 1, n - 2 - k, n - 1 - k
    return np.concatenate([np.column_stack([a, b, c]), np.column_stack([a, c, d])]).astype(np.int32)


def sheet_mesh(corners: Array) -> Mesh:
    """A flat sheet from its corners top left, top right, bottom right, bottom left (4, 3); v = 0 at the top."""
    normal = np.cross(corners[3] - corners[0], corners[1] - corners[0])
    return _flat_polygon(corners, normal, np.array([[0, 0], [1, 0], [1, 1], [0, 1.0]]))


def disc_mesh(centre: Array, diameter: float, thickness: float) -> dict[str, Mesh]:
    """A coin lying flat: its ``face`` at the height of `centre` and the ``rim`` below it."""
    a = np.linspace(0.0, 2.0 * math.pi, 721)
    ring = np.column_stack([np.cos(a), np.sin(a)])
    top = np.column_stack([centre[:2] + ring * diameter / 2.0, np.full(len(a), centre[2])])
    face = _flat_polygon(top[:-1], np.array([0, 0, 1.0]), ring[:-1] / 2 + 0.5)
    wall = np.stack([top, top - [0, 0, thickness]], 1)
    normal = np.repeat(np.column_stack([ring, np.zeros(len(a))])[:, None], 2, 1)
    uv = np.stack([np.repeat(a[:, None] / 6.3, 2, 1), np.tile([0.0, 1.0], (len(a), 1))], -1)
    return {"face": face, "rim": _grid(wall, normal, uv)}


def rounded_sheet_mesh(corners: Array, radius: float) -> Mesh:
    """A flat sheet with corners rounded to `radius`, as cards have them."""
    tl, tr, _, bl = corners
    ex, ey = tr - tl, bl - tl
    w, h = float(np.linalg.norm(ex)), float(np.linalg.norm(ey))
    ex, ey = ex / w, ey / h
    a = np.linspace(0.0, math.pi / 2, 40)
    arcs, x1, y1 = [], w - radius, h - radius
    for cx, cy, turn in ((x1, radius, -1), (x1, y1, 0), (radius, y1, 1), (radius, radius, 2)):
        t = a + turn * math.pi / 2
        arcs.append(np.column_stack([cx + radius * np.cos(t), cy + radius * np.sin(t)]))
    p = np.vstack(arcs)
    return _flat_polygon(tl + p[:, :1] * ex + p[:, 1:] * ey, np.cross(ey, ex), p / [w, h])
