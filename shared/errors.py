"""Errors a person can act on: each says what is wrong and what to do about it."""

from __future__ import annotations

from typing import Any

__all__ = ["InspectError", "PhotoError", "ScaleError", "OptionError", "StoppedError", "StoreError", "UnforeseenError"]


class InspectError(Exception):
    """Base of every error meant for the person at the bench.

    Parameters
    ----------
    wrong : str
        One sentence: what is wrong.
    advice : str
        One sentence: what to do next.
    of : str
        Name of the field it is about; empty where it is about none, or several.
    """

    def __init__(self, wrong: str, advice: str, of: str = "") -> None:
        super().__init__(f"{wrong} {advice}")
        self.wrong = wrong
        self.advice = advice
        self.of = of

    def at(self, of: str) -> InspectError:
        """The same, about the field `of`."""
        self.of = of
        return self

    def __reduce__(self) -> tuple[Any, ...]:
        """Handed on between processes as it is."""
        return type(self), (self.wrong, self.advice), self.__dict__


class PhotoError(InspectError):
    """The file is not a photo that can be measured."""


class StoppedError(PhotoError):
    """Reading a photo took too long, needed too much memory, or took its process down, and was stopped."""

    def __init__(self, wrong: str, advice: str = "Save it anew as a JPEG of normal size, or take another one.") -> None:
        super().__init__(wrong, advice)


class ScaleError(InspectError):
    """No usable scale in the photo: without one there are no millimetres."""


class OptionError(InspectError):
    """An option is unknown or contradicts another."""


class StoreError(InspectError):
    """The data folder cannot be read or written."""


class UnforeseenError(InspectError):
    """Measuring a photo failed in a way nobody foresaw; `report` tells a maintainer how, and holds nothing private."""

    def __init__(self, kind: str, report: str) -> None:
        super().__init__(
            f"This photo could not be measured for a reason nobody foresaw ({kind}).",
            "Take another one, or a larger piece of this one; nothing that is stored has changed.",
        )
        self.kind = kind
        self.report = report

    def __reduce__(self) -> tuple[Any, ...]:
        return type(self), (self.kind, self.report), self.__dict__
