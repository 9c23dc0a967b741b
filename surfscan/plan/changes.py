"""What would help a planned shot most: each change tried by itself, and kept when it brings something."""

from __future__ import annotations

import math

from surfscan.core.errors import UsageError
from surfscan.core.message import Phrase
from surfscan.plan.records import Change, Work
from surfscan.plan.shot import SURFACES, Shot
from surfscan.plan.visible import MARGIN
from surfscan.plan.working import work_out
from surfscan.reading.budget import Inputs

__all__ = ["best_changes"]

CELLS = 110
"""Few places: changes are compared with each other, not measured."""

WORTH = 0.93
"""A change is worth a line when the smallest low visible falls to this share, or when it solves a problem."""


def best_changes(shot: Shot, now: Work, *, inputs: Inputs | None = None, most: int = 4) -> tuple[Change, ...]:
    """Try single changes and return those that bring something, best first."""
    base = work_out(shot, inputs=inputs, cells=CELLS, fit=now.fit, main_parts=True)
    before = MARGIN * base.known.total_mm()
    stopped = {p.name for p in now.problems}
    found: list[tuple[int, float, Change]] = []
    for name, words, value, changed in _candidates(shot, now):
        try:
            # A camera that stays keeps its fit to the tags.
            fit = None if name in ("camera_distance_mm", "angle_deg", "tag_side_mm") else now.fit
            after = work_out(changed, inputs=inputs, cells=CELLS, fit=fit, main_parts=True)
        except UsageError:
            continue
        left = {p.name for p in after.problems}
        if left - stopped:
            continue  # it makes a new problem
        depth = MARGIN * after.known.total_mm()
        # Few places see a little less than many: the ratio is what carries over.
        shown = MARGIN * now.known.total_mm() * depth / before if math.isfinite(before) else depth
        solves = tuple(sorted(stopped - left))
        gains = math.isfinite(depth) and (not math.isfinite(before) or depth < WORTH * before)
        if solves or (gains and not stopped):
            found.append((len(solves), depth, Change(name, words, value, shown, solves)))
    found.sort(key=lambda row: (-row[0], row[1] if math.isfinite(row[1]) else 1e9))
    seen: set[str] = set()
    best = [c for _, _, c in found if not (c.name in seen or seen.add(c.name))]  # type: ignore[func-returns-value]
    return tuple(best[:most])


def _candidates(shot: Shot, now: Work) -> list[tuple[str, Phrase, float, Shot]]:
    """Changes to try: what is changed, in words, to what."""
    rows: list[tuple[str, Phrase, float, Shot]] = []

    def by(name: str, words: str, value: float) -> None:
        try:
            rows.append((name, Phrase(words, {"to": value}), value, shot.with_changes(**{name: value})))
        except UsageError:
            return

    for factor in (0.6, 1.6):
        by("period_mm", "use stripes of {to:given}", float(max(round(shot.period_mm * factor), 1)))
    for factor in (0.7, 1.4):
        by("board_distance_mm", "put the board at {to:length}", round(shot.board_distance_mm * factor, -1))
    for factor in (0.75, 1.35):
        by("camera_distance_mm", "put the camera at {to:length}", round(shot.camera_distance_mm * factor, -1))
    for step in (-12.0, 12.0):
        angle = min(max(shot.angle_deg + step, 5.0), 85.0)
        by("angle_deg", "look from {to:.0f} degrees off the normal", angle)
    names = {p.name for p in now.problems}
    if "board" in names:
        board = (round(shot.board_mm[0] * 1.5, -1), round(shot.board_mm[1] * 1.5, -1))
        rows.append(
            (
                "board_mm",
                Phrase.of("use a board of {w:length_bare} x {h:length}", w=board[0], h=board[1]),
                board[0],
                shot.with_changes(board_mm=board),
            )
        )
    if "small tags" in names or "pose" in names:
        by("tag_side_mm", "print tags {to:length} wide", round(1.8 * shot.tag_side_mm))
    if shot.surface.rough_um > 0.1:
        wet = SURFACES["wet-primer"]
        rows.append(("surface", Phrase("wet the surface"), 0.0, shot.with_changes(surface=wet)))
    if "contrast" in names and shot.light.room > 0.02:
        from dataclasses import replace

        dim = replace(shot.light, room=shot.light.room / 3, room_seen=shot.light.room_seen / 3)
        rows.append(("light", Phrase("darken the room to a third"), 0.0, shot.with_changes(light=dim)))
    return rows
