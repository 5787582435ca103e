"""Names of what lies in a data folder."""

from __future__ import annotations

__all__ = ["DATABASE", "PHOTOS", "PREVIEWS", "REPORTS"]

DATABASE = "jobs.sqlite"
PHOTOS = "photos"
PREVIEWS = "previews"
REPORTS = "reports"
"""What nobody foresaw, for whoever mends the program."""
