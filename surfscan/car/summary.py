"""A car from its panels' results: its verdict, and what is left to do in order."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Literal

from surfscan.car.places import places
from surfscan.core.message import Verdict
from surfscan.core.trade_names import STAGES
from surfscan.judge.verdict import worst_verdict
from surfscan.results.stored import StoredResult

__all__ = ["Car", "CarPanel", "CarStep", "make_car", "slug_of"]

StepKind = Literal["shoot", "settle", "work"]
_KINDS: tuple[StepKind, ...] = ("shoot", "settle", "work")


@dataclass(frozen=True, slots=True)
class CarPanel:
    """One panel of a car.

    Attributes
    ----------
    place : str
        A name of `places`; "" where it is on no place that is known.
    name : str
        The panel's own name.
    slug : str
        Name of its folder, one of its own in a car.
    result : StoredResult, optional
        None where it was not checked, or was refused.
    why : str
        Why there is no result: "not checked yet", or the refusal's words.
    """

    place: str
    name: str
    slug: str
    result: StoredResult | None = None
    why: str = ""

    @property
    def verdict(self) -> Verdict:
        """Its result's; a panel without one is not measured."""
        return Verdict.NOT_MEASURED if self.result is None else Verdict(self.result.verdict)

    @property
    def stage(self) -> str:
        return "" if self.result is None else str(self.result.panel.get("stage") or "")

    @property
    def title(self) -> str:
        """What it is called in a list: its place, and its name where that says more."""
        if not self.place:
            return self.name or "panel without a name"
        same = not self.name or self.name.casefold() == self.place
        return self.place if same else f"{self.place} ({self.name})"


@dataclass(frozen=True, slots=True)
class CarStep:
    """One thing left to do.

    Attributes
    ----------
    kind : {"shoot", "settle", "work"}
        A panel that was not seen, one too close to call, one to be worked on.
    panel : CarPanel
    """

    kind: StepKind
    panel: CarPanel


@dataclass(frozen=True, slots=True)
class Car:
    """A car's panels, from the front to the rear.

    Attributes
    ----------
    name, job_number : str
        As typed; "" where nothing was.
    panels : tuple of CarPanel
    """

    name: str
    job_number: str
    panels: tuple[CarPanel, ...]

    @property
    def verdict(self) -> Verdict:
        """The worst of its panels; one that was not checked is not measured, so that no gap reads as fair."""
        return worst_verdict(panel.verdict for panel in self.panels)

    def counts(self) -> dict[str, int]:
        """How many panels are ready, rework, close, not_measured, and not_checked."""
        found = dict.fromkeys(("ready", "rework", "close", "not_measured", "not_checked"), 0)
        for panel in self.panels:
            found["not_checked" if panel.result is None else str(panel.verdict)] += 1
        return found

    def steps(self) -> tuple[CarStep, ...]:
        """What is left to do: see what was not seen, settle what is too close, then work, what is furthest back first.

        Metal and filler before primer, primer before paint: sanding dust stays off what is further on (common
        practice, no source).
        """
        kinds: dict[Verdict, StepKind] = {
            Verdict.NOT_MEASURED: "shoot", Verdict.CLOSE: "settle", Verdict.REWORK: "work"
        }  # fmt: skip
        steps = [CarStep(kinds[p.verdict], p) for p in self.panels if p.verdict in kinds]
        return tuple(sorted(steps, key=lambda step: (_KINDS.index(step.kind), _stage_rank(step.panel.stage))))

    def document(self) -> dict[str, Any]:
        """As `car.json` has it; sentences are made where it is shown."""
        return {
            "schema": 1,
            "car": {"name": self.name, "job_number": self.job_number},
            "verdict": str(self.verdict),
            "counts": self.counts(),
            "panels": [
                {
                    "place": panel.place,
                    "name": panel.name,
                    "folder": None if panel.result is None else f"panels/{panel.slug}",
                    "stage": panel.stage or None,
                    "verdict": None if panel.result is None else str(panel.verdict),
                    "why": panel.why,
                    "spots": None if panel.result is None else len(panel.result.spots),
                }
                for panel in self.panels
            ],
            "left_to_do": [{"kind": step.kind, "panel": step.panel.slug} for step in self.steps()],
        }


def make_car(panels: Sequence[CarPanel], *, name: str = "", job_number: str = "") -> Car:
    """A car with its panels in order, each with a folder name of its own."""
    order = list(places())
    by_place = sorted(panels, key=lambda p: order.index(p.place) if p.place in order else len(order))
    return Car(name, job_number, tuple(by_place))


def slug_of(words: str, taken: Sequence[str] = ()) -> str:
    """A folder's name from a place or a name, unlike those taken."""
    start = re.sub(r"[^a-z0-9]+", "-", words.casefold()).strip("-")[:60] or "panel"
    slug, k = start, 2
    while slug in taken:
        slug, k = f"{start}-{k}", k + 1
    return slug


def _stage_rank(stage: str) -> int:
    return STAGES.index(stage) if stage in STAGES else len(STAGES)
