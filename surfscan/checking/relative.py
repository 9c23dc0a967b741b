"""A job without a scale: the picture of its highs and lows, and no millimetre.

No tags and no corners, or a board that stands nobody knows where: what the photos then tell is which way the panel
bends and by how much compared with its other faults. With tags or corners the photos are laid onto the panel first;
without, the photo's own pixels carry the picture.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from surfscan.checking.build import limits_row, versions, when
from surfscan.checking.relative_bends import at_cells, follow_free, smaller, stepped_bends
from surfscan.checking.relative_frames import (
    FramedPhoto,
    PhotoFrame,
    cell_px,
    frame_on_panel,
    frame_on_photo,
    stand_if_placed,
)
from surfscan.core.errors import NotMeasuredError
from surfscan.core.flags import bit
from surfscan.core.message import Reason, Verdict, Weight
from surfscan.core.records import Array, CheckResult, Grid, HeightMap, Photo
from surfscan.core.robust import robust_spread
from surfscan.job.sheet import Sheet
from surfscan.judge.find_spots import find_spots
from surfscan.judge.limits import Limits
from surfscan.judge.measure_spot import measure_spot
from surfscan.judge.reasons import REASONS, reason
from surfscan.judge.verdict import with_reasons
from surfscan.phase.free import DOUBTED
from surfscan.reading.relative import Bend, bend_of_dots, bend_of_phase, height_of_bends
from surfscan.reading.station import Station
from surfscan.surface.ladder import fit_ladder

__all__ = ["look_job"]

STANDS_OUT = 6.0
"""A high or low must be this many times the unevenness of the rest, a robust standard deviation (our choice) ..."""

LEAST_SHIFT = 0.04
"""... and shift the stripes somewhere by this share of one: less is within what board and print do."""

LEAST_SHARE = 0.1
"""Nor is anything listed that is less than this share of the deepest."""


@dataclass(frozen=True, slots=True)
class _Look:
    """What was seen: deviation in units of the deepest, and what it rests on."""

    relative: Array
    rows: list[dict[str, Any]]
    one_way: bool
    stripe_cells: float
    seen: Array
    doubts: list[Reason]
    trust: list[float | None]
    form: str


def look_job(
    sheet: Sheet,
    photos: list[Photo],
    *,
    why: str,
    limits: Limits,
    started: datetime,
    began: float,
    progress: Callable[[float], None] | None = None,
) -> CheckResult:
    """Look at the photos of a sheet without a scale.

    Parameters
    ----------
    sheet : Sheet
    photos : list of Photo
        In the sheet's order.
    why : str
        From `lights.lacks_scale`.
    limits : Limits
        Only listed: nothing is held against them.
    started, began
        As in `outcome.assemble`.
    progress : callable, optional
        Told a share from 0 to 1.

    Returns
    -------
    CheckResult
        Verdict ``not_measured``; ``spots`` is empty, every height is NaN; ``details["relative"]`` and
        ``maps["relative"]`` hold what was seen, -1 to 1.

    Raises
    ------
    NotMeasuredError
        When not even that can be seen.
    RefusedError
        When tags or corners that the sheet names can't be used.
    """
    if sheet.by_lamp:
        raise NotMeasuredError(
            "a lamp job needs tags or corners_px",
            found=why,
            cure="lay tags on the panel: the lamp's places are counted from its middle",
            allowed="tags or corners_px, for a lamp",
        )
    if sheet.board is not None and sheet.board.pattern == "crossed":
        raise NotMeasuredError(
            "crossed stripes can't be looked at without a scale",
            found=why,
            cure="lay tags on the panel and say where the board stands, or use stripes of one direction",
            allowed="tags or corners_px and the board's place, for crossed stripes",
        )
    tell = progress or (lambda share: None)
    stations = stand_if_placed(sheet, photos)
    if stations:
        frame, pictures = frame_on_panel(sheet, stations)
    else:
        frame, pictures = frame_on_photo(photos)
    tell(0.2)
    look = _look(sheet, frame, pictures, tell)
    reasons = [reason("setup-no-scale", Weight.DECIDES, why=why)]
    if not look.rows:
        reasons.append(reason("seen-nothing-stands-out"))
    elif look.one_way:
        reasons.append(reason("light-one-direction-look"))
    reasons += [*look.doubts, reason("light-assumed")]
    if not stations and (sheet.panel.region_mm or sheet.panel.leave_out_mm):
        reasons.append(reason("setup-region-unused"))
    run = {**versions(), "settings": {"fair_form": look.form}, **when(started, began)}
    return with_reasons(_result(sheet, photos, stations, frame, look, limits, run), reasons)


def _look(
    sheet: Sheet, frame: PhotoFrame, pictures: list[FramedPhoto], tell: Callable[[float], None]
) -> _Look:
    shape = frame.column_px.shape
    pattern = "stripes" if sheet.board is None else sheet.board.pattern
    doubts: list[Reason] = []
    trust: list[float | None] = [None] * len(pictures)
    bends: list[Bend] = []
    if pattern == "dots":
        small, usable = smaller(pictures[0].image, pictures[0].usable, shape)
        pair, _ = bend_of_dots(small, usable, lean=frame.lean)
        bends = list(pair)
    elif pattern == "stepped":
        bends = stepped_bends(sheet, frame, pictures)
    else:
        for k, picture in enumerate(pictures):
            if picture.usable.sum() < 2000:
                doubts.append(reason("photo-not-used", about=picture.name, file=picture.name))
                continue
            try:
                free = follow_free(picture)
            except NotMeasuredError:
                doubts.append(reason("photo-no-stripes", about=picture.name, file=picture.name))
                continue
            trust[k] = free.trust
            if free.trust < DOUBTED:
                doubts.append(
                    reason(
                        "photo-doubtful",
                        about=picture.name,
                        file=picture.name,
                        trust=float(free.trust),
                        threshold=DOUBTED,
                    )
                )
            phase, valid, sigma = (at_cells(v, shape) for v in (free.phase_rad, free.valid, free.sigma_rad))
            noise = float(np.median(sigma[valid])) if valid.any() else 1.0
            try:
                bends.append(bend_of_phase(phase, valid & ~frame.outside, sigma_rad=noise, lean=frame.lean))
            except NotMeasuredError:
                doubts.append(reason("photo-no-stripes", about=picture.name, file=picture.name))
            tell(0.2 + 0.5 * (k + 1) / len(pictures))
    if not bends:
        raise NotMeasuredError(
            "the panel can't be seen in these photos",
            found="no stripes that can be followed",
            cure="place the board so that the whole panel reflects it, and look at the reflection's focus",
            allowed="stripes that run over the panel",
        )
    height, one_way = height_of_bends(bends)
    if len(bends) == 2 and one_way:
        doubts.append(reason("light-same-direction"))
    tell(0.85)
    finest = 3.0 if pattern == "stepped" else 0.5 * float(np.median([bend.period_cells for bend in bends]))
    return _found(frame, height, bends, one_way, doubts, trust, finest)


def _found(
    frame: PhotoFrame,
    height: Array,
    bends: list[Bend],
    one_way: bool,
    doubts: list[Reason],
    trust: list[float | None],
    finest: float,
) -> _Look:
    """Form off, what stands out listed, everything in units of the deepest."""
    h, w = height.shape
    x, y = np.arange(w) - (w - 1) / 2, np.arange(h) - (h - 1) / 2
    period = float(np.median([bend.period_cells for bend in bends]))
    tiny = 1e-9 * float(np.nanmax(np.abs(height)) + 1e-12)
    fair = fit_ladder(height, x_mm=x, y_mm=y, floor_mm=tiny, grow_px=max(2, round(0.6 * period)))
    off = height - fair.form_mm
    calm = np.isfinite(off) & ~fair.spots
    spread = float(robust_spread(off[calm if calm.sum() > 400 else np.isfinite(off)]))
    shift = np.nanmax([np.abs(np.nan_to_num(bend.slope)) / bend.period_cells for bend in bends], axis=0)
    kinds: list[tuple[str, Any, float]] = []
    least = max(STANDS_OUT * spread, LEAST_SHARE * float(np.nanmax(np.abs(off))))
    for kind, sign in (("low", -1), ("high", 1)):
        labels = find_spots(off, sign=sign, least_mm=least, limit_mm=least)
        for k in range(1, int(labels.max()) + 1):
            cells = labels == k
            shape = measure_spot(cells, off, sign=sign, x_mm=x, y_mm=y, step_mm=1.0)
            if float(shift[cells].max()) > LEAST_SHIFT and min(shape.length_mm, shape.width_mm) > finest:
                kinds.append((kind, shape, shape.peak_mm))
    kinds.sort(key=lambda row: -abs(row[2]))
    unit = abs(kinds[0][2]) if kinds else max(float(np.nanmax(np.abs(off))), STANDS_OUT * spread, 1e-12)
    rows = []
    for number, (kind, shape, peak) in enumerate(kinds, 1):
        at = shape.row, shape.column
        rows.append(
            {
                "id": number,
                "kind": kind,
                "relative_depth": peak / unit,
                "unevenness": spread / unit,
                "column_px": float(frame.column_px[at]),
                "row_px": float(frame.row_px[at]),
                "length_stripes": shape.length_mm / period,
                "width_stripes": shape.width_mm / period,
                "at_edge": shape.at_edge,
            }
        )
    seen = np.isfinite(off)
    return _Look(np.clip(off / unit, -1.0, 1.0), rows, one_way, period, seen, doubts, trust, fair.name)


def _as_they_are(points: Array) -> Array:
    """Without a scale, places are photo pixels already."""
    return np.asarray(points[:, :2])


def _result(
    sheet: Sheet,
    photos: list[Photo],
    stations: list[Station],
    frame: PhotoFrame,
    look: _Look,
    limits: Limits,
    run: dict[str, Any],
) -> CheckResult:
    h, w = look.relative.shape
    nowhere = Grid(np.full(w, np.nan), np.full(h, np.nan), float("nan"))
    nothing = np.full((h, w), np.nan)
    flags = np.where(look.seen, 0, bit("weak_stripes")).astype(np.int32)
    flags[frame.outside] = bit("outside")
    share = float(look.seen.sum() / max(int((~frame.outside).sum()), 1))
    reprojection: list[float | None] = [station.fit.pose.reprojection_px for station in stations] or [
        None
    ] * len(photos)
    return CheckResult(
        panel={"name": sheet.panel.name, "stage": sheet.panel.stage, "size_mm": list(sheet.panel.extent_mm)},
        limits=limits_row(limits),
        verdict=Verdict.NOT_MEASURED,
        sentence="",  # both follow from the reasons
        reasons=(),
        coverage=0.0,
        measures=dict.fromkeys(("FLTt_mm", "FLTp_mm", "FLTv_mm", "FLTq_mm"), float("nan")),
        height=HeightMap(nowhere, nothing, nothing.copy(), nothing.copy(), flags, ""),
        spots=(),
        photos=tuple(
            {
                "file": photo.file,
                "sha256": photo.sha256,
                "reprojection_px": error,
                "quality": {} if trust is None else _trust_row(trust),
            }
            for photo, error, trust in zip(photos, reprojection, look.trust, strict=True)
        ),
        run=run,
        overlay_photo=photos[0].image,
        project=_as_they_are,
        details={
            "relative": {
                "unit": "the deepest or tallest is 1; - is low",
                "drawn_on": frame.words,
                "one_direction": look.one_way,
                "seen_share": share,
                "stripe_px": look.stripe_cells * cell_px(frame),
                "assumed": REASONS["light-assumed"].sentence,
                "spots": look.rows,
            },
            "limits_basis": dict(limits.basis),
        },
        maps={
            "relative": np.where(look.seen, look.relative, np.nan),
            "column_px": frame.column_px.copy(),
            "row_px": frame.row_px.copy(),
        },
    )


def _trust_row(trust: float) -> dict[str, Any]:
    good = trust >= DOUBTED
    return {
        "trust": {
            "value": trust,
            "unit": "share",
            "threshold": DOUBTED,
            "good": good,
            "sentence": f"the stripes can be trusted to {trust:.2f} of 1",
            "cure": "" if good else "wet or gloss the surface, and shade it from room light",
        }
    }
