"""One function a user action: load, compute, save. Pages and commands call these and nothing below them.

Every function takes the open store first, runs as one transaction, and raises `shared.errors.InspectError` with a
sentence for the person when it cannot be done; what was stored before is then as it was. The functions of deciding,
estimating, papers and exporting are called from those modules by name, so that measuring need not load them.
"""

from inspect_app.jobs.details import FIRST_VISIT, VIEW_OR_FINDING, InstrumentDetails, JobDetails, instrument_of
from inspect_app.jobs.opening import open_store
from inspect_app.jobs.records import (
    AddedPhoto,
    Found,
    HandView,
    InspectionView,
    JobRow,
    JobView,
    JudgementView,
    PhotoView,
    PrintView,
    ReadingView,
    Stage,
    StoreCheck,
    Verdict,
    VisitView,
)
from inspect_app.jobs.store import Store
from inspect_app.services.backups import Backup, back_up, restore
from inspect_app.services.hand import (
    HandKind,
    hand_measures,
    keep_hand_measure,
    measure_by_hand,
    plane_of,
    remove_hand_measure,
    restore_hand_measure,
)
from inspect_app.services.jobs import add_visit, create_job, find_jobs, job_numbered, job_view, update_job
from inspect_app.services.measuring import (
    earlier_inspections,
    first_look,
    inspection_view,
    make_ready,
    measure_again,
    measure_photo,
    place_edge,
    restore_inspection,
    suggested_ask,
    undo,
)
from inspect_app.services.photos import (
    add_photo,
    categories,
    photo_path,
    photo_view,
    remove_photo,
    restore_photo,
    update_photo,
)
from inspect_app.services.review import accept_sure, history, judge, readings
from inspect_app.services.shop import add_print, get_setting, prints, put_setting
from inspect_app.services.upkeep import check_store

__all__ = [
    "FIRST_VISIT",
    "HandKind",
    "VIEW_OR_FINDING",
    "AddedPhoto",
    "Backup",
    "Found",
    "HandView",
    "InspectionView",
    "InstrumentDetails",
    "JobDetails",
    "JobRow",
    "JobView",
    "JudgementView",
    "PhotoView",
    "PrintView",
    "ReadingView",
    "Stage",
    "Store",
    "StoreCheck",
    "Verdict",
    "VisitView",
    "accept_sure",
    "add_photo",
    "add_print",
    "add_visit",
    "back_up",
    "categories",
    "check_store",
    "create_job",
    "earlier_inspections",
    "find_jobs",
    "first_look",
    "get_setting",
    "hand_measures",
    "history",
    "inspection_view",
    "instrument_of",
    "job_numbered",
    "job_view",
    "judge",
    "keep_hand_measure",
    "make_ready",
    "measure_again",
    "measure_by_hand",
    "measure_photo",
    "open_store",
    "photo_path",
    "photo_view",
    "place_edge",
    "plane_of",
    "prints",
    "put_setting",
    "readings",
    "remove_hand_measure",
    "remove_photo",
    "restore",
    "restore_hand_measure",
    "restore_inspection",
    "restore_photo",
    "suggested_ask",
    "undo",
    "update_job",
    "update_photo",
]
