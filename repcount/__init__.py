"""repcount: reps, breaks, transitions and round splits of a barbell attempt, from one video.

The stages as functions, each from one artifact to the next; `analyze` goes the whole way. They are
imported when first used, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import Any

__version__ = "0.1.0"

_HOMES = {
    "analyze": "repcount.pipeline",
    "Options": "repcount.pipeline",
    "Results": "repcount.results",
    "write_results": "repcount.results",
    "make_overlay": "repcount.pipeline",
    "report_page": "repcount.reports.html",
    "open_footage": "repcount.footage",
    "probe": "repcount.footage",
    "track": "repcount.tracking",
    "load_tracks": "repcount.tracks",
    "save_tracks": "repcount.tracks",
    "measure": "repcount.motion",
    "read_attempt": "repcount.reading",
    "derive_attempt": "repcount.reading",
    "append_edit": "repcount.edits",
    "make_edit": "repcount.edits",
    "load_plan": "repcount.plan",
    "make_plan": "repcount.plan.propose",
    "Wishes": "repcount.plan.propose",
    "plan_toml": "repcount.plan.writing",
    "clock_card": "repcount.plan.clock_card",
    "one_rep_max": "repcount.plan.strength",
    "advise_load": "repcount.plan.working_load",
    "break_patterns": "repcount.plan.break_rules",
    "read_attempts": "repcount.forecast",
    "rank_plans": "repcount.forecast",
    "fit_slowing": "repcount.fatigue",
    "decide_next": "repcount.next_plan",
    "side_by_side": "repcount.history",
    "load_manifest": "repcount.heat.manifest",
    "list_folder": "repcount.heat.manifest",
    "read_heat": "repcount.heat.flow",
    "collect": "repcount.heat.collect",
    "write_heat": "repcount.heat.collect",
    "load_record": "repcount.records",
    "save_record": "repcount.records",
    "RepcountError": "repcount.errors",
}
# Under another name than in its module, whose own name it would take.
_RENAMED = {"compare_attempt": ("repcount.compare", "compare")}

__all__ = ["__version__", *_HOMES, *_RENAMED]


def __getattr__(name: str) -> Any:
    if name in _HOMES:
        return getattr(import_module(_HOMES[name]), name)
    if name in _RENAMED:
        module, inside = _RENAMED[name]
        return getattr(import_module(module), inside)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
