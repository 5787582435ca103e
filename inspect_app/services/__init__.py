"""One function a user action: load, compute, save. Pages and commands call these and nothing below them.

Every function takes the open store first, runs as one transaction, and raises `shared.errors.InspectError` with a
sentence for the person when it cannot be done; what was stored before is then as it was. The functions of deciding,
estimating, papers and exporting are called from those modules by name, so that measuring need not load them.
"""

from importlib import import_module
from typing import TYPE_CHECKING

from inspect_app.jobs.details import AFTER, FIRST_VISIT, VIEW_OR_FINDING, InstrumentDetails, JobDetails, instrument_of
from inspect_app.jobs.opening import open_store
from inspect_app.jobs.records import (
    BY_HAND,
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
    Standing,
    StoreCheck,
    Verdict,
    VisitView,
)
from inspect_app.jobs.store import Store
from inspect_app.services.prints import (
    add_print,
    known_prints,
    measure_print,
    new_print,
    new_sheet,
    print_numbered,
    prints,
    retire_print,
)
from inspect_app.services.progress import Progress, progress

if TYPE_CHECKING:
    from inspect_app.services.backups import Backup, back_up, restore
    from inspect_app.services.by_feature import FeatureView, Left, features, left_to_decide
    from inspect_app.services.hand import (
        HandKind,
        hand_measures,
        keep_hand_measure,
        measure_by_hand,
        plane_of,
        remove_hand_measure,
        restore_hand_measure,
    )
    from inspect_app.services.jobs import (
        add_visit,
        create_job,
        find_jobs,
        job_numbered,
        job_view,
        set_standing,
        update_job,
    )
    from inspect_app.services.measuring import (
        earlier_inspections,
        inspection_view,
        make_ready,
        measure_photo,
        place_edge,
        restore_inspection,
        suggested_ask,
        undo,
    )
    from inspect_app.services.measuring_queue import (
        Queued,
        Turn,
        forget,
        go_on,
        put_in_queue,
        queue_of,
        stop_queue,
        wait_for_queue,
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
    from inspect_app.services.proposing import FirstFret, FirstSight, first_look, told_view
    from inspect_app.services.review import (
        Judged,
        accept_placed,
        accept_sure,
        doubts_of,
        history,
        judge,
        judge_all,
        readings,
        take_back,
    )
    from inspect_app.services.shop import get_setting, put_setting
    from inspect_app.services.upkeep import check_store

__all__ = [
    "AFTER",
    "BY_HAND",
    "FIRST_VISIT",
    "HandKind",
    "VIEW_OR_FINDING",
    "AddedPhoto",
    "Backup",
    "FeatureView",
    "FirstFret",
    "FirstSight",
    "Found",
    "HandView",
    "InspectionView",
    "InstrumentDetails",
    "JobDetails",
    "JobRow",
    "JobView",
    "Judged",
    "JudgementView",
    "Left",
    "PhotoView",
    "PrintView",
    "Progress",
    "Queued",
    "ReadingView",
    "Stage",
    "Standing",
    "Store",
    "StoreCheck",
    "Verdict",
    "Turn",
    "VisitView",
    "accept_placed",
    "accept_sure",
    "add_photo",
    "add_print",
    "known_prints",
    "new_sheet",
    "add_visit",
    "back_up",
    "categories",
    "check_store",
    "create_job",
    "doubts_of",
    "earlier_inspections",
    "features",
    "find_jobs",
    "first_look",
    "forget",
    "get_setting",
    "go_on",
    "hand_measures",
    "history",
    "inspection_view",
    "instrument_of",
    "job_numbered",
    "job_view",
    "judge",
    "judge_all",
    "keep_hand_measure",
    "left_to_decide",
    "make_ready",
    "measure_by_hand",
    "measure_photo",
    "open_store",
    "photo_path",
    "photo_view",
    "place_edge",
    "plane_of",
    "prints",
    "progress",
    "measure_print",
    "new_print",
    "print_numbered",
    "retire_print",
    "put_in_queue",
    "put_setting",
    "queue_of",
    "readings",
    "remove_hand_measure",
    "remove_photo",
    "restore",
    "restore_hand_measure",
    "restore_inspection",
    "restore_photo",
    "set_standing",
    "stop_queue",
    "suggested_ask",
    "take_back",
    "told_view",
    "undo",
    "update_job",
    "update_photo",
    "wait_for_queue",
]

_HOME = {
    "backups": (
        "Backup",
        "back_up",
        "restore",
    ),
    "by_feature": (
        "FeatureView",
        "Left",
        "features",
        "left_to_decide",
    ),
    "hand": (
        "HandKind",
        "hand_measures",
        "keep_hand_measure",
        "measure_by_hand",
        "plane_of",
        "remove_hand_measure",
        "restore_hand_measure",
    ),
    "jobs": (
        "add_visit",
        "create_job",
        "find_jobs",
        "job_numbered",
        "job_view",
        "set_standing",
        "update_job",
    ),
    "measuring": (
        "earlier_inspections",
        "inspection_view",
        "make_ready",
        "measure_photo",
        "place_edge",
        "restore_inspection",
        "suggested_ask",
        "undo",
    ),
    "measuring_queue": (
        "Queued",
        "Turn",
        "forget",
        "go_on",
        "put_in_queue",
        "queue_of",
        "stop_queue",
        "wait_for_queue",
    ),
    "photos": (
        "add_photo",
        "categories",
        "photo_path",
        "photo_view",
        "remove_photo",
        "restore_photo",
        "update_photo",
    ),
    "proposing": (
        "FirstFret",
        "FirstSight",
        "first_look",
        "told_view",
    ),
    "review": (
        "Judged",
        "accept_placed",
        "accept_sure",
        "doubts_of",
        "history",
        "judge",
        "judge_all",
        "readings",
        "take_back",
    ),
    "shop": (
        "get_setting",
        "put_setting",
    ),
    "upkeep": ("check_store",),
}
"""Which module each of the others is in: it is loaded when it is first asked for, so that a command loads no more than
it needs. A function that is called as its module is must be imported above: the module would take its place."""
_MODULES = {name: module for module, names in _HOME.items() for name in names}


def __getattr__(name: str) -> object:
    if name not in _MODULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = globals()[name] = getattr(import_module(f"{__name__}.{_MODULES[name]}"), name)
    return found
