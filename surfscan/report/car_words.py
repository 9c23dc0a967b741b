"""A car's sentences: its verdict, and what is left to do, one line a panel."""

from __future__ import annotations

from surfscan.car.summary import Car, CarStep
from surfscan.core.units import MM, Units
from surfscan.judge.trade_table import words as trade_words
from surfscan.report.words import headline_line, work_lines

__all__ = ["car_headline", "car_title", "left_lines", "stage_word"]

_COUNTED = {
    "rework": "to rework",
    "not_measured": "not measured",
    "not_checked": "not checked yet",
    "close": "too close to call",
    "ready": "fair",
}


def car_title(car: Car) -> str:
    """What the car is called: its name, else its job number."""
    if car.name:
        return car.name
    return f"job {car.job_number}" if car.job_number else "car without a name"


def car_headline(car: Car) -> str:
    """The car's verdict in one sentence: how many panels are what."""
    counts = car.counts()
    told = ", ".join(f"{counts[key]} {word}" for key, word in _COUNTED.items() if counts[key])
    total = len(car.panels)
    return f"Of {total} panel{'s' * (total != 1)}: {told or 'none checked'}."


def stage_word(stage: str) -> str:
    """A stage as the trade calls it; "-" for none."""
    return str(trade_words("names").get(stage, stage)) or "-"


def left_lines(car: Car, units: Units = MM) -> list[str]:
    """What is left to do, one line a panel, in order; empty when every panel is fair."""
    return [_line(step, 1 + car.panels.index(step.panel), units) for step in car.steps()]


def _line(step: CarStep, number: int, units: Units) -> str:
    panel = step.panel
    name = f"{panel.title[:1].upper()}{panel.title[1:]} (no. {number})"
    if panel.result is None:
        return f"{name}: check it; {panel.why or 'not checked yet'}."
    said = headline_line(panel.result, units)
    if step.kind == "shoot":
        return f"{name}: shoot it again. {said}"
    if step.kind == "settle":
        return f"{name}: settle it. {said}"
    steps = work_lines(panel.result.details, units)
    stage = stage_word(panel.stage)
    if not steps:
        return f"{name}, {stage}: {said}"
    more = f" Then {len(steps) - 1} more step{'s' * (len(steps) > 2)}, on its page." if len(steps) > 1 else ""
    return f"{name}, {stage}: {steps[0]}{more}"
