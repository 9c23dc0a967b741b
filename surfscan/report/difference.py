"""Write a comparison: `compare.json`, `difference.npz` and `difference.png`, all or none."""

from __future__ import annotations

import json
from dataclasses import asdict
from pathlib import Path
from typing import Any

import numpy as np

from surfscan.change.build import Build
from surfscan.change.buildup import Buildup
from surfscan.change.comparison import Comparison, Result
from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.units import INCH, MM, Units
from surfscan.report.difference_picture import draw_difference, scale_ends
from surfscan.report.export import plain, write_png
from surfscan.report.output import written_whole
from surfscan.version import VERSION

__all__ = ["COMPARE_FILES", "comparison_document", "comparison_json", "write_comparison"]

COMPARE_SCHEMA = 1
COMPARE_FILES = ("difference.npz", "difference.png", "compare.json")


def comparison_document(found: Comparison | Buildup) -> dict[str, Any]:
    """Return `compare.json` as plain lists, numbers and text; NaN and infinity are None.

    Parameters
    ----------
    found : Comparison or Buildup

    Returns
    -------
    dict
        ``build``, ``cut``, ``spots``, ``faults`` (null where not both looked for them), ``verdict``, ``sentence``,
        ``reasons``, ``findings`` (the reasons as records), ``common``, ``registration``, the two ``passes``, ``run``;
        for several passes also ``base`` and ``steps``.
    """
    whole = found.whole if isinstance(found, Buildup) else found
    document: dict[str, Any] = {"schema": COMPARE_SCHEMA, **_story(whole)}
    if isinstance(found, Buildup) and len(found.steps) > 1:
        document["base"] = found.base
        document["steps"] = [_story(step) for step in found.steps]
    document["run"] = {"surfscan": VERSION}
    ready = plain(document)
    assert isinstance(ready, dict)  # for the type checker
    return ready


def comparison_json(found: Comparison | Buildup) -> str:
    """Return the text of `compare.json`."""
    return json.dumps(comparison_document(found), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def write_comparison(out: Path, found: Comparison | Buildup, units: Units = MM) -> list[Path]:
    """Write `compare.json`, `difference.npz` and `difference.png`, replacing those of an earlier run.

    Parameters
    ----------
    out : Path
        An existing folder (`surfscan.report.output.prepare_output`).
    found : Comparison or Buildup
    units : Units
        Of the picture; `compare.json` is in mm.

    Returns
    -------
    list of Path

    Raises
    ------
    RefusedError
        When the folder can't be written; nothing is changed then.
    """
    whole = found.whole if isinstance(found, Buildup) else found
    maps: dict[str, Any] = {"difference_mm": whole.difference_mm, "sigma_mm": whole.sigma_mm}
    if isinstance(found, Buildup) and len(found.steps) > 1:
        maps["thickness_mm"] = found.thickness_mm
    maps = {name: array.astype(np.float32) for name, array in maps.items()}
    with written_whole(out, COMPARE_FILES) as hidden:
        np.savez(
            hidden / "difference.npz",
            x_mm=whole.grid.x_mm,
            y_mm=whole.grid.y_mm,
            **maps,
        )
        write_png(hidden / "difference.png", draw_difference(whole, units))
        (hidden / "compare.json").write_text(comparison_json(found), encoding="utf-8")
    return [out / name for name in COMPARE_FILES]


def _story(found: Comparison) -> dict[str, Any]:
    place = found.registration
    sigma = found.sigma_mm[np.isfinite(found.sigma_mm)]
    return {
        "passes": [_pass_row(found.before), _pass_row(found.after)],
        "verdict": found.verdict,
        "sentence": found.sentence,
        "sentence_inch": found.told.say(INCH),
        "scale_mm": list(scale_ends(found)),
        "reasons": list(found.reasons),
        "findings": [one.row() for one in found.findings],
        "common": found.common,
        # Its verdict is the comparison's: what was not seen counts too.
        "build": {**_build_row(found.build), "verdict": found.verdict},
        "cut": _build_row(found.cut),
        "spots": [asdict(row) for row in found.spots],
        "faults": None if found.faults is None else [asdict(row) for row in found.faults],
        "typical_u95_mm": COVERAGE_FACTOR * float(np.median(sigma)) if sigma.size else None,
        "registration": {
            "by": "the unchanged surface" if place.moved else "the tags and the unchanged surface",
            **place.row(),
            "tags_moved": place.moved,
            "unchanged": place.unchanged,
            "spread_mm": place.spread_mm,
        },
    }


def _pass_row(result: Result) -> dict[str, Any]:
    return {
        "name": getattr(result, "name", ""),
        "panel": result.panel.get("name", ""),
        "stage": result.panel.get("stage", ""),
        "started": result.run.get("started"),
    }


def _build_row(build: Build) -> dict[str, Any]:
    return {
        "max_mm": build.max_mm,
        "u95_mm": build.u95_mm,
        "x_mm": build.x_mm,
        "y_mm": build.y_mm,
        "area_cm2": build.area_cm2,
        "volume_ml": build.volume_ml,
        "u95_volume_ml": build.u95_volume_ml,
        "edge_mm": build.edge_mm,
        "limit_mm": build.limit_mm,
        "verdict": build.verdict or None,
        "patches": [asdict(patch) for patch in build.patches],
    }
