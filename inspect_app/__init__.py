"""Fretted instruments: what to measure on them, the jobs, the pages."""

from importlib.metadata import PackageNotFoundError, version

try:
    __version__ = version("inspect-app")
except PackageNotFoundError:  # run from a source tree that is not installed
    __version__ = "0+unknown"
