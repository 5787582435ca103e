"""What nobody foresaw, turned into an answer: no photo, however odd, ends in an exception or takes others with it."""

from __future__ import annotations

import json
import math
import platform
import traceback
from collections.abc import Callable
from dataclasses import replace
from functools import wraps
from typing import Concatenate, ParamSpec, TypeVar

from calib.photo import Photo
from inspect_app import __version__
from inspect_app.reading.ask import Ask
from inspect_app.reading.inspection import Inspection
from shared.errors import InspectError, UnforeseenError

__all__ = ["finite", "with_sentence"]

P = ParamSpec("P")
R = TypeVar("R")
Step = Callable[Concatenate[Photo, Ask, P], R]


def with_sentence(step: Step[P, R]) -> Step[P, R]:
    """The same step of measuring, with any error that has no sentence of its own raised as an `UnforeseenError`.

    Warnings turned into errors pass: only tests ask for that.
    """

    @wraps(step)
    def guarded(photo: Photo, ask: Ask, /, *args: P.args, **kwargs: P.kwargs) -> R:
        try:
            return step(photo, ask, *args, **kwargs)
        except (InspectError, Warning):
            raise
        except Exception as error:
            raise _unforeseen(error, photo, ask) from error

    return guarded


def finite(answer: Inspection) -> Inspection:
    """The answer, without checks that came to no number, if every other number in it is one.

    Raises
    ------
    ValueError
        If one is infinite or not a number: neither JSON nor a person can read that.
    """
    answer = replace(answer, checks={name: v for name, v in answer.checks.items() if math.isfinite(v)})
    json.dumps(answer.to_dict(), allow_nan=False)
    return answer


def _unforeseen(error: Exception, photo: Photo, ask: Ask) -> UnforeseenError:
    """What happened and all that is needed to have it happen again, but neither the photo nor its name."""
    lines = (
        f"version {__version__}, Python {platform.python_version()}, {platform.system()} {platform.machine()}",
        f"photo {photo.sha256}, {photo.width} x {photo.height} pixels",
        f"asked {json.dumps(ask.to_dict(), default=str)}",
        "".join(traceback.format_exception(error)),
    )
    return UnforeseenError(type(error).__name__, "\n".join(lines))
