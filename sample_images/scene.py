"""The scene a photo is rendered from: meshes with their materials, lamps, surroundings; and the rendering itself.

Needs the ``render`` extra. Mitsuba renders on a graphics card where there is one, through LLVM where that is found,
and otherwise with its scalar code.
"""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sample_images.camera import Camera
from sample_images.solids import Mesh

__all__ = [
    "Lamp",
    "Thing",
    "Scene",
    "render",
    "metal",
    "TINTS",
    "paper",
    "wood_material",
    "worn_wood",
    "matt",
    "etched_steel",
]

Material = dict[str, Any]
TINTS: dict[str, tuple[tuple[float, float, float], tuple[float, float, float], float]] = {
    "nickel": ((1.95, 1.80, 1.62), (3.70, 3.35, 2.95), 1.0),
    "gold": ((0.45, 0.62, 1.20), (3.40, 2.60, 2.05), 1.0),
    "steel": ((2.90, 2.85, 2.70), (3.10, 3.05, 2.90), 1.0),
    "dull": ((1.95, 1.80, 1.62), (3.70, 3.35, 2.95), 2.6),
}
"""Complex refractive index for red, green, blue, and how many times as rough as polished: a nickel-rich alloy, a
copper alloy, stainless steel, tarnished nickel (from memory; only the look depends on it)."""


@dataclass(frozen=True, slots=True)
class Lamp:
    """A rectangular lamp: where, aimed at, half sizes in mm, radiance and tint."""

    position: tuple[float, float, float]
    aim: tuple[float, float, float]
    half: tuple[float, float]
    radiance: float
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)


@dataclass(frozen=True)
class Thing:
    """A mesh and what it is made of."""

    mesh: Mesh
    material: Material


@dataclass(frozen=True)
class Scene:
    """Things, lamps and the surroundings' picture with its strength."""

    things: list[Thing] = field(default_factory=list)
    lamps: list[Lamp] = field(default_factory=list)
    room: NDArray[np.float32] | None = None
    ambient: float = 0.3


def _texture(picture: NDArray[np.float32], nearest: bool = False, raw: bool = False) -> Material:
    """A bitmap texture, first row at v = 0."""
    import mitsuba as mi

    grey = picture if picture.ndim == 3 else picture[:, :, None]
    return {
        "type": "bitmap",
        "bitmap": mi.Bitmap(np.ascontiguousarray(grey, dtype=np.float32)),
        "raw": True if raw else not nearest,
        "filter_type": "nearest" if nearest else "bilinear",
        "wrap_mode": "clamp",
    }


def metal(
    alpha: float,
    relief: NDArray[np.float32] | None = None,
    along: float = 1.0,
    facets: str = "ggx",
    tint: str = "nickel",
) -> Material:
    """Rough fret metal; `relief` is a height picture in mm, `along` how much rougher it is across than along.

    `facets` is the law of their tilt: "ggx" (Trowbridge and Reitz) or "beckmann", which has no steep ones.
    """
    eta, k, rougher = TINTS[tint]
    bare: Material = {
        "type": "roughconductor",
        "distribution": facets,
        "eta": {"type": "rgb", "value": list(eta)},
        "k": {"type": "rgb", "value": list(k)},
        "alpha_u": min(1.0, alpha * rougher * along),
        "alpha_v": min(1.0, alpha * rougher),
    }
    if relief is None:
        return {"type": "twosided", "bsdf": bare}
    bumpy = {"type": "bumpmap", "t": _texture(relief, raw=True), "scale": 1.0, "bsdf": bare}
    return {"type": "twosided", "bsdf": bumpy}


def matt(picture: NDArray[np.float32] | tuple[float, float, float]) -> Material:
    """A diffuse surface of one colour or with a picture on it."""
    colour = {"type": "rgb", "value": list(picture)} if isinstance(picture, tuple) else _texture(picture)
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": colour}}


def paper(picture: NDArray[np.float32]) -> Material:
    """A print with edges as sharp as its texels."""
    return {"type": "twosided", "bsdf": {"type": "diffuse", "reflectance": _texture(picture, nearest=True, raw=True)}}


def wood_material(picture: NDArray[np.float32], alpha: float) -> Material:
    """Finished wood: a diffuse body under a thin, rough, clear surface."""
    body = {"type": "roughplastic", "diffuse_reflectance": _texture(picture), "alpha": alpha, "int_ior": 1.4}
    return {"type": "twosided", "bsdf": body}


def worn_wood(picture: NDArray[np.float32], alpha: float, worn: NDArray[np.float32], worn_alpha: float) -> Material:
    """Wood whose finish is as rough as `worn_alpha` where `worn` is 1."""
    a, b = (wood_material(picture, rough)["bsdf"] for rough in (alpha, worn_alpha))
    return {"type": "twosided", "bsdf": {"type": "blendbsdf", "weight": _texture(worn, raw=True), "a": a, "b": b}}


