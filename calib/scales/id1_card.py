"""The form of a bank card, ISO/IEC 7810 size ID-1: on its own plane in millimetres, y up, origin in its middle."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass
from functools import cache
from importlib import resources

import cv2
import numpy as np
from numpy.typing import NDArray

__all__ = [
    "Card",
    "card",
    "rectangle",
    "homography",
    "corner_arcs",
    "edges_between_corners",
    "edges_continued",
    "outline",
]

Vector = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Card:
    """Size of a card in mm: long side, short side, corner radius, thickness, and u of the long side."""

    length: float
    height: float
    corner_radius: float
    thickness: float
    u_length: float
    source: str


@cache
def card() -> Card:
    """The size ID-1, from the table with its sources."""
    table = tomllib.loads(resources.files("shared").joinpath("tables/cards.toml").read_text(encoding="utf-8"))["id1"]
    limits = table["length_limits_mm"]
    u = (limits[1] - limits[0]) / 2.0 / math.sqrt(3.0)
    return Card(
        table["length_mm"], table["height_mm"], table["corner_radius_mm"], table["thickness_mm"], u, table["source"]
    )


def rectangle(size: Card) -> Vector:
    """Corners of the sharp rectangle round the card's edges, y up, clockwise as seen: top left first; shape (4, 2)."""
    x, y = size.length / 2.0, size.height / 2.0
    return np.array([[-x, y], [x, y], [x, -y], [-x, -y]])


def homography(q: Vector, size: Card) -> Vector:
    """From the card's millimetres to the photo, by its sharp corners q (4, 2)."""
    return np.asarray(cv2.getPerspectiveTransform(rectangle(size).astype(np.float32), q.astype(np.float32)))


def corner_arcs(size: Card) -> tuple[Vector, Vector]:
    """Points in the middle of each round corner, and outward normals: a sharp corner's edges are not within reach."""
    turn, r = np.radians(np.arange(25.0, 66.0, 5.0)), size.corner_radius
    parts = []
    for cx, cy in ((1, 1), (-1, 1), (-1, -1), (1, -1)):
        n = np.column_stack([cx * np.cos(turn), cy * np.sin(turn)])
        parts.append((np.array([cx * (size.length / 2.0 - r), cy * (size.height / 2.0 - r)]) + r * n, n))
    return np.concatenate([p for p, _ in parts]), np.concatenate([n for _, n in parts])


def edges_between_corners(size: Card) -> tuple[Vector, Vector]:
    """Points every 2 mm on the edges between the corners, and outward normals."""
    r, x, y = size.corner_radius, size.length / 2.0, size.height / 2.0
    sx, sy = np.arange(-x + r, x - r, 2.0), np.arange(-y + r, y - r, 2.0)
    parts = [(np.column_stack([sx, np.full_like(sx, s * y)]), np.tile([0.0, s], (len(sx), 1))) for s in (1.0, -1.0)]
    parts += [(np.column_stack([np.full_like(sy, s * x), sy]), np.tile([s, 0.0], (len(sy), 1))) for s in (1.0, -1.0)]
    return np.concatenate([p for p, _ in parts]), np.concatenate([n for _, n in parts])


def edges_continued(size: Card) -> tuple[Vector, Vector]:
    """Points on the continuations of the edges, 1 to 5 mm past the sharp corners, where a card has no edge any more."""
    x, y, t = size.length / 2.0, size.height / 2.0, np.arange(1.0, 5.5, 1.0)
    points, normals = [], []
    for sx in (1.0, -1.0):
        for sy in (1.0, -1.0):
            points += [np.column_stack([sx * (x + t), np.full_like(t, sy * y)])]
            points += [np.column_stack([np.full_like(t, sx * x), sy * (y + t)])]
            normals += [np.tile([0.0, sy], (len(t), 1)), np.tile([sx, 0.0], (len(t), 1))]
    return np.concatenate(points), np.concatenate(normals)


def outline(q: Vector, size: Card) -> Vector:
    """The rounded outline on the photo."""
    h = homography(q, size)
    r, x, y = size.corner_radius, size.length / 2.0, size.height / 2.0
    turn = np.radians(np.arange(0.0, 91.0, 15.0))
    parts = []
    for cx, cy, start in ((1, 1, 0.0), (-1, 1, 90.0), (-1, -1, 180.0), (1, -1, 270.0)):
        a = turn + math.radians(start)
        parts.append(np.array([cx * (x - r), cy * (y - r)]) + r * np.column_stack([np.cos(a), np.sin(a)]))
    return np.asarray(cv2.perspectiveTransform(np.concatenate(parts)[None], h)[0])
