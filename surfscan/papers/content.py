"""What a report says: page one for the person at the counter, page two for the inspector."""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import Any

from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.core.records import Spot
from surfscan.core.units import Units, units_named
from surfscan.judge.cautions import CAUTIONS, SHORT_CAUTION
from surfscan.judge.gauges import waviness_words
from surfscan.papers.blocks import (
    Block,
    Drawing,
    Heading,
    NewPage,
    Picture,
    SignLine,
    Table,
    Text,
    Verdict,
)
from surfscan.papers.drawing import draw_setup
from surfscan.papers.particulars import Particulars, measured_how, particulars_fields
from surfscan.papers.seal import what_it_shows
from surfscan.report.films import film_lines
from surfscan.report.words import (
    VERDICT_WORDS,
    action_text,
    against_word,
    better_shot_text,
    first_lines,
    flag_text,
    gauge_lines,
    headline_line,
    limits_line,
    not_looked_line,
    reason_lines,
    work_lines,
)
from surfscan.results.stored import StoredResult

__all__ = ["Pictures", "compose", "panel_blocks"]

_OPEN = " Open: the rim of what was seen cuts the spot; it is at least this much, and may be more."
_CLEAN_MM = (82.0, 56.0)  # heights of both pictures where page one holds both, on Letter too
_MARKS = {"low": "▼ low", "high": "▲ high"}


@dataclass(frozen=True, slots=True)
class Pictures:
    """The report's pictures; each is left out when the result folder lacks it.

    Attributes
    ----------
    overlay, panel_map, in_gloss : Picture, optional
    photos : Picture, optional
        The photos without marks.
    """

    overlay: Picture | None = None
    panel_map: Picture | None = None
    in_gloss: Picture | None = None
    photos: Picture | None = None


_ONLY_IF = {"texture_mrad": "texture", "fault_mm": "faults"}


def compose(
    result: StoredResult,
    particulars: Particulars,
    *,
    pictures: Pictures,
    digest: str,
) -> list[Block]:
    """Put the report together.

    Parameters
    ----------
    result : StoredResult
    particulars : Particulars
    pictures : Pictures
    digest : str
        Of the result, see `seal`.

    Returns
    -------
    list of Block
    """
    units = units_named(particulars.units)
    panel_map, in_gloss = pictures.panel_map, pictures.in_gloss
    # of a clean panel on page one too, so that the inspector's stays one page
    photos = pictures.photos if result.spots else None
    blocks: list[Block] = [
        Heading(f"Panel check: {result.panel.get('name') or 'panel without a name'}", 1),
        Verdict(VERDICT_WORDS[result.verdict], headline_line(result, units)),
        *map(Text, first_lines(result, units)),
        particulars_fields(result, particulars, units),
        *panel_blocks(result, pictures, units),
        SignLine(),
        Text(SHORT_CAUTION, small=True),
        NewPage(),
    ]
    blocks += [Heading("For the inspector")]
    if panel_map is not None and result.spots:
        blocks.append(panel_map)
    blocks += _measures(result, units)
    blocks += _gauges(result, units)
    set_up = _set_up(result, units)
    if not result.spots:  # all of it is to stay on one page, and a fair panel mirrors straight stripes
        set_up = [replace(b, most_mm=24.0) if isinstance(b, Drawing) else b for b in set_up]
    elif in_gloss is not None:
        blocks.append(in_gloss)
    blocks += _uncertainty(result, units)
    blocks += set_up
    blocks += _origin(result, particulars, digest, photos)
    blocks += [Heading("Cautions"), Text(" ".join(CAUTIONS), small=True)]
    return blocks


def panel_blocks(result: StoredResult, pictures: Pictures, units: Units) -> list[Block]:
    """What page one shows of a panel under its verdict: pictures, spots, reasons, work order, limits."""
    overlay, panel_map, photos = pictures.overlay, pictures.panel_map, pictures.photos
    blocks: list[Block] = []
    if overlay is not None:
        clean_mm = _CLEAN_MM[0] if photos is None else _CLEAN_MM[0] - 32.0
        blocks.append(overlay if result.spots else replace(overlay, most_mm=clean_mm))
    if photos is not None and not result.spots:
        blocks.append(replace(photos, most_mm=24.0))
    # A clean panel has room for its map on the first page; with spots, their table comes first.
    if panel_map is not None and not result.spots:
        blocks.append(replace(panel_map, most_mm=_CLEAN_MM[1]))
    blocks.append(_spot_table(result, units))
    said = {headline_line(result, units), *first_lines(result, units)}
    blocks += [Text(text) for text in reason_lines(result, units, audience="tech") if text not in said]
    blocks += _work(result, units)
    return [*blocks, Text(limits_line(result.limits, units)), Text(not_looked_line(result))]


