"""One function a user action: load, compute, save. Pages and commands call these and nothing below them.

Every function takes the open store first, runs as one transaction, and raises `shared.errors.InspectError` with a
sentence for the person when it cannot be done; what was stored before is then as it was. The functions of deciding,
estimating, papers and exporting are called from those modules by name, so that measuring need not load them.
"""

from importlib import import_module
from typing import TYPE_CHECKING

from inspect_app.services.prints import prints as prints
from inspect_app.services.progress import progress as progress

if TYPE_CHECKING:  # the names below, for tools that don't run it
    from inspect_app.jobs.details import *
    from inspect_app.jobs.opening import *
    from inspect_app.jobs.records import *
    from inspect_app.jobs.store import *
    from inspect_app.services.backups import *
    from inspect_app.services.by_feature import *
    from inspect_app.services.hand_measures_kept import *
    from inspect_app.services.jobs import *
    from inspect_app.services.measuring import *
    from inspect_app.services.measuring_queue import *
    from inspect_app.services.photos import *
    from inspect_app.services.prints import *
    from inspect_app.services.progress import *
    from inspect_app.services.proposals import *
    from inspect_app.services.review import *
    from inspect_app.services.shop import *
    from inspect_app.services.store_check import *

_HOME = {
    "inspect_app.jobs.details": (
        "AFTER",
        "FIRST_VISIT",
        "InstrumentDetails",
        "JobDetails",
        "VIEW_OR_FINDING",
        "instrument_of",
    ),
    "inspect_app.jobs.opening": ("open_store",),
    "inspect_app.jobs.records": (
        "AddedPhoto",
        "BY_HAND",
        "BenchCheckView",
        "JobListPage",
        "HandView",
        "InspectionView",
        "JobRow",
        "JobView",
        "JudgementView",
        "LensView",
        "PhotoView",
        "PrintView",
        "ReadingView",
        "Stage",
        "ChosenStage",
        "StoreCheck",
        "Verdict",
        "VisitView",
    ),
    "inspect_app.jobs.store": ("Store",),
    "inspect_app.services.backups": ("Backup", "back_up", "restore"),
    "inspect_app.services.by_feature": ("FeatureView", "Undecided", "features", "left_to_decide"),
    "inspect_app.services.hand_measures_kept": (
        "HandKind",
        "hand_measures",
        "keep_hand_measure",
        "measure_by_hand",
        "plane_of",
        "remove_hand_measure",
        "restore_hand_measure",
    ),
    "inspect_app.services.jobs": (
        "add_visit",
        "create_job",
        "find_jobs",
        "job_numbered",
        "job_view",
        "choose_stage",
        "update_job",
    ),
    "inspect_app.services.measuring": (
        "earlier_inspections",
        "inspection_view",
        "make_ready",
        "measure_photo",
        "place_edge",
        "restore_inspection",
        "suggested_ask",
        "undo",
    ),
    "inspect_app.services.measuring_queue": (
        "QueuedPhoto",
        "QueueState",
        "forget",
        "go_on",
        "put_in_queue",
        "queue_of",
        "stop_queue",
        "wait_for_queue",
    ),
    "inspect_app.services.photos": (
        "add_photo",
        "categories",
        "photo_path",
        "photo_view",
        "remove_photo",
        "restore_photo",
        "update_photo",
    ),
    "inspect_app.services.prints": (
        "add_print",
        "known_prints",
        "measure_print",
        "new_print",
        "new_sheet",
        "print_numbered",
        "restore_print",
        "retire_print",
        "take_back_bar",
    ),
    "inspect_app.services.progress": ("Progress",),
    "inspect_app.services.proposals": ("FirstFret", "PhotoProposal", "first_look", "proposed_view"),
    "inspect_app.services.review": (
        "JudgementAction",
        "accept_placed",
        "accept_sure",
        "doubts_of",
        "history",
        "judge",
        "judge_all",
        "readings",
        "take_back",
    ),
    "inspect_app.services.shop": ("get_setting", "put_setting"),
    "inspect_app.services.store_check": ("check_store",),
}
"""Which module each name is in: it is loaded when a name is first asked for, so that a command loads no more than it
needs. A function that is called as its module is must be imported above: the module would take its place."""
_MODULES = {name: module for module, names in _HOME.items() for name in names}
__all__ = list(_MODULES)


def __getattr__(name: str) -> object:
    if name not in _MODULES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    found = globals()[name] = getattr(import_module(_MODULES[name]), name)
    return found
