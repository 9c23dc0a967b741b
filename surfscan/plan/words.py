"""A plan in words, and as a JSON-ready document."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from surfscan.core.message import Phrase, fill_in
from surfscan.core.units import MM, Units
from surfscan.plan.backward import Placement
from surfscan.plan.records import Change, Plan
from surfscan.plan.shot import Shot

__all__ = ["plan_document", "plan_text", "shot_row"]


_FIGURES = (
    "panel     {panel_w:length_bare} x {panel_h:length}, {crown}, {surface}",
    "camera    {camera:length} away, {angle:.0f} degrees off the normal; sees {field_w:length_bare} x {field_h:length},"
    " {in_photo:whole_percent} of the panel",
    "board     {board_w:length_bare} x {board_h:length} at {board:length}; mirrored by {on_board:whole_percent}"
    " of the panel",
    "stripes   {period:given}; {stripe_px:.0f} photo pixels where finest, {stripe:length} on the panel,"
    " {across:.0f} across",
    "contrast  {contrast:whole_percent} in the middle, {worst:whole_percent} at worst ({mirrored:.1f} % of the light is"
    " mirrored; roughness keeps {specular:whole_percent} of the picture)",
    "blur      {blur:off} on the board, which keeps {lens:whole_percent} of the contrast",
    "tags      {tag_px:.0f} pixels wide",
    "errors    noise {noise:fine}, set-up {set_up:fine} (one standard uncertainty)",
)


def plan_text(plan: Plan, placement: Placement | None = None, units: Units = MM) -> str:
    """The plan as lines of text, in those units."""
    rows: list[str] = []
    if placement is not None:
        rows += [placement.told.say(units), ""]
    rows.append("This shot works." if plan.works else "This shot will not work: see what to change below.")
    middle = 0.3 * min(plan.shot.panel_mm)
    small = plan.smallest_at(middle)
    if math.isfinite(small):
        shows = (
            "Smallest low visible at {width:length} width: {small:depth}; "
            "the reflection folds over at {deepest:deep}."
        )
        rows.append(Phrase.of(shows, width=middle, small=small, deepest=plan.deepest_at(middle)).say(units))
    rows += ["", *_figures(plan, units), "", *_curve(plan, units)]
    for problem in plan.problems:
        mark, cure = "Stops:" if problem.stops else "Mind: ", problem.remedy.say(units)
        rows += ["", f"{mark} {problem.told.say(units)} {cure[:1].upper()}{cure[1:]}."]
    if plan.changes:
        rows += ["", "What would help most:", *(_change(change, units) for change in plan.changes)]
    parts = ", ".join(
        fill_in("{name} {u:fine}", {"name": name, "u": u}, units) for name, u, _ in plan.shares[:3]
    )
    rows += ["", "Largest parts of the error: " + parts]
    return "\n".join(rows) + "\n"


def _figures(plan: Plan, units: Units) -> list[str]:
    s, f = plan.shot, plan.figures
    flat = math.isinf(s.crown_mm)
    numbers = {
        "panel_w": s.panel_mm[0],
        "panel_h": s.panel_mm[1],
        "crown": "flat" if flat else Phrase.of("crown radius {r:length}", r=s.crown_mm),
        "surface": s.surface.name,
        "camera": s.camera_distance_mm,
        "angle": s.angle_deg,
        "field_w": f.field_mm[0],
        "field_h": f.field_mm[1],
        "in_photo": f.in_photo,
        "board_w": s.board_mm[0],
        "board_h": s.board_mm[1],
        "board": s.board_distance_mm,
        "on_board": f.on_board,
        "period": s.period_mm,
        "stripe_px": f.stripe_px,
        "stripe": f.stripe_mm,
        "across": f.stripes_across,
        "contrast": f.contrast,
        "worst": f.contrast_worst,
        "mirrored": 100 * f.reflectance,
        "specular": f.specular,
        "blur": f.blur_mm,
        "lens": f.lens_factor,
        "tag_px": f.tag_px,
        "noise": f.noise_mm,
        "set_up": f.set_up_mm,
    }
    return [fill_in(template, numbers, units) for template in _FIGURES]


def _curve(plan: Plan, units: Units) -> list[str]:
    w = units.word
    rows = [f"width {w}   smallest {w}   deepest {w}"]
    curve = plan.curve
    for width, depth, deepest, why in zip(
        curve.width_mm, curve.smallest_mm, curve.deepest_mm, curve.why, strict=True
    ):
        wide, small = units.bare(units.length(width)), units.bare(units.depth(depth))
        deep = units.bare(fill_in("{d:deep}", {"d": float(deepest)}, units))
        rows.append(f"{wide:>8}   {small:>11}   {deep:>10}" + (f"   {why}" if why else ""))
    return rows


def _change(change: Change, units: Units) -> str:
    gain = (
        f"; smallest low about {units.depth(change.smallest_mm)}" if math.isfinite(change.smallest_mm) else ""
    )
    solves = f" (solves: {', '.join(change.solves)})" if change.solves else ""
    return f"  {change.told.say(units)}{solves}{gain}"


def plan_document(plan: Plan, placement: Placement | None = None) -> dict[str, Any]:
    """The plan as one document, schema 1; what is not a number is null."""
    document: dict[str, Any] = {
        "schema": 1,
        "works": plan.works,
        "shot": shot_row(plan.shot),
        "figures": asdict(plan.figures),
        "curve": [
            {"width_mm": w, "smallest_mm": d, "deepest_mm": m, "read_share": r, "why": y}
            for w, d, m, r, y in zip(
                plan.curve.width_mm.tolist(),
                plan.curve.smallest_mm.tolist(),
                plan.curve.deepest_mm.tolist(),
                plan.curve.read_share.tolist(),
                plan.curve.why,
                strict=True,
            )
        ],
        "shares": [{"name": n, "u_mm": u, "cure": c} for n, u, c in plan.shares],
        "problems": [problem.row() for problem in plan.problems],
        "changes": [change.row() for change in plan.changes],
        "board": plan.board,
        "camera_mm": list(plan.camera_mm),
        "tags_mm": {str(k): list(v) for k, v in plan.tags_mm.items()},
        "crown_rise_mm": plan.crown_rise_mm,
    }
    if placement is not None:
        document["asked"] = {
            "depth_mm": placement.depth_mm,
            "width_mm": placement.width_mm,
            "reached": placement.reached,
            "sentence": placement.sentence,
        }
    cleaned: dict[str, Any] = _clean(document)
    return cleaned


def shot_row(shot: Shot) -> dict[str, Any]:
    """A shot as a JSON-ready table; what is not a number is null."""
    row: dict[str, Any] = _clean(asdict(shot))
    return row


def _clean(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _clean(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
