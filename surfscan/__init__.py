"""Is the panel fair? Photos of reflected stripes to a height map in mm, highs and lows, and a verdict.

The names below are the whole public interface; they load on first use, so importing the package is fast.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from surfscan.version import VERSION as __version__

if TYPE_CHECKING:
    from surfscan.errors import NotMeasuredError, RefusedError, SurfscanError, UsageError
    from surfscan.job.sheet import Sheet, load_sheet
    from surfscan.pipeline import check_job
    from surfscan.records import CheckResult, HeightMap, Spot
    from surfscan.report.export import write_result

__all__ = [
    "CheckResult",
    "HeightMap",
    "NotMeasuredError",
    "RefusedError",
    "Sheet",
    "Spot",
    "SurfscanError",
    "UsageError",
    "__version__",
    "check_job",
    "load_sheet",
    "write_result",
]

_HOME = {
    "CheckResult": "surfscan.records",
    "HeightMap": "surfscan.records",
    "NotMeasuredError": "surfscan.errors",
    "RefusedError": "surfscan.errors",
    "Sheet": "surfscan.job.sheet",
    "Spot": "surfscan.records",
    "SurfscanError": "surfscan.errors",
    "UsageError": "surfscan.errors",
    "check_job": "surfscan.pipeline",
    "load_sheet": "surfscan.job.sheet",
    "write_result": "surfscan.report.export",
}


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(_HOME[name]), name)


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
