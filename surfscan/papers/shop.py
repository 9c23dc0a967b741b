"""What the shop learns, on two pages: how the work goes, and how the measuring holds."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path

from surfscan.core.units import Units, units_named
from surfscan.papers.blocks import Block, Drawing, Fields, Heading, NewPage, Table, Text
from surfscan.papers.charts import Point, draw_chart
from surfscan.papers.html import make_html
from surfscan.papers.particulars import Particulars
from surfscan.papers.pdf import make_pdf
from surfscan.papers.sealed import see_setting
from surfscan.report.car_words import stage_word
from surfscan.report.output import prepare_output, write_files
from surfscan.shop.drift import DECISION, Drift
from surfscan.shop.figures import ShopFigures
from surfscan.shop.shares import Share, share_of
from surfscan.shop.table import as_csv, table_rows

__all__ = [
    "SHOP_FILES",
    "compose_shop",
    "drift_charts",
    "drift_words",
    "filler_rows",
    "ready_chart",
    "share_words",
    "told_of_record",
    "u95_chart",
    "write_shop",
]

SHOP_FILES = ("shop.pdf", "shop.html", "shop.csv", "shop.json")
_MONTHS = 6  # columns of the table on paper; the CSV has them all
_STATIONS = 2  # charts on paper
_KINDS = 6  # rows of spots that come back, the most counted first
_NO_JOB = "The record's passes need their job number (surfscan check --record PATH --job-number N)."


def write_shop(
    figures: ShopFigures,
    out: Path,
    particulars: Particulars,
    *,
    paper: str = "a4",
    created: datetime | None = None,
) -> list[Path]:
    """Write the figures as PDF, HTML, CSV and JSON.

    Parameters
    ----------
    figures : ShopFigures
    out : Path
    particulars : Particulars
        The shop's name, the date and the units are used; nobody's name is.
    paper : {"a4", "letter"}
    created : datetime, optional
        With its time zone; now when it is left out.

    Returns
    -------
    list of Path
    """
    see_setting(particulars, paper)
    prepare_output(out)
    rows = json.dumps({"schema": 1, "rows": table_rows(figures)}, indent=2) + "\n"
    digest = hashlib.sha256(rows.encode()).hexdigest()
    blocks = compose_shop(figures, particulars)
    title = "What the shop learns"
    made = created or datetime.now(UTC).replace(microsecond=0)
    files = {
        "shop.pdf": make_pdf(blocks, title=title, digest=digest, paper=paper, created=made),
        "shop.html": make_html(blocks, title=title, digest=digest).encode(),
        "shop.csv": as_csv(figures).encode(),
        "shop.json": rows.encode(),
    }
    return write_files(out, files)


def compose_shop(figures: ShopFigures, given: Particulars) -> list[Block]:
    """Put the two pages together."""
    units = units_named(given.units)
    heading: list[Block] = [
        Heading("What the shop learns", 1),
        Fields(
            tuple(
                row
                for row in (
                    ("Shop", given.shop), ("Date", given.date),
                    ("Checks", f"{figures.first} to {figures.last}" if figures.first else "none"),
                    ("Of", told_of_record(figures)),
                )
                if row[1]
            )
        ),
    ]  # fmt: skip
    return [
        *heading,
        *_ready(figures),
        *_passes(figures),
        *_filler(figures, units),
        *_back(figures),
        NewPage(),
        Heading("How the measuring holds"),
        *_drift(figures),
        *_u95(figures, units),
        Heading("How to read it"),
        Text(
            "Intervals hold the true share 95 times in 100 (Wilson). A panel counts by its job number and its name; its"
            " first look at a stage is the first check that measured it. Limits of a station's chart are three standard"
            f" deviations by moving ranges of its first checks; the cumulative sums are over at {DECISION:g}, which a"
            " steady station does about once in 465 checks. Names of panels and people are not in these figures; what"
            " is forgotten in the record is gone from them.",
            small=True,
        ),
    ]


def told_of_record(figures: ShopFigures) -> str:
    """How much the figures rest on."""
    checks, panels, jobs = (
        f"{count} {word}{'' if count == 1 else 's'}"
        for count, word in ((figures.passes, "check"), (figures.panels, "panel"), (figures.jobs, "job"))
    )
    told = f"{checks} of {panels} on {jobs}"
    if figures.without_job == 1:
        told += "; one check without a job number counts for the measuring only"
    elif figures.without_job:
        told += f"; {figures.without_job} checks without a job number count for the measuring only"
    return told


def share_words(share: Share) -> str:
    """Such as "8 of 10, 80 % (49 to 94 %)"."""
    if not share.of:
        return "-"
    return f"{share.count} of {share.of}, {100 * share.share:.0f} % ({100 * share.low:.0f} to {100 * share.high:.0f} %)"


def ready_chart(figures: ShopFigures) -> Drawing | None:
    """Ready at first look over all stages, by month; None without any."""
    months = sorted({s.group for s in figures.first_looks if s.group})
    points = []
    for month in months:
        here = [s for s in figures.first_looks if s.group == month]
        one = share_of(sum(s.count for s in here), sum(s.of for s in here))
        points.append(Point(month, 100 * one.share, 100 * one.low, 100 * one.high))
    if not points:
        return None
    caption = "Ready at first look, all stages together, % by month, with 95 % intervals."
    return Drawing((("", draw_chart(points, least=0.0, most=100.0)),), caption, most_mm=44.0)


def _ready(figures: ShopFigures) -> list[Block]:
    blocks: list[Block] = [Heading("Ready at first look")]
    chart = ready_chart(figures)
    if chart is None:
        return [*blocks, Text(f"Nothing to tell yet. {_NO_JOB}")]
    months = sorted({s.group for s in figures.first_looks if s.group})[-_MONTHS:]
    stages = list(dict.fromkeys(s.stage for s in figures.first_looks))
    known = {(s.stage, s.group): s for s in figures.first_looks}

    def cell(stage: str, group: str) -> str:
        share = known.get((stage, group))
        return (
            "-"
            if share is None
            else f"{share.count}/{share.of} ({100 * share.low:.0f}–{100 * share.high:.0f} %)"
        )

    rows = tuple(
        (stage_word(stage), share_words(known[stage, ""]), *(cell(stage, month) for month in months))
        for stage in stages
    )
    each = 0.6 / max(len(months), 1)
    columns = ("Stage", "All the time", *months)
    note = (
        "So many ready of so many panels, with the 95 % interval. Earlier months are in the table (shop.csv)."
    )
    return [*blocks, chart, Table(columns, rows, (0.13, 0.27, *[each] * len(months)), note=note)]


def _passes(figures: ShopFigures) -> list[Block]:
    if not figures.counts:
        return []
    rows = []
    for counts in figures.counts:
        by = dict(counts.ready)
        more = sum(n for k, n in counts.ready if k > 3)
        mean = "-" if math.isnan(counts.mean) else f"{counts.mean:.1f}"
        cells = (str(by.get(k, 0)) for k in (1, 2, 3))
        rows.append((stage_word(counts.stage), *cells, str(more), mean, str(counts.open)))
    columns = ("Stage", "1 pass", "2", "3", "4 and more", "Mean", "Not ready yet")
    return [
        Heading("Passes until a panel was ready"),
        Table(columns, tuple(rows), (0.22, 0.13, 0.13, 0.13, 0.13, 0.13, 0.13), right=(1, 2, 3, 4, 5, 6)),
    ]


def filler_rows(figures: ShopFigures, units: Units) -> list[tuple[str, ...]]:
    """What the lows asked for and what went on, in all: label, panels, together, the panel in the middle, thickest."""
    rows: list[tuple[str, ...]] = []
    for label, sums in (
        ("asked for at first look", figures.asked_for),
        ("went on between passes", figures.went_on),
    ):
        for one in (s for s in sums if not s.month):
            total = units.volume(one.total_ml)
            if math.isfinite(one.u95_ml):
                total += f" ± {units.volume(one.u95_ml)}"
            rows.append(
                (label, str(one.panels), total, units.volume(one.median_ml), units.filler(one.most_mm))
            )
    return rows


def _filler(figures: ShopFigures, units: Units) -> list[Block]:
    rows = filler_rows(figures, units)
    note = "" if figures.compared else "What went on is found by comparing passes: surfscan shop --compare."
    if figures.not_compared:
        note += f" {figures.not_compared} pairs of passes could not be compared."
    if not rows:
        return [Heading("Filler"), Text(f"None was asked for. {note}".strip())]
    columns = ("Filler", "Panels", "Together", "Panel in the middle", "Thickest")
    return [
        Heading("Filler"),
        Table(columns, tuple(rows), (0.3, 0.1, 0.22, 0.2, 0.18), right=(1, 2, 3, 4), note=note.strip()),
    ]


def _back(figures: ShopFigures) -> list[Block]:
    rows = tuple(
        (stage_word(s.stage), {"low": "▼ low", "high": "▲ high"}.get(s.group, s.group), share_words(s))
        for s in sorted(figures.back, key=lambda s: -s.of)[:_KINDS]
    )
    if not rows:
        return [
            Heading("Spots that come back"),
            Text("No panel with spots over its limit was checked again yet."),
        ]
    note = "Of the spots over their limit, so many were there again, at the same place, at the panel's next check."
    columns = ("Stage worked at", "Kind", "There again at the next check")
    return [Heading("Spots that come back"), Table(columns, rows, (0.3, 0.2, 0.5), note=note)]


def drift_words(drift: Drift) -> str:
    """What a station's chart says, in a sentence."""
    name = drift.station or "checks at no named station"
    what = (
        "measured over true depth"
        if drift.of == "proof"
        else "disagreement of both directions, mrad, week by week"
    )
    said = []
    if drift.outside:
        said.append(
            f"{len(drift.outside)} outside the limits, the latest on {drift.when[drift.outside[-1]][:10]}"
        )
    if drift.drifting:
        start = drift.drifting[0]
        side = "up" if drift.up[start] > drift.down[start] else "down"
        said.append(f"drifting {side} since about {drift.when[start][:10]}")
    told = "; ".join(said) or "steady"
    return f"{name[:1].upper()}{name[1:]} ({what}, {len(drift.values)} points): {told}."


