"""Renders photos of frets of known geometry.

``python -m sample_images.render --view plan --seed 7 --out DIR`` draws and renders one check photo;
``python -m sample_images.render --demo`` renders the demo job's photos again. Needs the ``render`` extra.
"""

from __future__ import annotations

import argparse
import json
import time
from functools import partial
from pathlib import Path

import numpy as np

from inspect_app.reading.ask import parse_held
from sample_images.camera import develop, encode
from sample_images.draws import CONDITIONS, Wish, draw
from sample_images.scene import TINTS, render
from sample_images.shots import LIGHTS, Shot
from sample_images.textures import WOODS

__all__ = ["take", "main"]

SAMPLES = 4
"""Paths a pixel, a power of 4; scratched metal needs 16, or the cleaning takes scratches for noise."""


def take(shot: Shot, name: str, folder: Path, seed: int, spp: int = SAMPLES) -> Path:
    """Render, develop and write ``name.jpg`` and ``name.json``; returns the photo's path."""
    light = render(shot.scene, shot.camera, spp, seed)
    rgb = develop(light, shot.camera, shot.sensor, np.random.default_rng(seed + 1))
    folder.mkdir(parents=True, exist_ok=True)
    photo = folder / f"{name}.jpg"
    photo.write_bytes(encode(rgb, shot.camera, shot.sensor))
    photo.with_suffix(".json").write_text(json.dumps(shot.truth | {"photo": photo.name}, indent=1) + "\n")
    return photo


def _options() -> argparse.Namespace:
    p = argparse.ArgumentParser(description="Render photos of frets of known geometry.")
    p.add_argument("--view", choices=("plan", "elevation", "end", "section", "side"), default="plan")
    p.add_argument("--seed", type=int, default=1)
    p.add_argument("--out", type=Path, default=Path())
    p.add_argument("--name")
    p.add_argument("--wood", choices=tuple(WOODS))
    p.add_argument("--light", choices=tuple(dict.fromkeys(n for names in LIGHTS.values() for n in names)))
    p.add_argument("--condition", choices=tuple(CONDITIONS))
    p.add_argument(
        "--scale",
        default="strip",
        help="strip, rule, id1 or coin:DIAMETER (plan); tongue (side)",
    )
    p.add_argument("--used", type=float, help="how scratched the metal is, 0 to 1")
    p.add_argument("--end", choices=("treble", "bass"))
    p.add_argument("--elevation", type=float, help="camera above the board plane, degrees (elevation and end)")
    p.add_argument("--board-radius", type=float, help="mm; inf for a flat board")
    p.add_argument("--facets", choices=("ggx", "beckmann"), default="ggx", help="law of the metal's roughness")
    p.add_argument("--tint", choices=tuple(TINTS), help="colour and polish of the metal")
    p.add_argument("--grime", type=float, help="width of the dirt along the frets' feet, mm (0.5 to 1 is much)")
    p.add_argument("--strings", action="store_true", help="leave the strings on (plan only)")
    p.add_argument("--shapes", action="store_true", help="hollows that are lopsided, flat-bottomed or narrow")
    p.add_argument("--board-wear", type=float, help="how much of the board is worn between the frets, 0 to 1 (plan)")
    p.add_argument("--held", type=parse_held, help="frets the string is held down on: 1,16; 0 for open (side)")
    p.add_argument("--high", type=float, default=0.0, help="how far one fret in the photo stands up, mm (side)")
    p.add_argument("--nut-right", action="store_true")
    p.add_argument("--megapixels", type=float, default=12.0)
    p.add_argument("--spp", type=int, default=SAMPLES)
    p.add_argument("--demo", action="store_true", help="render the demo job's photos into --out")
    p.add_argument("--only", help="with --demo: only photos whose name contains this")
    return p.parse_args()


def main() -> None:
    """Entry point."""
    a = _options()
    if a.demo:
        from sample_images.demo_shots import demo_shots

        shots = {name: shot for name, shot in demo_shots().items() if not a.only or a.only in name}
    else:
        wish = Wish(
            a.wood,
            a.light,
            a.condition,
            a.scale,
            a.used,
            a.end,
            a.nut_right,
            a.elevation,
            a.board_radius,
            a.facets,
            a.tint,
            a.grime,
            a.strings,
            a.shapes,
            a.board_wear,
            a.held if a.held is None else tuple(n for n in a.held if n),
            a.high,
        )
        shots = {a.name or f"{a.view}-{a.seed}": partial(draw, a.view, a.seed, wish, a.megapixels)}
    for name, shot in shots.items():
        start = time.perf_counter()
        photo = take(shot(), name, a.out, a.seed, a.spp)
        print(f"{photo}  {time.perf_counter() - start:.0f} s", flush=True)


if __name__ == "__main__":
    main()
