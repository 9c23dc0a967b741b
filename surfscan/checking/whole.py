"""Checked views of one panel joined into one result: the parts' heights, not their deviations, so that one fair form
runs through all of them."""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from itertools import combinations
from typing import Any

import cv2
import numpy as np

from surfscan.checking.build import MapPlaces, Shown, build_result, uncertainty_row, versions, when
from surfscan.checking.from_map import raking
from surfscan.checking.setup_told import contradicted
from surfscan.checking.whole_adjust import WAVE_MM, Joined, ViewMap, join_heights
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.flags import bit, describe
from surfscan.core.message import Reason, Verdict, Weight
from surfscan.core.records import Array, CheckResult, HeightMap
from surfscan.core.robust import robust_spread
from surfscan.judge.gauges import Instruments
from surfscan.judge.judgement import judge_map
from surfscan.judge.limits import Limits, default_limits, with_given
from surfscan.judge.reasons import reason
from surfscan.judge.trade import material_of
from surfscan.judge.verdict import Evidence
from surfscan.results.stored import StoredResult
from surfscan.surface.form import FairForm, fit_fair_form, take_form_off

__all__ = ["join_views"]

SAME_TAG_MM = 2.0
"""Two views that put one tag further apart than this do not mean one panel frame."""

DISAGREE_MM = 0.010
"""Views may differ by this in an overlap (rms, tilt and bend off), or by three times what their uncertainty says."""

ENOUGH = 400

WAVE_LEAST_MM = 0.0003
"""Least size of a fair panel's own waves, as in the budget."""

_LIMITS = ("low_mm", "high_mm", "filler_depth_mm", "putty_depth_mm", "confidence", "slope_mrad", "band_mm")


def join_views(
    results: list[StoredResult], *, name: str = "", instruments: Instruments | None = None
) -> CheckResult:
    """Join two or more checked views of one panel.

    Parameters
    ----------
    results : list of StoredResult
        Each with its place in the whole panel's frame (``panel.origin_mm``).
    name : str
        Of the whole panel; the first view's when empty.
    instruments : Instruments, optional

    Returns
    -------
    CheckResult
        In the whole panel's frame.

    Raises
    ------
    RefusedError
        When the views do not belong together: other stage or limits, no place, tags that disagree, no overlap, or
        heights that disagree.
    NotMeasuredError
    """
    began, started = time.perf_counter(), datetime.now(UTC)
    _check_alike(results)
    views = [ViewMap(r.name, r.height, _origin(r)) for r in results]
    joined = join_heights(views)
    _check_joined(results, joined)
    limits, detail = _limits(results[0]), _detail(results)
    height, coverage, seam, fair = _about_one_form(results, views, joined, limits, detail)
    slopes = [r.details.get("slope", {}).get("u_mrad") for r in results]
    one_way = any("one_direction" in s.flags for r in results for s in r.spots)
    judgement = judge_map(
        height,
        limits=limits,
        stage=results[0].panel["stage"],
        material=material_of(results[0].panel),
        coverage=coverage,
        period_mm=detail,
        u_slope_mrad=max((float(s) for s in slopes if s is not None), default=0.05),
        instruments=instruments or Instruments(),
        spot_flags=("one_direction",) if one_way else (),
    )
    grid = height.grid
    return build_result(
        judgement,
        _with_parts(judgement.evidence, results, height, one_way=one_way),
        panel={
            "name": name or results[0].panel.get("name", ""),
            "stage": results[0].panel["stage"],
            "size_mm": [float(np.ptp(axis) + grid.step_mm) for axis in (grid.x_mm, grid.y_mm)],
            **{key: results[0].panel[key] for key in ("substrate", "film_mm") if key in results[0].panel},
        },
        limits=limits,
        height=height,
        shown=Shown(
            raking(height),
            MapPlaces(grid),
            tuple({**photo, "view": r.name} for r in results for photo in r.photos),
        ),
        run={
            **versions(),
            "settings": {
                "grid_mm": grid.step_mm,
                "fair_form": fair.name,
                "reflected_period_mm": [detail, detail],
            },
            **when(started, began),
        },
        details={
            "joined": {
                "views": [
                    {"name": r.name, "origin_mm": list(v.origin_mm), "size_mm": list(r.panel["size_mm"])}
                    for r, v in zip(results, views, strict=True)
                ],
                "overlaps": list(joined.pairs),
            },
            "uncertainty": uncertainty_row(
                height, judgement.spots, inputs={}, terms=_terms(joined.sigma_mm, seam, fair.sigma_mm)
            ),
        },
    )


