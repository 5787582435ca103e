"""``inspect-app print-scales``: the strip and the backdrop as a true-size PDF."""

from __future__ import annotations

import argparse

from calib.scales.print import write_scales_pdf
from shared.errors import StoreError

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Write the PDF and say how to print it."""
    try:
        write_scales_pdf(options.out, options.paper)
    except OSError as error:
        raise StoreError(
            f"{options.out} can't be written: {error.strerror}.", "Choose another place for it."
        ) from error
    print(f"{options.out}: print at 100 %, measure the check bar, and give that length with the print.")
    return 0