def _work(result: StoredResult, units: Units) -> list[Block]:
    """The work order, a line a step."""
    steps = work_lines(result.details, units)
    return (
        [Heading("Work order"), *(Text(f"{k}. {text}") for k, text in enumerate(steps, 1))] if steps else []
    )


def _spot_table(result: StoredResult, units: Units) -> Table | Text:
    if not result.spots:
        return Text("No high and no low is over or near the limits in the part that was measured.")
    rows = tuple(_spot_row(spot, result.details, units) for spot in result.spots)
    unit = units.word
    place = "x, y from the middle"
    return Table(
        ("No.", "Kind", place, f"Peak, {unit}", "±", "Size", "Area", "Limit", "What to do"),
        rows,
        (0.042, 0.065, 0.1, 0.075, 0.055, 0.105, 0.08, 0.065, 0.413),
        right=(0, 3, 4),
        note="± holds the true peak 95 times in 100. x to the right, y up. ▼ a low is filled or worked up;"
        " ▲ a high comes down first." + (_OPEN if any(spot.peak_open for spot in result.spots) else ""),
    )


def _spot_row(spot: Spot, details: dict[str, Any], units: Units) -> tuple[str, ...]:
    size = f"{units.bare(units.length(spot.length_mm))} × {units.length(spot.width_mm)}"
    notes = "".join(f" {_sentence(flag_text(name))}." for name in spot.flags)
    peak = units.bare(units.depth(spot.peak_mm, sign=True))
    if spot.peak_open:
        peak = ("≤ " if spot.kind == "low" else "≥ ") + peak
    return (
        str(spot.id),
        _MARKS.get(spot.kind, spot.kind),
        _place(spot.x_mm, spot.y_mm, units).removesuffix(f" {units.word}"),
        peak,
        "open" if spot.peak_open else units.bare(units.depth(spot.u95_mm)),
        size,
        units.area(spot.area_cm2),
        against_word(spot),
        f"{action_text(spot, units)} {better_shot_text(details, spot)}".rstrip() + notes,
    )


def _place(x_mm: float, y_mm: float, units: Units) -> str:
    return f"{units.bare(units.length(x_mm))}, {units.length(y_mm)}"


def _sentence(text: str) -> str:
    return text[:1].upper() + text[1:]


def _measures(result: StoredResult, units: Units) -> list[Block]:
    """Standard measures, in groups that refer to the same surface."""
    rows = []
    for names, surface in result.details.get("reference_surfaces", {}).items():
        shown = [_measure(name, result.measures.get(name, math.nan), units) for name in names.split(", ")]
        if "waviness" in names and result.details.get("waviness_mm"):
            surface = waviness_words(result.details["waviness_mm"], units)
        rows.append((", ".join(shown), surface))
    if not rows:
        return []
    note = (
        f"Of the {100 * result.coverage:.0f} % of the judged region that was measured."
        f" mrad: a slope of {units.slope(1.0)}."
    )
    return [Heading("Standard measures"), Table(("Measures", "Refer to"), tuple(rows), (0.5, 0.5), note=note)]


def _measure(name: str, value: float, units: Units) -> str:
    label = name.removesuffix("_mm").removesuffix("_mrad").replace("_", " ")
    if not math.isfinite(value):
        return f"{label} not measured"
    if name.endswith("_mm"):
        return f"{label} {units.depth(value)}"
    return f"{label} {value:.2f}" + (" mrad" if name.endswith("_mrad") else "")


def _gauges(result: StoredResult, units: Units) -> list[Block]:
    said = gauge_lines(result.details, units, mrad=True)
    if not said:
        return []
    return [
        Heading("Straightedge, block, filler and finish"),
        *(Text(text, small=True) for text in said),
    ]