def etched_steel(picture: NDArray[np.float32]) -> Material:
    """Satin steel where the picture is 1, black where it is 0."""
    black = {"type": "diffuse", "reflectance": {"type": "rgb", "value": 0.02}}
    weight = _texture(picture, nearest=True, raw=True)
    blend = {"type": "blendbsdf", "weight": weight, "a": black, "b": metal(0.35)["bsdf"]}
    return {"type": "twosided", "bsdf": blend}


def _variant() -> None:
    import mitsuba as mi

    for name in ("cuda_ad_rgb", "llvm_ad_rgb", "scalar_rgb"):
        try:
            mi.set_variant(name)
            mi.load_dict({"type": "sphere"})
        except (ImportError, RuntimeError):
            continue
        return
    raise RuntimeError("no usable variant of the renderer")


def _lamp(lamp: Lamp) -> Material:
    import mitsuba as mi

    up = [0, 0, 1] if abs(lamp.position[2] - lamp.aim[2]) < 0.9 * math.dist(lamp.position, lamp.aim) else [0, 1, 0]
    place = mi.ScalarTransform4f().look_at(list(lamp.position), list(lamp.aim), up)
    place = place @ mi.ScalarTransform4f().scale([*lamp.half, 1.0])
    light = {"type": "rgb", "value": [lamp.radiance * t for t in lamp.tint]}
    return {"type": "rectangle", "to_world": place, "emitter": {"type": "area", "radiance": light}}


def _surroundings(scene: Scene) -> Material:
    import mitsuba as mi

    if scene.room is None:
        return {"type": "constant", "radiance": {"type": "rgb", "value": scene.ambient}}
    upright = mi.ScalarTransform4f().rotate([1, 0, 0], 90)
    return {"type": "envmap", "bitmap": mi.Bitmap(scene.room), "scale": scene.ambient, "to_world": upright}


def _sensor(camera: Camera, size: tuple[int, int]) -> Material:
    import mitsuba as mi

    place = mi.ScalarTransform4f().look_at(list(camera.position), list(camera.aim), list(camera.up))
    wide = 2.0 * math.degrees(math.atan(size[0] / 2.0 / camera.focal_px))
    return {
        "type": "thinlens",
        "to_world": place,
        "fov": wide,
        "fov_axis": "x",
        "aperture_radius": camera.aperture_radius,
        "focus_distance": math.dist(camera.position, camera.aim),
        "near_clip": 1.0,
        "far_clip": 5000.0,
        "film": {
            "type": "hdrfilm",
            "width": size[0],
            "height": size[1],
            "rfilter": {"type": "box"},
            "pixel_format": "rgb",
            "component_format": "float32",
        },
    }


def render(scene: Scene, camera: Camera, spp: int, seed: int, depth: int = 3) -> NDArray[np.float32]:
    """Linear light of the ideal picture of the camera's `ideal_size`, float32 (rows, cols, 3).

    Few, well-spread paths a pixel (`spp` 4, 16, 64 ...) are cleaned by Open Image Denoise, guided by pictures of
    colour and surface direction; without it the picture is as noisy as it was sampled.
    """
    _variant()
    import mitsuba as mi

    size = camera.ideal_size
    guides = {"type": "aov", "aovs": "colour:albedo,facing:sh_normal", "light": {"type": "path", "max_depth": depth}}
    with tempfile.TemporaryDirectory() as folder:
        parts: dict[str, Any] = {"type": "scene", "integrator": guides}
        for i, thing in enumerate(scene.things):
            path = Path(folder) / f"{i}.ply"
            thing.mesh.write(path)
            parts[f"thing{i}"] = {"type": "ply", "filename": str(path), "bsdf": thing.material}
        parts |= {f"lamp{i}": _lamp(lamp) for i, lamp in enumerate(scene.lamps)}
        sensor = _sensor(camera, size) | {"sampler": {"type": "ldsampler", "sample_count": spp}}
        world = mi.load_dict(parts | {"room": _surroundings(scene), "camera": sensor})
        layers = np.array(mi.render(world, spp=spp, seed=seed), dtype=np.float32)
    return _clean(*(np.ascontiguousarray(layers[:, :, i : i + 3]) for i in (0, 3, 6)))


def _clean(light: NDArray[np.float32], albedo: NDArray[np.float32], normal: NDArray[np.float32]) -> NDArray[np.float32]:
    try:
        import mitsuba_oidn as oidn
    except ImportError:
        return light
    return np.asarray(oidn.denoise(light, albedo, normal, hdr=True, quality=oidn.Quality.Balanced), dtype=np.float32)
