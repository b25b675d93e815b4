"""repcount: reps, breaks, transitions and round splits of a barbell attempt, from one video.

The stages as functions, each from one artifact to the next; `analyze` goes the whole way. They are
imported when first used, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from repcount.analysis.compare import compare as compare_attempt  # noqa: F401
    from repcount.analysis.forecast import rank_plans as rank_plans
    from repcount.analysis.forecast import read_attempts as read_attempts
    from repcount.analysis.history import side_by_side as side_by_side
    from repcount.analysis.next_plan import decide_next as decide_next
    from repcount.analysis.slowing import fit_slowing as fit_slowing
    from repcount.attempt.assemble import derive_attempt as derive_attempt
    from repcount.attempt.edits import append_edit as append_edit
    from repcount.attempt.edits import make_edit as make_edit
    from repcount.attempt.records import load_record as load_record
    from repcount.attempt.records import save_record as save_record
    from repcount.errors import RepcountError as RepcountError
    from repcount.heat.collect import collect as collect
    from repcount.heat.collect import write_heat as write_heat
    from repcount.heat.flow import read_heat as read_heat
    from repcount.heat.manifest import list_folder as list_folder
    from repcount.heat.manifest import load_manifest as load_manifest
    from repcount.motion import measure as measure
    from repcount.pipeline.analyze import Options as Options
    from repcount.pipeline.analyze import analyze as analyze
    from repcount.pipeline.analyze import make_overlay as make_overlay
    from repcount.pipeline.results import Results as Results
    from repcount.pipeline.results import write_results as write_results
    from repcount.plan import load_plan as load_plan
    from repcount.plan.break_rules import break_patterns as break_patterns
    from repcount.plan.clock_card import clock_card as clock_card
    from repcount.plan.propose import Wishes as Wishes
    from repcount.plan.propose import make_plan as make_plan
    from repcount.plan.strength import one_rep_max as one_rep_max
    from repcount.plan.working_load import advise_load as advise_load
    from repcount.plan.writing import plan_toml as plan_toml
    from repcount.reading import read_attempt as read_attempt
    from repcount.reports.html import report_page as report_page
    from repcount.tracking import track as track
    from repcount.tracking.tracks import load_tracks as load_tracks
    from repcount.tracking.tracks import save_tracks as save_tracks
    from repcount.video.footage import open_footage as open_footage
    from repcount.video.footage import probe as probe

__version__ = "0.1.0"

_HOMES = {
    "analyze": "repcount.pipeline.analyze",
    "Options": "repcount.pipeline.analyze",
    "Results": "repcount.pipeline.results",
    "write_results": "repcount.pipeline.results",
    "make_overlay": "repcount.pipeline.analyze",
    "report_page": "repcount.reports.html",
    "open_footage": "repcount.video.footage",
    "probe": "repcount.video.footage",
    "track": "repcount.tracking",
    "load_tracks": "repcount.tracking.tracks",
    "save_tracks": "repcount.tracking.tracks",
    "measure": "repcount.motion",
    "read_attempt": "repcount.reading",
    "derive_attempt": "repcount.attempt.assemble",
    "append_edit": "repcount.attempt.edits",
    "make_edit": "repcount.attempt.edits",
    "load_plan": "repcount.plan",
    "make_plan": "repcount.plan.propose",
    "Wishes": "repcount.plan.propose",
    "plan_toml": "repcount.plan.writing",
    "clock_card": "repcount.plan.clock_card",
    "one_rep_max": "repcount.plan.strength",
    "advise_load": "repcount.plan.working_load",
    "break_patterns": "repcount.plan.break_rules",
    "read_attempts": "repcount.analysis.forecast",
    "rank_plans": "repcount.analysis.forecast",
    "fit_slowing": "repcount.analysis.slowing",
    "decide_next": "repcount.analysis.next_plan",
    "side_by_side": "repcount.analysis.history",
    "load_manifest": "repcount.heat.manifest",
    "list_folder": "repcount.heat.manifest",
    "read_heat": "repcount.heat.flow",
    "collect": "repcount.heat.collect",
    "write_heat": "repcount.heat.collect",
    "load_record": "repcount.attempt.records",
    "save_record": "repcount.attempt.records",
    "RepcountError": "repcount.errors",
}
# Under another name than in its module, whose own name it would take.
_RENAMED = {"compare_attempt": ("repcount.analysis.compare", "compare")}

__all__ = ["__version__", *_HOMES, *_RENAMED]


if not TYPE_CHECKING:

    def __getattr__(name: str) -> Any:
        if name in _HOMES:
            return getattr(import_module(_HOMES[name]), name)
        if name in _RENAMED:
            module, inside = _RENAMED[name]
            return getattr(import_module(module), inside)
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