def _about_one_form(
    results: list[StoredResult], views: list[ViewMap], joined: Joined, limits: Limits, detail: float
) -> tuple[HeightMap, float, Array, FairForm]:
    """The joined heights as a deviation from one fair form; their coverage, what joining left unsure, and the form."""
    grid = joined.grid
    region, flags = _flags(results, views, joined)
    measured = np.isfinite(joined.height_mm) & (region == 0)
    coverage = float(measured.sum() / max(int((region == 0).sum()), 1))
    if measured.sum() < ENOUGH:
        raise NotMeasuredError(
            "the joined views hold hardly any height",
            found=f"{int(measured.sum())} cells",
            allowed=f"at least {ENOUGH} cells",
            cure="check the views one by one, and join those that were measured",
        )
    x, y = grid.x_mm - float(grid.x_mm.mean()), grid.y_mm - float(grid.y_mm.mean())
    absolute = np.where(measured, joined.height_mm, np.nan)
    fair = fit_fair_form(
        absolute,
        x_mm=x,
        y_mm=y,
        floor_mm=min(0.004, 0.25 * min(limits.low_mm, limits.high_mm)),
        grow_px=max(2, round(0.6 * max(detail, 12.0) / grid.step_mm)),
    )
    seam = _seam_sigma(joined, fair, x, y, measured)
    sigma = np.where(measured, np.sqrt(joined.sigma_mm**2 + seam**2 + fair.sigma_mm**2), np.nan)
    return (
        HeightMap(grid, absolute - fair.form_mm, fair.form_mm, sigma, flags, fair.name),
        coverage,
        seam,
        fair,
    )


_OF_THE_VIEW = ("setup-", "photo-", "light-", "other-panel-")
"""What a view's reasons of these kinds say stays true of the whole; spots, limits and what was seen are judged anew."""


def _with_parts(
    evidence: Evidence, results: list[StoredResult], height: HeightMap, *, one_way: bool
) -> Evidence:
    """The joined map's evidence with the views' own doubts: joining does not take them away."""
    folded = None
    if np.any(height.flags & bit("fold")):
        flag = describe("fold")
        folded = (flag.sentence, flag.cure)
    doubts = [
        replace(one, numbers={**one.numbers, "view": r.name}, about=f"{r.name}: {one.about}".rstrip(": "))
        for r in results
        for one in _own_reasons(r)
        if one.code.startswith(_OF_THE_VIEW)
    ]
    return replace(
        evidence,
        folded=folded,
        unseen=("too little of the whole panel was seen", "add a view"),
        one_direction=evidence.one_direction or one_way,
        doubts=tuple(doubts),
    )


def _own_reasons(result: StoredResult) -> list[Reason]:
    """A view's reasons; of a result from before there were records, the doubts that its figures tell."""
    if result.findings:
        return list(result.findings)
    found = []
    mirror = result.details.get("mirror_check") or {}
    if mirror and not mirror.get("agrees", True):
        worst = max(mirror["tags"], key=lambda row: row["off_mm"] / row["u_mm"])
        found.append(contradicted(worst))
    if any("one_direction" in spot.flags for spot in result.spots) and result.verdict == Verdict.CLOSE:
        found.append(reason("light-one-direction", Weight.DOUBT))
    return found


def _terms(own: Array, seam: Array, fair: Array) -> Callable[[int, int], list[tuple[str, float, str]]]:
    def at(row: int, column: int) -> list[tuple[str, float, str]]:
        terms = [
            ("the views' own", float(own[row, column]), "see each view's result"),
            ("joining", float(seam[row, column]), "more overlap between the views"),
            ("fair form", float(fair[row, column]), "judge a larger region"),
        ]
        return sorted(terms, key=lambda term: -term[1])

    return at


def _origin(result: StoredResult) -> tuple[float, float]:
    x, y = result.panel["origin_mm"]
    return float(x), float(y)


def _check_alike(results: list[StoredResult]) -> None:
    if len(results) < 2:
        raise RefusedError(
            "join needs two views or more",
            found=str(len(results)),
            cure="name every view's folder",
            allowed="two or more",
        )
    first = results[0]
    for other in results:
        if other.panel.get("origin_mm") is None:
            raise RefusedError(
                f"{other.name} does not say where it lies on the whole panel",
                found="no panel.origin_mm",
                allowed="origin_mm = [x, y] in the [panel] of every view",
                cure="give the place of each view's middle in the whole panel's frame, and check it again",
            )
        for key, mine, its in (
            ("stage", first.panel.get("stage"), other.panel.get("stage")),
            *((k, first.limits.get(k), other.limits.get(k)) for k in _LIMITS),
        ):
            if mine != its:
                raise RefusedError(
                    f"{other.name} was not checked like {first.name}",
                    found=f"{key} {its} and {mine}",
                    allowed="one stage and the same limits for all views",
                    cure="give all views the same [limits] and stage, and check them again",
                )
    for a, b in combinations(results, 2):
        tags = [r.panel.get("tags_mm") or {} for r in (a, b)]
        for tag in sorted(set(tags[0]) & set(tags[1])):
            one, two = (
                (r[tag][0] + o[0], r[tag][1] + o[1])
                for r, o in zip(tags, (_origin(a), _origin(b)), strict=True)
            )
            apart = math.dist(one, two)
            if apart > SAME_TAG_MM:
                raise RefusedError(
                    f"{a.name} and {b.name} do not agree about tag {tag}",
                    found=f"{apart:.1f} mm apart in the whole panel's frame",
                    allowed=f"{SAME_TAG_MM:g} mm",
                    cure="check origin_mm and the tag's centre in both; a tag of another place needs another number",
                )


