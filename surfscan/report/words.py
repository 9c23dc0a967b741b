"""A result's sentences in units: what the table, the papers, the pictures and the page all say in one way.

Everything here is worded from numbers at the last moment. Of a result from before there were records the sentences are
shown as it has them, mm.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Protocol

from surfscan.core.flags import describe
from surfscan.core.message import Message, Reason, Verdict
from surfscan.core.records import Spot
from surfscan.core.units import MM, UnitName, Units, units_named
from surfscan.judge.fault_words import counted, kinds_text, numbered
from surfscan.judge.fill_words import fill_plan_text
from surfscan.judge.reasons import sentences_of, stands_first
from surfscan.judge.sentence import headline_text
from surfscan.judge.trade import advice_text
from surfscan.judge.trade_table import words as trade_words
from surfscan.judge.work_order import read_steps, step_parts

__all__ = [
    "VERDICT_WORDS",
    "ResultText",
    "action_text",
    "against_word",
    "better_shot_text",
    "fault_lines",
    "first_lines",
    "flag_text",
    "gauge_lines",
    "headline_line",
    "interval_text",
    "limits_line",
    "not_looked_line",
    "reason_lines",
    "size_text",
    "work_lines",
]

MANY = 3
"""Photos of which the same is said in one line."""

VERDICT_WORDS = {
    "ready": "FAIR",
    "rework": "REWORK",
    "close": "TOO CLOSE TO CALL",
    "not_measured": "NOT MEASURED",
}

_OF = {"length": "long", "width": "wide"}
_AGAINST = {"rework": "over", "close": "too close", "ready": "within", "not_measured": "-", "": "-"}


class Told(Protocol):
    """What a result has in memory and read back alike."""

    @property
    def sentence(self) -> str: ...
    @property
    def reasons(self) -> tuple[str, ...]: ...
    @property
    def findings(self) -> tuple[Reason, ...]: ...
    @property
    def headline(self) -> Message: ...
    @property
    def limits(self) -> dict[str, Any]: ...
    @property
    def panel(self) -> dict[str, Any]: ...
    @property
    def details(self) -> dict[str, Any]: ...


def headline_line(result: Told, units: Units = MM) -> str:
    """The verdict in one sentence."""
    return headline_text(result.headline, result.findings, units, stored=result.sentence)


def reason_lines(result: Told, units: Units = MM, *, audience: str = "") -> list[str]:
    """All reasons in words, in order; with `audience`, those that are for it or for both."""
    texts = sentences_of(result.findings, units, stored=result.reasons)
    if not result.findings:
        return texts if audience != "inspector" else []
    wanted = {audience, "both"} if audience == "tech" else {audience}
    pairs = zip(result.findings, texts, strict=True)
    return _together([(one, text) for one, text in pairs if not audience or one.audience in wanted])


def _together(pairs: list[tuple[Reason, str]]) -> list[str]:
    """What is said of many photos in the same words is said once, where the first stands."""
    same: dict[str, list[str]] = {}
    for one, text in pairs:
        if one.about and text.startswith(f"{one.about}: "):
            same.setdefault(text.removeprefix(f"{one.about}: "), []).append(one.about)
    lines = []
    for one, text in pairs:
        said = text.removeprefix(f"{one.about}: ") if one.about else text
        files = same.get(said, []) if said != text else []
        if len(files) < MANY:
            lines.append(text)
        elif one.about == files[0]:
            lines.append(f"{files[0]} and {len(files) - 1} more photos: {said}")
    return lines


def first_lines(result: Told, units: Units = MM) -> list[str]:
    """Reasons that everything else on a page hangs on: they stand right under the verdict."""
    head = headline_line(result, units)
    texts = zip(result.findings, sentences_of(result.findings, units, stored=result.reasons), strict=False)
    return [text for one, text in texts if stands_first(one) and text != head]


def action_text(spot: Spot, units: Units = MM) -> str:
    """What to do about a spot."""
    return advice_text(spot.advice, units, stored=spot.action)


def better_shot_text(details: Mapping[str, Any], spot: Spot) -> str:
    """Which better shot settles a spot that is too close to call, by the largest term of its budget; "" for none."""
    if spot.verdict != Verdict.CLOSE or spot.peak_open:
        return ""
    rows = details.get("uncertainty", {}).get("spots", [])
    cure = next((row.get("shrinks_most") for row in rows if row.get("spot") == spot.id), "")
    return f"For a better shot: {cure}." if cure else ""


def against_word(spot: Spot) -> str:
    """How a spot stands to its limit, in a word or two."""
    return _AGAINST.get(spot.verdict, spot.verdict)


def size_text(spot: Spot, units: Units = MM) -> str:
    """Its depth or height without a sign: "0.281 mm", or "at least 0.281 mm" where the rim of what was seen cuts it."""
    size = units.depth(abs(spot.peak_mm))
    return f"at least {size}" if spot.peak_open else size


def interval_text(spot: Spot, units: Units = MM) -> str:
    """Its 95 % interval; open where the rim of what was seen cuts it."""
    size = abs(spot.peak_mm)
    low = units.depth(max(size - spot.u95_mm, 0.0))
    if spot.peak_open:
        return f"{low} or more"
    return f"{low} to {units.depth(size + spot.u95_mm)}"


def flag_text(name: str) -> str:
    """What a flag says, with its cure."""
    try:
        flag = describe(name)
    except KeyError:
        return name
    return f"{flag.sentence}; {flag.cure}" if flag.cure else flag.sentence


def limits_line(limits: Mapping[str, Any], units: Units = MM) -> str:
    """The limits that decide."""
    return (
        f"Limits: low {units.given(limits['low_mm'])}, high {units.given(limits['high_mm'])}, filler no deeper than"
        f" {units.given(limits['filler_depth_mm'])}."
    )


def _known(value: Any) -> bool:
    return value is not None and math.isfinite(value)


def not_looked_line(result: Told) -> str:
    """What was not looked for: on every result, whatever its verdict."""
    listed = result.details.get("not_looked_for")
    if not isinstance(listed, list):  # a result without a scale, or from before it was listed
        group = trade_words("not_looked_for")
        listed = [*group.get(str(result.panel.get("stage", "")), group["primer"]), *group["always"]]
    return f"Not looked for: {', '.join(map(str, listed))}."


def work_lines(details: Mapping[str, Any], units: Units = MM) -> list[str]:
    """The work order: one line a step, in the order in which it is done; empty when there is nothing to do."""
    lines = []
    for step in read_steps(details.get("work_order")):
        said = step_parts(step, units)
        takes = f" With {said['with']}." if said["with"] else ""
        lines.append(f"{said['what']}{takes} {said['again']}")
    return lines


def gauge_lines(details: Mapping[str, Any], units: Units = MM, *, mrad: bool = False) -> list[str]:
    """Straightedge, block, filler and finish; what is not there is left out. Slopes in mrad for the inspector."""
    said = _straightedge(details.get("straightedge", {}), units)
    block = details.get("block", {})
    if block.get("bridged_share") is not None:
        said.append(
            f"A sanding block of {units.given(block['length_mm'])} × {units.given(block['width_mm'])} bridges"
            f" {100 * block['bridged_share']:.0f} % of the surface (touches within"
            f" {units.given(block['touches_within_mm'])})."
        )
    fill = details.get("fill", {})
    down = fill.get("highs_down_first", {})
    if fill.get("lows") and _known(down.get("volume_ml")):
        least = "at least " if fill.get("at_least") else ""
        said.append(
            f"To fill the lows, with the highs down first: {least}{units.volume(down['volume_ml'])} over"
            f" {units.area(down['area_cm2'])}, {units.filler(down['depth_mm'])} at the deepest."
        )
    if fill.get("better") not in (None, "neither", "not_measured"):
        said.append(f"Fill plan: {_fill_plan(fill, units)}")
    slope = details.get("slope", {})
    if _known(slope.get("steepest_mrad")):
        counts = "" if slope.get("counts") else ", for information"
        short, long = slope["band_mm"]
        steep, limit = (
            f"{slope[key]:.3g} mrad" if mrad else units.slope(slope[key])
            for key in ("steepest_mrad", "limit_mrad")
        )
        said.append(
            f"Finish: steepest slope {steep} in waves of {units.given(short)} to {units.given(long)}"
            f" (limit {limit}{counts})."
        )
    said += _texture_lines(details.get("texture", {}), units, mrad=mrad)
    return [*said, *fault_lines(details, units)]


def fault_lines(details: Mapping[str, Any], units: Units) -> list[str]:
    """Small faults by kind with what to do, and down to what size they were looked for; none where nobody asked."""
    rows, work = details.get("faults", []), details.get("fault_work", {})
    said = []
    for kind, count in Counter(row["kind"] for row in rows).most_common():
        own = [row for row in rows if row["kind"] == kind]
        sizes = [row["length_mm"] for row in own]
        size = units.given(round(min(sizes), 1))
        if count > 1:
            size = f"{units.bare(size)} to {units.given(round(max(sizes), 1))}"
        places = numbered([row["id"] for row in own])
        said.append(f"{counted({kind: count})}, {size} long ({places}): {work[kind]}")
    looked = details.get("looked_for")
    if looked:
        each = ", ".join(
            f"{kinds_text([kind])} from {units.given(round(row['size_mm'], 1))} {_OF[row['of']]}"
            for kind, row in looked.items()
        )
        said.append(f"Small faults looked for, and found nine times in ten: {each}.")
    if details.get("maybe_dust"):
        many = len(details["maybe_dust"])
        said.append(
            f"{many} round place{'s' * (many != 1)} only dim{'s' * (many == 1)} the light: dust on the camera, or a"
            " dull place of the panel. From one place that can't be told: clean the lens, and take one more photo"
            " from 300 mm aside."
        )
    elif rows and details.get("camera_dust", 0) is None:
        said.append("One photo can't tell dust on the camera from the panel: clean the lens and shoot again.")
    if details.get("camera_dust"):
        places = f"{details['camera_dust']} place{'s' * (details['camera_dust'] != 1)}"
        said.append(f"Dust on the camera, left out: {places}. Clean the lens and its window.")
    return said


def _texture_lines(texture: Mapping[str, Any], units: Units, *, mrad: bool) -> list[str]:
    """The slope of each octave of short waves, in one line; none where nothing was measured."""
    rows = texture.get("bands", [])
    if not rows:
        return []

    def slope(value: float) -> str:
        return f"{value:.2g} mrad" if mrad else units.slope(value)

    each = ", ".join(
        f"{slope(row['slope_rms_mrad'])} in waves of {units.given(row['from_mm'])} to {units.given(row['to_mm'])}"
        for row in rows
    )
    return [f"Texture, root mean square: {each} (limit {slope(rows[0]['limit_mrad'])})."]


def _fill_plan(fill: Mapping[str, Any], units: Units) -> str:
    row = fill.get("message") or {}
    message = Message(str(row.get("code", "")), row.get("numbers", {}))
    return fill_plan_text(message, units, stored=str(fill.get("sentence", "")))


def _straightedge(straight: Mapping[str, Any], units: Units) -> list[str]:
    said = []
    for name, words in (
        ("worst", "worst gap"),
        ("at", "at the place asked for"),
        ("line", "along the line asked for"),
    ):
        gap = straight.get(name, {})
        value = gap.get("gap_mm", gap.get("greatest_mm"))
        if not _known(value):
            continue
        within = f" ± {units.depth(gap['u95_mm'])}" if _known(gap.get("u95_mm")) else ""
        where = ""
        if _known(gap.get("x_mm")):
            where = f" at {units.bare(units.length(gap['x_mm']))}, {units.length(gap['y_mm'])}"
        said.append(
            f"Straightedge of {units.given(straight['length_mm'])} on {straight.get('on', 'the deviation')}: {words}"
            f" {units.depth(value)}{within}{where}."
        )
    return said


@dataclass(frozen=True, slots=True)
class ResultText:
    """A result's sentences in units, for whoever shows them.

    Attributes
    ----------
    result : CheckResult or StoredResult
    units : {"mm", "inch"}
    """

    result: Told
    units: UnitName = "mm"

    def headline(self) -> str:
        """The verdict in one sentence."""
        return headline_line(self.result, units_named(self.units))

    def reasons(self) -> list[str]:
        """Every reason, what decides first."""
        return reason_lines(self.result, units_named(self.units))

    def first(self) -> list[str]:
        """Reasons that everything else hangs on, to stand right under the verdict."""
        return first_lines(self.result, units_named(self.units))

    def action(self, spot: Spot) -> str:
        """What to do about a spot."""
        return action_text(spot, units_named(self.units))

    def better_shot(self, spot: Spot) -> str:
        """Which better shot settles a spot that is too close to call; "" for none."""
        return better_shot_text(self.result.details, spot)

    def size(self, spot: Spot) -> str:
        """A spot's depth or height; "at least" where the rim of what was seen cuts it."""
        return size_text(spot, units_named(self.units))

    def interval(self, spot: Spot) -> str:
        """Its 95 % interval."""
        return interval_text(spot, units_named(self.units))

    def work(self) -> list[str]:
        """The work order, a line a step."""
        return work_lines(self.result.details, units_named(self.units))

    def not_looked_for(self) -> str:
        """What was not looked for."""
        return not_looked_line(self.result)

    def fault_lines(self) -> list[str]:
        """Small faults by kind, and down to what size they were looked for."""
        return fault_lines(self.result.details, units_named(self.units))

    def fill_plan(self) -> str:
        """Which way to deal with highs is better, and why."""
        return _fill_plan(self.result.details.get("fill", {}), units_named(self.units))
