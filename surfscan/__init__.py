"""Is the panel fair? Photos of reflected stripes to a height map in mm, highs and lows, and a verdict.

The names below are the whole public interface; they load on first use, so importing the package is fast.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from surfscan.version import VERSION as __version__

if TYPE_CHECKING:
    from surfscan.change.buildup import compare_passes
    from surfscan.change.comparison import compare_results
    from surfscan.check.apart import CheckWorker
    from surfscan.check.pipeline import check_job
    from surfscan.core.errors import NotMeasuredError, RefusedError, SurfscanError, UsageError
    from surfscan.core.flags import describe as describe_flag
    from surfscan.core.records import CheckResult, HeightMap, Spot
    from surfscan.gloss.preview import preview_gloss
    from surfscan.gloss.reflection import reflected_stripes
    from surfscan.gloss.sheet import draw_gloss_pair, write_gloss
    from surfscan.gloss.viewing import walk_round
    from surfscan.job.sheet import Sheet, load_sheet
    from surfscan.job.sheet_writing import board_facing_panel, write_sheet
    from surfscan.judge.advice import CAUTIONS
    from surfscan.judge.limits import STAGES, default_limits
    from surfscan.look.first_look import look_at_photo, photo_size
    from surfscan.papers.content import Particulars
    from surfscan.papers.folder import write_report
    from surfscan.plan.backward import Placement, place_shot
    from surfscan.plan.forward import Plan, plan_shot
    from surfscan.plan.pictures import draw_plan
    from surfscan.plan.printing import write_print
    from surfscan.plan.shot import Shot, surface_named
    from surfscan.plan.words import plan_text
    from surfscan.report.difference import write_comparison
    from surfscan.report.difference_picture import draw_difference
    from surfscan.report.export import write_result
    from surfscan.report.open_files import export_result
    from surfscan.report.panes import draw_lesson_map, draw_map_pane, draw_photo_pair
    from surfscan.core.units import parse_length
    from surfscan.report.words import ResultText
    from surfscan.report.units import format_area, format_depth, format_filler, format_length
    from surfscan.results.record import open_record
    from surfscan.results.stored import load_result
    from surfscan.screen.make import make_screen
    from surfscan.screen.page import CAUTION as SCREEN_CAUTION
    from surfscan.surface.profile import profile_under_ruler
    from surfscan.synth.lesson import (
        SIZE_MM as LESSON_SIZE_MM,
    )
    from surfscan.synth.lesson import (
        Dent,
        Viewing,
        find_the_low,
        photograph,
        score_answer,
    )

__all__ = [
    "CAUTIONS",
    "LESSON_SIZE_MM",
    "SCREEN_CAUTION",
    "STAGES",
    "CheckResult",
    "CheckWorker",
    "Dent",
    "HeightMap",
    "NotMeasuredError",
    "Particulars",
    "Placement",
    "Plan",
    "RefusedError",
    "ResultText",
    "Sheet",
    "Shot",
    "Spot",
    "SurfscanError",
    "UsageError",
    "Viewing",
    "__version__",
    "board_facing_panel",
    "check_job",
    "compare_passes",
    "compare_results",
    "default_limits",
    "describe_flag",
    "draw_difference",
    "draw_gloss_pair",
    "draw_lesson_map",
    "draw_map_pane",
    "draw_photo_pair",
    "draw_plan",
    "export_result",
    "find_the_low",
    "format_area",
    "format_depth",
    "format_filler",
    "format_length",
    "load_result",
    "load_sheet",
    "look_at_photo",
    "make_screen",
    "open_record",
    "parse_length",
    "photo_size",
    "photograph",
    "place_shot",
    "plan_shot",
    "plan_text",
    "preview_gloss",
    "profile_under_ruler",
    "reflected_stripes",
    "score_answer",
    "surface_named",
    "walk_round",
    "write_comparison",
    "write_gloss",
    "write_print",
    "write_report",
    "write_result",
    "write_sheet",
]

_HOME = {
    "CAUTIONS": "surfscan.judge.advice",
    "CheckResult": "surfscan.core.records",
    "CheckWorker": "surfscan.check.apart",
    "Dent": "surfscan.synth.lesson",
    "HeightMap": "surfscan.core.records",
    "LESSON_SIZE_MM": "surfscan.synth.lesson",
    "NotMeasuredError": "surfscan.core.errors",
    "Particulars": "surfscan.papers.content",
    "Placement": "surfscan.plan.backward",
    "Plan": "surfscan.plan.forward",
    "RefusedError": "surfscan.core.errors",
    "ResultText": "surfscan.report.words",
    "STAGES": "surfscan.judge.limits",
    "Sheet": "surfscan.job.sheet",
    "Shot": "surfscan.plan.shot",
    "Spot": "surfscan.core.records",
    "SurfscanError": "surfscan.core.errors",
    "UsageError": "surfscan.core.errors",
    "Viewing": "surfscan.synth.lesson",
    "board_facing_panel": "surfscan.job.sheet_writing",
    "check_job": "surfscan.check.pipeline",
    "compare_passes": "surfscan.change.buildup",
    "compare_results": "surfscan.change.comparison",
    "default_limits": "surfscan.judge.limits",
    "describe_flag": "surfscan.core.flags",
    "draw_difference": "surfscan.report.difference_picture",
    "draw_gloss_pair": "surfscan.gloss.sheet",
    "draw_lesson_map": "surfscan.report.panes",
    "draw_map_pane": "surfscan.report.panes",
    "draw_photo_pair": "surfscan.report.panes",
    "draw_plan": "surfscan.plan.pictures",
    "export_result": "surfscan.report.open_files",
    "find_the_low": "surfscan.synth.lesson",
    "format_area": "surfscan.report.units",
    "format_depth": "surfscan.report.units",
    "format_filler": "surfscan.report.units",
    "format_length": "surfscan.report.units",
    "load_result": "surfscan.results.stored",
    "load_sheet": "surfscan.job.sheet",
    "look_at_photo": "surfscan.look.first_look",
    "open_record": "surfscan.results.record",
    "parse_length": "surfscan.core.units",
    "photo_size": "surfscan.look.first_look",
    "photograph": "surfscan.synth.lesson",
    "place_shot": "surfscan.plan.backward",
    "plan_shot": "surfscan.plan.forward",
    "plan_text": "surfscan.plan.words",
    "make_screen": "surfscan.screen.make",
    "SCREEN_CAUTION": "surfscan.screen.page",
    "preview_gloss": "surfscan.gloss.preview",
    "profile_under_ruler": "surfscan.surface.profile",
    "reflected_stripes": "surfscan.gloss.reflection",
    "score_answer": "surfscan.synth.lesson",
    "surface_named": "surfscan.plan.shot",
    "walk_round": "surfscan.gloss.viewing",
    "write_comparison": "surfscan.report.difference",
    "write_gloss": "surfscan.gloss.sheet",
    "write_print": "surfscan.plan.printing",
    "write_report": "surfscan.papers.folder",
    "write_result": "surfscan.report.export",
    "write_sheet": "surfscan.job.sheet_writing",
}
# Names that say more here than at home.
_THERE = {"LESSON_SIZE_MM": "SIZE_MM", "SCREEN_CAUTION": "CAUTION", "describe_flag": "describe"}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), _THERE.get(name, name))


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