def _check_joined(results: list[StoredResult], joined: Joined) -> None:
    if joined.links.max() > 0:
        alone = [r.name for r, group in zip(results, joined.links, strict=True) if group != joined.links[0]]
        raise RefusedError(
            f"{', '.join(alone)} does not overlap the other views",
            allowed="a strip of at least 50 mm that two views share",
            cure="check origin_mm, or add a view between",
            found="no strip that it shares with another",
        )
    for pair in joined.pairs:
        left, most = float(pair["left_mm"]), max(DISAGREE_MM, 3 * float(pair["expected_mm"]))
        if left > most:
            raise RefusedError(
                f"{pair['views']} do not agree where they overlap",
                found=f"{1e3 * left:.0f} um between them (rms)",
                allowed=f"{1e3 * most:.0f} um",
                cure="check origin_mm, and that the panel was not worked on or moved on its stand in between",
            )


def _flags(results: list[StoredResult], views: list[ViewMap], joined: Joined) -> tuple[Array, Array]:
    """What is not judged (0 where it is), and the flags of the joined map."""
    grid = joined.grid
    outside = bit("outside")
    not_judged = outside | bit("left_out") | bit("tag")
    region = np.full(grid.shape, outside, np.int32)
    open_flags = np.zeros(grid.shape, np.int32)
    own = np.zeros(grid.shape, np.int32)
    inside = np.zeros(grid.shape, bool)
    for k, (result, view) in enumerate(zip(results, views, strict=True)):
        source = result.height.grid
        column = np.rint((grid.x_mm - view.origin_mm[0] - source.x_mm[0]) / source.step_mm).astype(int)
        row = np.rint((grid.y_mm - view.origin_mm[1] - source.y_mm[0]) / source.step_mm).astype(int)
        on_x, on_y = (column >= 0) & (column < source.x_mm.size), (row >= 0) & (row < source.y_mm.size)
        part = np.full(grid.shape, outside, np.int32)
        part[np.ix_(on_y, on_x)] = result.height.flags[np.ix_(row[on_y], column[on_x])]
        judged = (part & not_judged) == 0
        region = np.where(inside | judged, 0, np.where(region == outside, part & not_judged, region))
        inside |= judged
        open_flags |= np.where(judged, part, 0)
        own = np.where(joined.best == k, part, own)
    measured = np.isfinite(joined.height_mm)
    lasting = own & (bit("one_direction") | bit("island"))
    flags = np.where(region != 0, region, np.where(measured, lasting, open_flags)).astype(np.int32)
    return region, flags


def _limits(result: StoredResult) -> Limits:
    given: dict[str, Any] = {k: v for k, v in result.limits.items() if k in _LIMITS and v is not None}
    decides = bool(result.details.get("slope", {}).get("counts"))
    if not decides:
        given.pop("slope_mrad", None)
    if "band_mm" in given:
        given["band_mm"] = tuple(given["band_mm"])
    return with_given(default_limits(result.panel["stage"]), given)


def _detail(results: list[StoredResult]) -> float:
    periods = [p for r in results for p in r.run.get("settings", {}).get("reflected_period_mm", []) if p]
    return max((float(p) for p in periods), default=0.0)


def _seam_sigma(joined: Joined, fair: FairForm, x: Array, y: Array, measured: Array) -> Array:
    """What the adjustment may still be off by, once the form has followed it; mm."""
    skip = max(1, int(np.sqrt(measured.sum() / 2500)))
    cut = np.s_[skip // 2 :: skip, skip // 2 :: skip]
    use = (measured & ~fair.spots)[cut]
    ways = []
    for k in range(joined.moves_mm.shape[-1]):
        change = np.where(measured[cut], joined.moves_mm[cut][..., k], np.nan)
        ways.append(np.nan_to_num(take_form_off(change, fair, x_mm=x[cut[1]], y_mm=y[cut[0]], use=use)))
    moved = np.stack(ways, -1)
    # The fair part is not bent the way these moves would bend it, which rules most of them out (as in the budget).
    deviation = (joined.height_mm - fair.form_mm)[cut][use]
    wave = max(float(robust_spread(deviation)), WAVE_LEAST_MM)
    weight = min((skip * joined.grid.step_mm / WAVE_MM) ** 2, 1.0) / wave**2
    seen = moved[use]
    covariance = np.linalg.inv(np.eye(seen.shape[1]) + weight * np.einsum("nj,nk->jk", seen, seen))
    mean = weight * covariance @ np.einsum("nj,n->j", seen, np.clip(deviation, -3 * wave, 3 * wave))
    covariance = covariance + np.outer(mean, mean)  # not taken off, so it stays in the uncertainty
    total = np.einsum("hwj,jk,hwk->hw", moved, covariance, moved)
    h, w = joined.height_mm.shape
    return np.asarray(cv2.resize(np.sqrt(np.maximum(total, 0)), (w, h), interpolation=cv2.INTER_LINEAR))
