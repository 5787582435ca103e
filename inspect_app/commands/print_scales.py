"""``inspect-app print-scales``: the strip and the backdrop, or the lens board, as a true-size PDF."""

from __future__ import annotations

import argparse

from calib.scales.print import write_scales_pdf
from calib.scales.print_lens_board import write_lens_board_pdf
from inspect_app.commands.files import free_place
from shared.errors import StoreError

__all__ = ["run"]


def run(options: argparse.Namespace) -> int:
    """Write the PDF and say how to print it."""
    try:
        free_place(options.out)
        (write_lens_board_pdf if options.lens else write_scales_pdf)(options.out, options.paper)
    except OSError as error:
        raise StoreError(
            f"{options.out} can't be written: {error.strerror}.", "Choose another place for it."
        ) from error
    if options.lens:
        print(f"{options.out}: print at 100 %, stick it flat on glass or stiff card, and measure both check bars.")
        return 0
    print(f"{options.out}: print at 100 %, measure the check bar, and give that length with the print.")
    return 0
