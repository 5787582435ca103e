"""What every answer says of its photo, scale and camera, whatever was measured."""

from __future__ import annotations

from calib.edge_response import EdgeResponse
from calib.photo import Photo
from calib.plane import Plane
from calib.scales.base import Scale
from inspect_app.measure.smallest_detectable import sharpness_summary
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import CameraSummary, Outline, PhotoSummary, ScaleSummary

__all__ = ["summaries"]


def summaries(
    photo: Photo, scale: Scale, plane: Plane, ask: Ask, response: EdgeResponse | None = None
) -> tuple[PhotoSummary, ScaleSummary, CameraSummary]:
    """What is kept of photo, scale and camera with every inspection; `response`: of its edges, if known."""
    outline = Outline("scale", tuple((float(x), float(y)) for x, y in scale.outline_px), closed=True)
    px_per_mm = plane.px_per_mm(plane.to_mm([[photo.width / 2, photo.height / 2]])[0])
    return (
        PhotoSummary(photo.name, photo.sha256, photo.width, photo.height),
        ScaleSummary(scale.kind, str(ask.scale_plane), plane.residual_px, plane.points, outline, scale.number),
        CameraSummary(
            plane.focal_px,
            plane.focal_source or photo.focal.source,
            plane.k1,
            plane.distance_mm,
            plane.tilt_deg,
            px_per_mm,
            sharpness_summary(photo, scale, px_per_mm, response),
        ),
    )
