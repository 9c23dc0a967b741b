"""What a report says: page one for the person at the counter, page two for the inspector."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from surfscan.core.flags import describe
from surfscan.core.records import Spot
from surfscan.judge.advice import CAUTIONS
from surfscan.papers.blocks import (
    Block,
    Drawing,
    Fields,
    Heading,
    NewPage,
    Picture,
    SignLine,
    Table,
    Text,
    Verdict,
)
from surfscan.papers.drawing import draw_setup
from surfscan.report.units import (
    UnitName,
    convert_text,
    format_area,
    format_depth,
    format_filler,
    format_length,
)
from surfscan.results.stored import StoredResult

__all__ = ["Particulars", "compose"]

VERDICT_WORDS = {
    "ready": "READY",
    "rework": "REWORK",
    "close": "TOO CLOSE TO CALL",
    "not_measured": "NOT MEASURED",
}
_AGAINST = {"rework": "over", "close": "too close", "ready": "within", "": "-", "not_measured": "-"}
_MARKS = {"low": "▼ low", "high": "▲ high"}


@dataclass(frozen=True, slots=True)
class Particulars:
    """What the user types for the paper.

    Attributes
    ----------
    date : str
        As it is to be printed.
    checked_by, job_number : str
        Free text, empty for a line to write on.
    units : {"mm", "inch"}
    """

    date: str
    checked_by: str = ""
    job_number: str = ""
    units: UnitName = "mm"


def compose(
    result: StoredResult,
    particulars: Particulars,
    *,
    overlay: Picture | None,
    panel_map: Picture | None,
    in_gloss: Picture | None = None,
    digest: str,
) -> list[Block]:
    """Put the report together.

    Parameters
    ----------
    result : StoredResult
    particulars : Particulars
    overlay, panel_map, in_gloss : Picture, optional
        Left out, with a sentence, when the result folder lacks them.
    digest : str
        Of the result, see `seal`.

    Returns
    -------
    list of Block
    """
    units = particulars.units
    panel = result.panel
    blocks: list[Block] = [
        Heading(f"Panel check: {panel.get('name') or 'panel without a name'}", 1),
        Verdict(VERDICT_WORDS[result.verdict], convert_text(result.sentence, units)),
        Fields(
            (
                ("Stage", str(panel.get("stage") or "-")),
                ("Date", particulars.date),
                ("Panel", " × ".join(format_length(v, units) for v in panel["size_mm"])),
                ("Job number", particulars.job_number or "—"),
                ("Measured", f"{100 * result.coverage:.0f} % of the judged region"),
                ("Checked by", particulars.checked_by or "—"),
            )
        ),
    ]
    if overlay is not None:
        blocks.append(overlay)
    # A clean panel has room for its map on the first page; with spots, their table comes first.
    if panel_map is not None and not result.spots:
        blocks.append(panel_map)
    blocks.append(_spot_table(result, units))
    blocks += [Text(convert_text(sentence, units)) for sentence in _told(result)]
    blocks += [
        Text(_limits_sentence(result, units)),
        SignLine(),
        Text(_short_caution(), small=True),
        NewPage(),
    ]
    blocks += [Heading("For the inspector")]
    if panel_map is not None and result.spots:
        blocks.append(panel_map)
    blocks += _measures(result, units)
    blocks += _gauges(result, units)
    set_up = _set_up(result, units)
    if in_gloss is not None:
        if not result.spots:  # little to see, and all of it is to stay on one page
            in_gloss = replace(in_gloss, most_mm=22.0)
            set_up = [replace(b, most_mm=32.0) if isinstance(b, Drawing) else b for b in set_up]
        blocks.append(in_gloss)
    blocks += _uncertainty(result, units)
    blocks += set_up
    blocks += _origin(result, particulars, digest)
    blocks += [Heading("Cautions"), Text(" ".join(CAUTIONS), small=True)]
    return blocks


def _spot_table(result: StoredResult, units: UnitName) -> Table | Text:
    if not result.spots:
        return Text("No high and no low is over or near the limits in the part that was measured.")
    rows = tuple(_spot_row(spot, units) for spot in result.spots)
    unit = "mm" if units == "mm" else "in"
    place = "x, y from the middle"
    return Table(
        ("No.", "Kind", place, f"Peak, {unit}", "±", "Size", "Area", "Limit", "What to do"),
        rows,
        (0.045, 0.075, 0.115, 0.085, 0.07, 0.12, 0.085, 0.07, 0.335),
        right=(0, 3, 4),
        note="± holds the true peak 95 times in 100. x to the right, y up. ▼ a low is filled or worked up;"
        " ▲ a high comes down first.",
    )


def _spot_row(spot: Spot, units: UnitName) -> tuple[str, ...]:
    unit = " mm" if units == "mm" else " in"
    size = f"{format_length(spot.length_mm, units)} × {format_length(spot.width_mm, units)}"
    notes = "".join(f" {_flag(name)}." for name in spot.flags)
    return (
        str(spot.id),
        _MARKS.get(spot.kind, spot.kind),
        _place(spot.x_mm, spot.y_mm, units).removesuffix(unit),
        format_depth(spot.peak_mm, units, sign=True).removesuffix(unit),
        format_depth(spot.u95_mm, units).removesuffix(unit),
        size.replace(f"{unit} ×", " ×"),
        format_area(spot.area_cm2, units),
        _AGAINST.get(spot.verdict, spot.verdict),
        convert_text(spot.action, units) + notes,
    )


def _place(x_mm: float, y_mm: float, units: UnitName) -> str:
    unit = " mm" if units == "mm" else " in"
    return f"{format_length(x_mm, units).removesuffix(unit)}, {format_length(y_mm, units)}"


def _flag(name: str) -> str:
    try:
        flag = describe(name)
    except KeyError:
        return name
    text = f"{flag.sentence}; {flag.cure}" if flag.cure else flag.sentence
    return text[0].upper() + text[1:]


def _told(result: StoredResult) -> list[str]:
    """Reasons that the counter needs: all of them unless the spots say them already."""
    told = [reason for reason in result.reasons if reason != result.sentence]
    if result.verdict in ("ready", "rework"):
        files = tuple(str(photo.get("file")) for photo in result.photos)
        told = [reason for reason in told if reason.startswith((*files, "A part"))]
    return told


def _limits_sentence(result: StoredResult, units: UnitName) -> str:
    limits = result.limits
    return (
        f"Limits: low {format_depth(limits['low_mm'], units)}, high {format_depth(limits['high_mm'], units)},"
        f" filler no deeper than {format_filler(limits['filler_depth_mm'], units)}."
    )


def _short_caution() -> str:
    return " ".join(CAUTIONS[k] for k in (3, 4, 6))


def _measures(result: StoredResult, units: UnitName) -> list[Block]:
    """Standard measures, in groups that refer to the same surface."""
    rows = []
    for names, surface in result.details.get("reference_surfaces", {}).items():
        shown = [_measure(name, result.measures.get(name, math.nan), units) for name in names.split(", ")]
        rows.append((", ".join(shown), convert_text(surface, units)))
    if not rows:
        return []
    return [Heading("Standard measures"), Table(("Measures", "Refer to"), tuple(rows), (0.5, 0.5))]


def _measure(name: str, value: float, units: UnitName) -> str:
    label = name.removesuffix("_mm").removesuffix("_mrad").replace("_", " ")
    if not math.isfinite(value):
        return f"{label} not measured"
    if name.endswith("_mm"):
        return f"{label} {format_depth(value, units)}"
    return f"{label} {value:.2f}" + (" mrad" if name.endswith("_mrad") else "")


def _gauges(result: StoredResult, units: UnitName) -> list[Block]:
    said: list[str] = []
    straight = result.details.get("straightedge", {})
    for name, words in (
        ("worst", "worst gap on the panel"),
        ("at", "at the place asked for"),
        ("line", "along the line asked for"),
    ):
        gap = straight.get(name, {})
        value = gap.get("gap_mm", gap.get("greatest_mm"))
        if value is None:
            continue
        u95 = gap.get("u95_mm")
        within = "" if u95 is None else f" ± {format_depth(u95, units)}"
        where = "" if gap.get("x_mm") is None else f", at {_place(gap['x_mm'], gap['y_mm'], units)}"
        said.append(
            f"Straightedge of {straight['length_mm']:g} mm on {straight.get('on', 'the deviation')}:"
            f" {words} {value:.3f} mm{within}{where}."
        )
    block = result.details.get("block", {})
    if block.get("bridged_share") is not None:
        said.append(
            f"A sanding block of {block['length_mm']:g} mm × {block['width_mm']:g} mm bridges"
            f" {100 * block['bridged_share']:.0f} % of the surface (touches within {block['touches_within_mm']:g} mm)."
        )
    fill = result.details.get("fill", {})
    down = fill.get("highs_down_first", {})
    if fill.get("lows") and down.get("volume_ml") is not None:
        said.append(
            f"Filler with the highs brought down first: {down['volume_ml']:.1f} ml over"
            f" {format_area(down['area_cm2'], units)}, {format_filler(down['depth_mm'], units)} at the deepest."
        )
    if fill.get("better") not in (None, "neither", "not_measured"):
        said.append(f"Fill plan: {fill['sentence']}")
    slope = result.details.get("slope", {})
    if slope.get("sentence"):
        said.append(
            f"Finish: {slope['sentence']}"
            + ("" if slope.get("counts") else " For information at this stage.")
        )
    if not said:
        return []
    return [
        Heading("Straightedge, block, filler and finish"),
        *(Text(convert_text(s, units), small=True) for s in said),
    ]


def _uncertainty(result: StoredResult, units: UnitName) -> list[Block]:
    given = result.details.get("uncertainty", {})
    texts = [
        "Uncertainty: each ± is the standard uncertainty times"
        f" {given.get('coverage_factor', 1.96):g}; the interval holds the true value 95 times in 100 (names of"
        " JCGM 100). It is propagated from the places of board, camera and tags, the focal length, the stripe"
        " period, noise, unevenness and the choice of the fair form, after what the fair part of the panel rules out."
    ]
    if given.get("typical_u95_mm") is not None:
        texts.append(f"Typical ± over the panel: {format_depth(given['typical_u95_mm'], units)}.")
    if result.details.get("rule"):
        texts.append(str(result.details["rule"]))
    texts.append(f"Fair form: {result.height.form_name}.")
    blocks: list[Block] = [Heading("Uncertainty and decision rule"), *(Text(t, small=True) for t in texts)]
    rows = []
    for row in given.get("spots", []):
        terms = sorted(row.get("terms", []), key=lambda term: -term["u_mm"])[:3]
        if terms:
            words = ", ".join(f"{t['source']} {1e3 * t['u_mm']:.1f} µm" for t in terms)
            rows.append((str(row["spot"]), words, str(row.get("shrinks_most", ""))))
    if rows:
        columns = ("Spot", "Largest shares of the standard uncertainty", "What would shrink it most")
        blocks.append(Table(columns, tuple(rows), (0.07, 0.52, 0.41)))
    return blocks


def _set_up(result: StoredResult, units: UnitName) -> list[Block]:
    size = result.panel["size_mm"]
    drawing = draw_setup((size[0], size[1]), result.photos, result.details.get("setup", {}))
    return [] if drawing is None else [Heading("Set-up"), drawing]


def _origin(result: StoredResult, particulars: Particulars, digest: str) -> list[Block]:
    """Photos with their digests, settings, versions, and the seal."""
    blocks: list[Block] = []
    if result.photos:
        rows = tuple(
            (str(row.get("file", "")), _focal(row), _pixels(row), str(row.get("sha256", "")))
            for row in result.photos
        )
        columns = ("Photo", "Focal length", "Tags fit to", "SHA-256 of the file")
        blocks += [Heading("Photos"), Table(columns, rows, (0.17, 0.14, 0.1, 0.59))]
    run = result.run
    measured = run.get("map")
    if measured:
        blocks += [
            Heading("Map"),
            Text(
                f"{measured['file']}, standard uncertainty {measured['u_mm']:g} mm, SHA-256 {measured['sha256']}",
                small=True,
            ),
        ]
    libraries = ", ".join(f"{name} {value}" for name, value in run.get("libraries", {}).items())
    settings = ", ".join(
        f"{key.replace('_', ' ')} {_short(value)}" for key, value in run.get("settings", {}).items()
    )
    basis = "; ".join(
        f"{key.removesuffix('_mm').replace('_', ' ')}: {value}"
        for key, value in result.details.get("limits_basis", {}).items()
    )
    blocks += [
        Heading("Made with"),
        Text(
            f"surfscan {run.get('surfscan', '?')}, Python {run.get('python', '?')}, {libraries}."
            f" Checked {run.get('started', '?')}, took {run.get('seconds', '?')} s.",
            small=True,
        ),
        Text(f"Settings: {settings}.", small=True),
        Text(f"Where the limits come from: {convert_text(basis, particulars.units)}.", small=True),
        Heading("Seal"),
        Text(
            f"Digest of the result: {digest}. `surfscan verify` on this report's folder computes it again and says"
            " what differs. It shows a later change; it does not say who made the report.",
            small=True,
        ),
    ]
    return blocks


def _focal(row: dict[str, Any]) -> str:
    value = row.get("focal_px")
    return "-" if value is None else f"{value:.0f} px"


def _pixels(row: dict[str, Any]) -> str:
    value = row.get("reprojection_px")
    return "-" if value is None else f"{value:.2f} px"


def _short(value: Any) -> str:
    if isinstance(value, float):
        return f"{value:.4g}"
    if isinstance(value, list):
        return " and ".join(_short(v) for v in value)
    return str(value)
