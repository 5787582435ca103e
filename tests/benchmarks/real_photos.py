"""Real photographs against what is known of them: lengths over printed boards, and coins of known kinds.

    python -m tests.benchmarks.real_photos boards FOLDER [--every K/N]
    python -m tests.benchmarks.real_photos coins FOLDER [--every K/N]

`boards`: photos of a sheet of 20 markers (dictionary 6x6_1000, four across, 37.5 mm, 5 mm between). Each two by two of
them are given as the scale; the distances of all corners seen are held against U, which is made of the plane's pose and
lens, where the edges were read, and how level a sheet lies. With `--flat` the sheet
is taken for flat. `coins`: photos with a text file beside each, a line a coin
(class, centre and size as shares of the photo); each coin is pointed at. `--every 0/2` takes every second photo, from
the first.
"""

from __future__ import annotations

import argparse
import math
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np

from calib.photo import Photo, open_photo
from calib.plane import Plane
from calib.pose_fit import fit_plane
from calib.scales.coin import find_coin
from calib.scales.printed import U_SIDE_PX, Marker, SeenMarker, as_printed_scale, measured_markers
from calib.unflat import U_SHEET_MM, heights_covariance
from shared.errors import OptionError, ScaleError

ACROSS, DOWN, SIDE, PITCH = 4, 5, 37.5, 42.5
LAYOUT = {n: Marker(n, n % ACROSS * PITCH, n // ACROSS * PITCH, SIDE) for n in range(ACROSS * DOWN)}
OUTWARD = np.array([[-1.0, 1.0], [1.0, 1.0], [1.0, -1.0], [-1.0, -1.0]])  # of a marker's corners
COINS_MM = (16.25, 18.75, 21.25, 19.75, 22.25, 24.25, 23.25, 25.75)
LABELS_U = 0.02  # of a coin's size: a frame of 150 px drawn by hand, to a pixel or two on either side


def taken(folder: Path, every: str) -> list[Path]:
    first, step = (int(n) for n in every.split("/"))
    return sorted(folder.glob("*.jpg"))[first::step]


def markers(photo: Photo) -> dict[int, SeenMarker]:
    """Markers of which all four sides are straight."""
    words = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_6X6_1000)
    corners, ids, _ = cv2.aruco.ArucoDetector(words).detectMarkers(photo.gray)
    numbers = tuple(int(n) for n in np.ravel(ids))
    seen = measured_markers(photo, numbers, np.reshape(corners, (-1, 4, 2)).astype(float))
    return {m.id: m for m in seen if m.id in LAYOUT and all(s is not None for s in m.sides)}


def u_corner_px(m: SeenMarker) -> np.ndarray:
    """Standard uncertainty of each corner, px, by the two sides that cross there."""
    u = []
    for k in range(4):
        of_sides = [
            math.hypot(s.u_offset, s.u_angle * float(np.linalg.norm(m.corners_px[k] - s.point)), U_SIDE_PX)
            for s in (m.sides[k - 1], m.sides[k])
            if s is not None
        ]
        u.append(math.hypot(*of_sides) / math.sqrt(2.0))
    return np.array(u)


def shares_of_u(photo: Photo, seen: dict[int, SeenMarker], block: list[int], u_flat_mm: float) -> np.ndarray:
    """Errors over U of all lengths between two corners."""
    given = tuple(seen[n] for n in block)
    at = np.concatenate([LAYOUT[n].corners() for n in block])
    h = np.asarray(cv2.findHomography(at, np.concatenate([m.corners_px for m in given]))[0], dtype=np.float64)
    scale = as_printed_scale("strip", given, LAYOUT, h, (ACROSS * PITCH, DOWN * PITCH))
    plane = fit_plane(replace(scale, u_rel=0.0, u_flat_mm=u_flat_mm), (photo.width, photo.height), photo.focal)
    px = np.concatenate([m.corners_px for m in seen.values()])
    true = np.concatenate([LAYOUT[n].corners() for n in seen])
    u_read = np.concatenate([u_corner_px(m) for m in seen.values()]) / plane.px_per_mm(true.mean(axis=0))
    a, b = np.triu_indices(len(px), 1)

    def lengths(p: Plane, rise: np.ndarray | float = 0.0) -> np.ndarray:
        mm = p.to_mm(px, rise) - plane.outward_mm * np.tile(OUTWARD, (len(seen), 1))
        return np.asarray(np.linalg.norm(mm[a] - mm[b], axis=1))

    error = lengths(plane) - np.linalg.norm(true[a] - true[b], axis=1)
    return np.asarray(
        np.abs(error)
        / (
            2.0
            * np.sqrt(
                plane.u_of(lengths) ** 2 + u_read[a] ** 2 + u_read[b] ** 2 + u_level(plane, px, a, b, u_flat_mm) ** 2
            )
        )
    )


def u_level(plane: Plane, px: np.ndarray, a: np.ndarray, b: np.ndarray, u_flat_mm: float) -> np.ndarray:
    """What heights of a sheet do to the lengths between its places, mm."""
    mm = plane.to_mm(px)
    by_height = plane.to_mm(px, 1.0) - mm
    along = (mm[b] - mm[a]) / np.maximum(np.linalg.norm(mm[b] - mm[a], axis=1), 1e-9)[:, None]
    one, other = (np.einsum("ij,ij->i", by_height[k], along) for k in (a, b))
    cov = heights_covariance(mm, u_flat_mm)
    return np.asarray(np.sqrt(np.maximum(one**2 * cov[a, a] + other**2 * cov[b, b] - 2 * one * other * cov[a, b], 0)))


def boards(paths: list[Path], u_flat_mm: float) -> None:
    every, refused = [], Counter[str]()
    for path in paths:
        photo = open_photo(path.read_bytes(), path.name)
        seen, of_photo = markers(photo), []
        for n in (r * ACROSS + c for r in range(DOWN - 1) for c in range(ACROSS - 1)):
            block = [n, n + 1, n + ACROSS, n + ACROSS + 1]
            if all(k in seen for k in block):
                try:
                    of_photo.append(shares_of_u(photo, seen, block, u_flat_mm))
                except ScaleError as error:
                    refused[str(error)] += 1
        if of_photo:
            every.append(np.concatenate(of_photo))
            print(f"{path.name:24} {len(of_photo):3} blocks, {np.mean(every[-1] <= 1.0):6.1%} of lengths inside U")
    shares = np.concatenate(every)
    wrong = np.mean(shares > 2.0)
    print(f"{len(every)} photos, {len(shares)} lengths: {np.mean(shares <= 1.0):.1%} inside U, {wrong:.2%} beyond 2 U")
    print("refused:", dict(refused) or "none")


def labels(path: Path, photo: Photo) -> Iterator[tuple[float, tuple[float, float], float]]:
    """Diameter in mm, centre and diameter in px of each coin."""
    for line in path.with_suffix(".txt").read_text().splitlines():
        kind, x, y, w, h = (float(word) for word in line.split())
        size = (w * photo.width + h * photo.height) / 2.0
        yield COINS_MM[int(kind)], (x * photo.width, y * photo.height), size


def coins(paths: list[Path]) -> None:
    found, refused, wrong = 0, Counter[str](), []
    for path in paths:
        photo = open_photo(path.read_bytes(), path.name)
        for n, (diameter, at, size_px) in enumerate(labels(path, photo)):
            try:
                scale = find_coin(photo, diameter, at_px=at)
                plane = fit_plane(scale, (photo.width, photo.height), photo.focal)
            except (ScaleError, OptionError) as error:
                refused[str(error)] += 1
                continue
            found += 1
            off = plane.px_per_mm() * diameter / size_px - 1.0
            u = math.hypot(float(plane.u_of(lambda p: math.log(p.px_per_mm()))), plane.u_rel)
            if abs(off) > 2.0 * math.hypot(u, LABELS_U):
                wrong.append(f"{path.stem}.{n} {off:+.1%}, U {2.0 * u:.1%} {' '.join(scale.flags)}")
    print(f"{len(paths)} photos: {found} of {found + sum(refused.values())} coins found, {len(wrong)} wrong", *wrong)
    print("refused:", dict(refused) or "none")


def main(arguments: list[str]) -> int:
    parser = argparse.ArgumentParser(prog="real_photos", description=__doc__)
    parser.add_argument("what", choices=["boards", "coins"])
    parser.add_argument("folder", type=Path)
    parser.add_argument("--every", default="0/1")
    parser.add_argument("--flat", action="store_true")
    options = parser.parse_args(arguments)
    paths = taken(options.folder, options.every)
    boards(paths, 0.0 if options.flat else U_SHEET_MM) if options.what == "boards" else coins(paths)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