def drift_charts(drift: Drift) -> tuple[Drawing, Drawing]:
    """The single values with their limits, and both cumulative sums with their interval."""
    singles = [
        Point(when[5:10], v, v - u, v + u, k in drift.outside)
        for k, (when, v, u) in enumerate(zip(drift.when, drift.values, drift.u95, strict=True))
    ]
    levels = [(drift.low, "limit"), (drift.centre, "centre"), (drift.high, "limit")]
    if drift.of == "consistency":
        levels = levels[1:] if drift.low < 0 else levels
    first = Drawing((("", draw_chart(singles, levels=levels)),), "Each by itself (Shewhart).", most_mm=34.0)
    sums = [
        Point(when[5:10], up if up >= down else -down, flagged=k in drift.drifting)
        for k, (when, up, down) in enumerate(zip(drift.when, drift.up, drift.down, strict=True))
    ]
    bounds = [(DECISION, "over"), (-DECISION, "under")]
    second = draw_chart(sums, levels=bounds, joined=True)
    return first, Drawing(
        (("", second),), "Summed up (CUSUM), standard deviations; below zero: down.", most_mm=30.0
    )


def _drift(figures: ShopFigures) -> list[Block]:
    blocks: list[Block] = [Heading("Do the stations drift?")]
    if not figures.drifts:
        return [*blocks, Text("Too few proofs and checks yet: a chart needs eight of a station.")]
    worst: Sequence[Drift] = sorted(figures.drifts, key=lambda d: d.steady)
    for drift in worst[:_STATIONS]:
        blocks += [Text(drift_words(drift)), *drift_charts(drift)]
    rest = worst[_STATIONS:]
    return [*blocks, *(Text(drift_words(drift), small=True) for drift in rest[:6])]


def u95_chart(figures: ShopFigures, units: Units) -> Drawing | None:
    """Typical uncertainty by month; None without any."""
    if not figures.u95:
        return None
    scale = 25.4 if units.name == "inch" else 1.0
    points = [
        Point(m.month, m.median_mm / scale, m.lower_mm / scale, m.upper_mm / scale) for m in figures.u95
    ]
    caption = f"Typical ± over a panel, {units.word}: median and quartiles of each month's checks."
    return Drawing((("", draw_chart(points, least=0.0)),), caption, most_mm=34.0)


def _u95(figures: ShopFigures, units: Units) -> list[Block]:
    chart = u95_chart(figures, units)
    return [Heading("Uncertainty over time"), chart or Text("No check told its uncertainty.")]
