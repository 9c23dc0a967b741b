"""A plan in words, and as a JSON-ready document."""

from __future__ import annotations

import math
from dataclasses import asdict
from typing import Any

from surfscan.plan.backward import Placement
from surfscan.plan.records import Plan

__all__ = ["plan_document", "plan_text"]


def plan_text(plan: Plan, placement: Placement | None = None) -> str:
    """The plan as lines of text."""
    s, f = plan.shot, plan.figures
    rows: list[str] = []
    if placement is not None:
        rows += [placement.sentence, ""]
    rows.append("This shot works." if plan.works else "This shot will not work: see what to change below.")
    middle = 0.3 * min(s.panel_mm)
    small = plan.smallest_at(middle)
    if math.isfinite(small):
        rows.append(
            f"Smallest low visible at {middle:.0f} mm width: {small:.3f} mm; the reflection folds over at "
            f"{plan.deepest_at(middle):.2f} mm."
        )
    crown = "flat" if math.isinf(s.crown_mm) else f"crown radius {s.crown_mm:.0f} mm"
    rows += [
        "",
        f"panel     {s.panel_mm[0]:.0f} x {s.panel_mm[1]:.0f} mm, {crown}, {s.surface.name}",
        f"camera    {s.camera_distance_mm:.0f} mm away, {s.angle_deg:.0f} degrees off the normal; sees "
        f"{f.field_mm[0]:.0f} x {f.field_mm[1]:.0f} mm, {100 * f.in_photo:.0f} % of the panel",
        f"board     {s.board_mm[0]:.0f} x {s.board_mm[1]:.0f} mm at {s.board_distance_mm:.0f} mm; mirrored by "
        f"{100 * f.on_board:.0f} % of the panel",
        f"stripes   {s.period_mm:g} mm; {f.stripe_px:.0f} photo pixels where finest, "
        f"{f.stripe_mm:.0f} mm on the panel, {f.stripes_across:.0f} across",
        f"contrast  {100 * f.contrast:.0f} % in the middle, {100 * f.contrast_worst:.0f} % at worst "
        f"({100 * f.reflectance:.1f} % of the light is mirrored; "
        f"roughness keeps {100 * f.specular:.0f} % of the picture)",
        f"blur      {f.blur_mm:.1f} mm on the board, which keeps {100 * f.lens_factor:.0f} % of the contrast",
        f"tags      {f.tag_px:.0f} pixels wide",
        f"errors    noise {1e3 * f.noise_mm:.2f} um, set-up {1e3 * f.set_up_mm:.2f} um (one standard uncertainty)",
        "",
        "width mm   smallest mm   deepest mm",
    ]
    for width, depth, deepest, why in zip(
        plan.curve.width_mm, plan.curve.smallest_mm, plan.curve.deepest_mm, plan.curve.why, strict=True
    ):
        shown = (
            f"{depth:11.3f}   {deepest:10.2f}"
            if math.isfinite(depth)
            else f"          -   {deepest:10.2f}   {why}"
        )
        rows.append(f"{width:8.0f}   {shown}")
    for problem in plan.problems:
        mark = "Stops:" if problem.stops else "Mind: "
        rows += ["", f"{mark} {problem.sentence} {problem.cure[:1].upper()}{problem.cure[1:]}."]
    if plan.changes:
        rows += ["", "What would help most:"]
        for change in plan.changes:
            gain = (
                f"; smallest low about {change.smallest_mm:.3f} mm"
                if math.isfinite(change.smallest_mm)
                else ""
            )
            solves = f" (solves: {', '.join(change.solves)})" if change.solves else ""
            rows.append(f"  {change.sentence}{solves}{gain}")
    rows += [
        "",
        "Largest parts of the error: " + ", ".join(f"{n} {1e3 * u:.1f} um" for n, u, _ in plan.shares[:3]),
    ]
    return "\n".join(rows) + "\n"


def plan_document(plan: Plan, placement: Placement | None = None) -> dict[str, Any]:
    """The plan as one document, schema 1; what is not a number is null."""
    document: dict[str, Any] = {
        "schema": 1,
        "works": plan.works,
        "shot": asdict(plan.shot),
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
        "problems": [asdict(p) for p in plan.problems],
        "changes": [asdict(c) for c in plan.changes],
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


def _clean(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _clean(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_clean(v) for v in value]
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value