def _uncertainty(result: StoredResult, units: Units) -> list[Block]:
    given = result.details.get("uncertainty", {})
    texts = [
        "Uncertainty: each ± is the standard uncertainty times"
        f" {given.get('coverage_factor', COVERAGE_FACTOR):g}; the interval holds the true value 95 times in 100"
        f" (names of"
        " JCGM 100). It is propagated from the places of board, camera and tags, the focal length, the stripe"
        " period, noise, unevenness and the choice of the fair form, after what the fair part of the panel rules out."
    ]
    if given.get("typical_u95_mm") is not None:
        texts.append(f"Typical ± over the panel: {units.depth(given['typical_u95_mm'])}.")
    decided = reason_lines(result, units, audience="inspector")
    texts += decided or [str(result.details["rule"])] if result.details.get("rule") else decided
    texts.append(f"Fair form: {result.height.form_name}.")
    blocks: list[Block] = [Heading("Uncertainty and decision rule"), *(Text(t, small=True) for t in texts)]
    rows = []
    for row in given.get("spots", []):
        terms = sorted(row.get("terms", []), key=lambda term: -term["u_mm"])[:3]
        if terms:
            words = ", ".join(f"{t['source']} {_small(t['u_mm'], units)}" for t in terms)
            rows.append((str(row["spot"]), words, str(row.get("shrinks_most", ""))))
    if rows:
        unit = " (µm: 1/1000 mm)" if units.name == "mm" else ""
        columns = ("Spot", f"Largest shares of the standard uncertainty{unit}", "What would shrink it most")
        blocks.append(Table(columns, tuple(rows), (0.07, 0.56, 0.37)))
    return blocks


def _small(mm: float, units: Units) -> str:
    """A share of an uncertainty: micrometres (a thousandth of a millimetre), or inches."""
    return f"{1e3 * mm:.1f} µm" if units.name == "mm" else f"{mm / 25.4:.5f} in"


def _set_up(result: StoredResult, units: Units) -> list[Block]:
    size = result.panel["size_mm"]
    drawing = draw_setup((size[0], size[1]), result.photos, result.details.get("setup", {}))
    how = measured_how(result, units)
    return how if drawing is None else [*how, drawing]


def _origin(
    result: StoredResult, particulars: Particulars, digest: str, photos: Picture | None
) -> list[Block]:
    """Photos with their digests, settings, versions, and the seal."""
    blocks: list[Block] = []
    if result.photos:
        rows = tuple(
            (str(row.get("file", "")), _focal(row), _pixels(row), str(row.get("sha256", "")))
            for row in result.photos
        )
        columns = ("Photo", "Focal length", "Tags fit to", "SHA-256 of the file")
        blocks += [Heading("Photos"), Table(columns, rows, (0.17, 0.14, 0.1, 0.59))]
        blocks += [Text(line, small=True) for line in film_lines(result.details)]
        blocks += [] if photos is None else [photos]
    run = result.run
    measured = run.get("map")
    if measured:
        blocks += [
            Heading("Map"),
            Text(
                f"{measured['file']}, standard uncertainty"
                f" {units_named(particulars.units).given(measured['u_mm'])}, SHA-256 {measured['sha256']}",
                small=True,
            ),
        ]
    libraries = ", ".join(f"{name} {value}" for name, value in run.get("libraries", {}).items())
    settings = ", ".join(
        f"{key.replace('_', ' ')} {_short(value)}"
        for key, value in run.get("settings", {}).items()
        if _short(value)
    )
    basis = "; ".join(
        f"{key.removesuffix('_mm').replace('_', ' ')}: {value}"
        for key, value in result.details.get("limits_basis", {}).items()
        if _ONLY_IF.get(key, "limits_basis")
        in result.details  # a limit of what was not measured says nothing
    )
    signed = f" Signed with the key {particulars.key}." if particulars.key else ""
    blocks += [
        Heading("Made with"),
        Text(
            f"surfscan {run.get('surfscan', '?')}, Python {run.get('python', '?')}, {libraries}."
            f" Checked {run.get('started', '?')}, took {run.get('seconds', '?')} s.",
            small=True,
        ),
        Text(f"Settings: {settings}.", small=True),
        Text(f"Where the limits come from: {basis}.", small=True),
        Heading("Seal"),
        Text(
            f"Digest of the result: {digest}. `surfscan verify` tells what differs."
            f"{signed} {what_it_shows(signed=bool(particulars.key))}",
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
