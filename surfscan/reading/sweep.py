"""Many photos of one surface, each lighting any part of it, to slopes and height.

The rounds are those of two photos of stripes. Each photo works on the part of the panel that it lights; in every round
the photos are brought into agreement (`joint`), and each cell's slopes come from the normal equations of all that see
it. A photo that does not fit is left out and named.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np

from surfscan.core.carrier import Array
from surfscan.core.errors import NotMeasuredError
from surfscan.core.reading import Context, QualityMaps, Reading, Trace
from surfscan.core.records import Board
from surfscan.optics.board_pose import move_board
from surfscan.optics.field import Cutout
from surfscan.phase.carrier import Tiles
from surfscan.reading.crown import find_crown
from surfscan.reading.finish import end_track, track_noise
from surfscan.reading.fold import find_folds
from surfscan.reading.follow import FOLD_ROUND, Track
from surfscan.reading.joint import MODES, Agreement, Told, agree, joint_slopes
from surfscan.reading.propagation import modes
from surfscan.reading.settle import close_islands, curl_mrad, integrated_noise, rebuild
from surfscan.reading.stripes import SETTLED, SETTLED_PEAK, UNTOLD, pair_up
from surfscan.reading.surface import ENOUGH, Surface, check_region, first_surface, on_board
from surfscan.reading.sweep_photo import (
    LEAST_LIT,
    Seen,
    box_of,
    follow_photo,
    gap_flags,
    inner_board,
    look_at,
    move_photos,
    part_of,
    told_by,
    traces_of_most,
    trust,
    weight_of,
    whole_quality,
)

__all__ = ["LeftOut", "Sweep", "read_sweep"]

MISFIT_MRAD = 0.1
"""Disagreement up to which photos belong together: sound ones differ by 0.02 to 0.05."""

MISFIT = 0.5
"""Share of the disagreement that may be left for a photo to be blamed for the rest."""

SUSPECTS = 8
"""Photos looked at for that, those that disagree most first."""

TRIAL_CELLS = 500
"""Cells on which each of them is left out by way of trial."""

ROUNDS = 8


@dataclass(frozen=True, slots=True)
class LeftOut:
    """A photo that was not used, and why."""

    file: str
    why: str


@dataclass(slots=True)
class Sweep:
    """What a sweep left, beside its reading.

    Attributes
    ----------
    reading : Reading
    seen : list of Seen
        The photos used.
    left_out : list of LeftOut
    agreement : Agreement
    counts : ndarray (H, W), int
        By how many photos each cell is seen.
    board : Board
        As it stands by the photos, where it could be moved; else as it was given.
    traces : tuple of Trace
        Of the photos that light most; the pictures are to be put in again.
    """

    reading: Reading
    seen: list[Seen]
    left_out: list[LeftOut]
    agreement: Agreement
    counts: Array
    board: Board
    traces: tuple[Trace, ...] = ()


def read_sweep(
    cutouts: list[list[Cutout]],
    context: Context,
    *,
    board_modes: Sequence[Array] = (),
    progress: Callable[[float], None] | None = None,
) -> Sweep:
    """Read slopes and height from any number of photos.

    Parameters
    ----------
    cutouts : list of list of Cutout
        Per photo, one for each direction that it carries.
    context : Context
        With a board; its views are not looked at.
    board_modes : sequence of ndarray (6,)
        Independent changes of the board's pose, one standard deviation each, by which the photos may move it: from
        many sides they tell where it stands.
    progress : callable, optional
        Told a share from 0 to 1.

    Returns
    -------
    Sweep

    Raises
    ------
    NotMeasuredError, RefusedError
        When too little can be read.
    """
    check_region(context)
    left: list[LeftOut] = []
    seen, surface = _start(cutouts, context, left)
    work = _Work(seen, surface, context, left, list(board_modes))
    tell = progress or (lambda share: None)
    last, turn, rounds = np.inf, 0, ROUNDS
    with ThreadPoolExecutor(2) as pool:
        while turn < rounds:
            change, peak = work.round(pool, turn)
            turn += 1
            tell(turn / rounds)
            if turn == FOLD_ROUND + 1 and work.mark_odd():
                rounds += 2
                continue
            if turn > FOLD_ROUND + 1 and ((change < SETTLED and peak < SETTLED_PEAK) or change > 0.9 * last):
                break
            last = change
    return work.finish(turn)


def _start(cutouts: list[list[Cutout]], context: Context, left: list[LeftOut]) -> tuple[list[Seen], Surface]:
    """The crown by all photos, and each photo on the part it lights; those without stripes are left out."""
    board = inner_board(context.mirrored_board)
    flat = first_surface(context).level(context)
    lit = [context.inside & on_board(flat.hit(each[0].view.pose, board), board) for each in cutouts]
    with ThreadPoolExecutor(2) as pool:
        looks = list(pool.map(lambda each, mask: look_at(each, mask, flat, context), cutouts, lit))
    good = [k for k, look in enumerate(looks) if not isinstance(look, str)]
    named = zip(cutouts, looks, strict=True)
    left += [LeftOut(each[0].view.photo.file, look) for each, look in named if isinstance(look, str)]
    if not good:
        raise NotMeasuredError(
            "none of the photos shows stripes that can be read",
            found="; ".join(f"{one.file}: {one.why}" for one in left[:3]),
            cure="check board.centre_mm, board.across and board.up, or where the photos were taken from",
            allowed="photos that mirror the board in the panel",
        )
    flat_list = [one for k in good for one in cutouts[k]]
    surface = flat
    if context.base is None:
        surface = find_crown(
            flat_list,
            context,
            lit=[lit[k] for k in good for _ in cutouts[k]],
            first=[tiles for k in good for tiles in looks[k] if isinstance(tiles, Tiles)],
        )[1]
    seen = []
    for k in good:
        on = on_board(surface.hit(cutouts[k][0].view.pose, board), board) & context.inside
        if on.sum() < LEAST_LIT * context.inside.sum():
            left.append(LeftOut(cutouts[k][0].view.photo.file, "it lights next to nothing of the panel"))
            continue
        tracks = [Track(cutout) for cutout in cutouts[k]]
        pair_up(tracks)
        box = box_of(on, context.grid)
        part = part_of(context, box)
        pose = tracks[0].view.pose
        none = np.zeros(part.grid.shape, bool)
        seen.append(
            Seen(k, tracks, box, part, modes(pose.covariance), pose, np.zeros(MODES), none, none.copy())
        )
    return seen, surface


@dataclass(slots=True)
class _Work:
    """The rounds of a sweep."""

    seen: list[Seen]
    surface: Surface
    context: Context
    left: list[LeftOut]
    board_modes: list[Array]
    measured: Array = field(init=False)
    counts: Array = field(init=False)
    told: tuple[Array, Array] = field(init=False)
    agreement: Agreement = field(init=False)
    board_start: Board = field(init=False)
    board_moved: Array = field(init=False)
    cleared_mrad: float = 0.0  # disagreement for which no photo was found to blame

    def __post_init__(self) -> None:
        self.board_start = self.context.mirrored_board
        self.board_moved = np.zeros(len(self.board_modes))

    def round(self, pool: ThreadPoolExecutor, turn: int) -> tuple[float, float]:
        """Follow, agree, solve, integrate; the largest changes of any photo."""
        found = list(pool.map(partial(follow_photo, surface=self.surface, turn=turn), self.seen))
        keep = []
        for each, fine in zip(self.seen, found, strict=True):
            if fine:
                keep.append(each)
            else:
                self.left.append(LeftOut(each.file, "its stripes could not be followed"))
        self.seen = keep
        self._check_left()
        self._agree(turn)
        self._solve()
        rows = [track.found for each in self.seen for track in each.tracks]
        weight = np.array([r.good.sum() for r in rows], float)
        change = float(np.sqrt(np.sum(weight * np.array([r.change_rad for r in rows]) ** 2) / weight.sum()))
        return change, float(np.median([r.peak_rad for r in rows]))

    def _check_left(self) -> None:
        ways = {track.view.varies for each in self.seen for track in each.tracks}
        if len(ways) < 2:
            raise NotMeasuredError(
                "too few of the photos can be used",
                found="; ".join(f"{one.file}: {one.why}" for one in self.left[:3]) or "one direction only",
                cure="shoot again, nearer and with more overlap, both directions everywhere",
                allowed="photos of both directions that overlap",
            )

    def _agree(self, turn: int) -> None:
        """Starts and poses; from round 2 the photos that do not belong are left out."""
        while True:
            told = told_by(self.seen, self.surface, self.context, self.board_modes if turn >= 1 else ())
            self.agreement = self._agreement(told)
            gone = self._stranger(told) if turn >= 2 else None
            if gone is None:
                break
            photo = self.seen.pop(gone)
            off = self.agreement.off_mrad[gone]
            self.left.append(
                LeftOut(photo.file, f"it contradicts the others by {off:.1f} mrad where they overlap")
            )
            self._check_left()
        move_photos(self.seen, self.agreement, self.context, poses=turn >= 1)
        if self.board_modes and turn >= 1:
            self._move_board()

    def _move_board(self) -> None:
        self.board_moved = self.board_moved + self.agreement.board
        change = np.sum(
            [n * mode for n, mode in zip(self.board_moved, self.board_modes, strict=True)], axis=0
        )
        board = move_board(self.board_start, change)
        self.context = replace(self.context, board=board)
        for each in self.seen:
            each.context = replace(each.context, board=board)

    def _agreement(self, told: Told) -> Agreement:
        tracks = [track for each in self.seen for track in each.tracks]
        return agree(
            told,
            before=np.array([each.moved for each in self.seen]),
            start_rad=np.array([track.found.offset_rad for track in tracks]),
            axis=np.array([track.view.varies == "up" for track in tracks], int),
            period_mm=self.context.mirrored_board.period_mm,
            board_before=None if told.board is None else self.board_moved,
        )

    def _stranger(self, told: Told) -> int | None:
        """The photo without which the others agree far better, if there is one."""
        off = self.agreement.off_mrad
        if np.isfinite(off).sum() < 3 or not float(np.nanmax(off)) > max(MISFIT_MRAD, self.cleared_mrad):
            return None
        # One that is wrong pulls the others along: the one to go is told by what is left without it.
        rest = {}
        skip = np.s_[:: max(1, len(told.miss) // TRIAL_CELLS)]
        rows = {name: getattr(told, name)[skip] for name in ("a", "b", "miss", "weight", "moved")}
        few = replace(told, **rows, board=None if told.board is None else told.board[skip])
        for k in np.argsort(-np.nan_to_num(off))[:SUSPECTS]:
            without = replace(few, weight=np.where(few.photo == k, 0.0, few.weight))
            left = self._agreement(without).off_mrad
            rest[int(k)] = float(np.nanmean(left)) if np.isfinite(left).any() else np.inf
        best = min(rest, key=lambda k: rest[k])
        if rest[best] < MISFIT * float(np.nanmean(off)):
            return best
        self.cleared_mrad = 1.1 * float(np.nanmax(off))
        return None

    def _solve(self) -> None:
        """Slopes of all cells from all photos, and the surface by them."""
        shape, board = self.context.grid.shape, self.context.mirrored_board
        sums, self.counts = np.zeros((5, *shape)), np.zeros(shape, np.int16)
        told = [np.zeros(shape), np.zeros(shape)]
        for each in self.seen:
            part = self.surface.at(each.box)
            hit = part.hit(each.tracks[0].view.pose, board)
            for track in each.tracks:
                found = track.found
                a, b = hit.lever(track.view.varies)
                w = weight_of(track, self.context.grid.step_mm)
                miss = np.nan_to_num(found.wanted_mm - hit.place(track.view.varies))
                for n, row in enumerate((w * a * a, w * a * b, w * b * b, w * a * miss, w * b * miss)):
                    sums[n][each.box] += np.where(w > 0, row, 0.0)
                for n, lean in enumerate((np.abs(a), np.abs(b))):
                    here = trust(track) * (lean >= 0.5 * (np.abs(a) + np.abs(b)))
                    told[n][each.box] = np.maximum(told[n][each.box], here)
            self.counts[each.box] += np.any([track.found.good for track in each.tracks], axis=0)
        dp, dq = joint_slopes(sums)
        self.measured = np.isfinite(dp) & np.isfinite(dq) & self.context.inside
        if self.measured.sum() < ENOUGH:
            raise NotMeasuredError(
                "the photos together tell both slopes next to nowhere",
                found=f"{int(self.measured.sum())} cells",
                cure="with stripes, take both directions of every part",
                allowed=f"at least {ENOUGH} cells",
            )
        self.told = tuple(np.where(self.measured, np.maximum(t, 1e-3), 1e-3) for t in told)  # type: ignore[assignment]
        p = self.surface.p + np.where(self.measured, dp, 0)
        q = self.surface.q + np.where(self.measured, dq, 0)
        fresh = rebuild(self.surface, p, q, self.measured, context=self.context, weights=self.told)
        fresh = fresh.level(self.context)
        if (
            self.seen[0].tracks[0].found.telling is not None
        ):  # where the photos tell nothing, the height knows better
            zy, zx = np.gradient(fresh.z, self.context.grid.step_mm)
            told_p, told_q = (weight >= UNTOLD for weight in self.told)
            fresh = replace(fresh, p=np.where(told_p, fresh.p, zx), q=np.where(told_q, fresh.q, zy))
        self.surface = fresh

    def mark_odd(self) -> bool:
        """Look for folds and doubtful places in each photo; whether there are any."""
        some = False
        for each in self.seen:
            rows = [track.found for track in each.tracks]
            good = np.all([r.good for r in rows], axis=0)
            each.folded, each.odd = find_folds(rows, good, grid=each.context.grid)
            some |= bool(each.folded.any() or each.odd.any())
        return some

    def finish(self, rounds: int) -> Sweep:
        """The reading of all."""
        context, step = self.context, self.context.grid.step_mm
        flags = gap_flags(self.seen, self.surface, context, self.measured)
        tracks = [track for each in self.seen for track in each.tracks]
        quality: list[QualityMaps] = []
        gains, white = [], []
        for each in self.seen:
            part = self.surface.at(each.box)
            for k, track in enumerate(each.tracks):
                hit = part.hit(track.view.pose, context.mirrored_board)
                a, b = hit.lever(track.view.varies)
                gains.append(float(np.nanmedian(np.hypot(a, b)[track.found.good])))
                white.append(track_noise(track, each.context, gains[-1]) ** 2)
                if k == 0:
                    small = end_track(track, part, each.context.region.copy(), each.context)
                    quality.append(whole_quality(small, each.box, context.grid.shape))
        periods = np.array([track.found.spacing_mm for track in tracks])
        widest = float(np.median(periods))
        height, p, q = close_islands(
            self.surface, self.measured, self.told, flags, context, least_mm2=widest**2
        )
        closure = curl_mrad(self.surface.p, self.surface.q, self.measured, step)
        off = float(np.nan_to_num(np.nanmedian(self.agreement.off_mrad))) if len(self.seen) > 1 else 0.0
        reading = Reading(
            grid=context.grid,
            height_mm=height,
            p=p,
            q=q,
            noise_mm=integrated_noise(float(np.median(white)), self.measured, step),
            uneven_mm=1e-3 * float(np.hypot(closure, off)) * widest / (2 * np.pi),
            flags=flags,
            closure_mrad=closure,
            gain_mm=np.array(gains),
            period_mm=periods,
            rounds=rounds,
            quality=tuple(quality),
            told=np.minimum(1.0, np.minimum(*self.told)),
            base=context.base,
        )
        traces = () if context.base else traces_of_most(self.seen, self.surface, context.grid.shape)
        return Sweep(
            reading, self.seen, self.left, self.agreement, self.counts, context.mirrored_board, traces
        )
