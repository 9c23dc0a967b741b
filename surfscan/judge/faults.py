"""Small faults judged: which count, what each is, what is done about it, and what was looked for."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import asdict, replace
from typing import Any

from surfscan.core.message import Verdict
from surfscan.core.reading import SmallFault, SmallFaults
from surfscan.judge.fault_words import counted, without_faults
from surfscan.judge.judgement import Judgement
from surfscan.judge.limits import Limits
from surfscan.judge.trade_table import fault_words, figure
from surfscan.judge.verdict import FaultEvidence
from surfscan.judge.work_order import read_steps, with_faults

__all__ = ["add_faults"]

BY_WIDTH = ("scratch", "hair")
"""Kinds whose width decides whether they are found."""


def add_faults(
    judgement: Judgement, seen: SmallFaults, *, limits: Limits, stage: str, substrate: str
) -> Judgement:
    """Judge small faults, and put them into a judgement.

    Parameters
    ----------
    judgement : Judgement
    seen : SmallFaults
    limits : Limits
        Faults shorter than ``fault_mm`` are left out.
    stage, substrate : str

    Returns
    -------
    Judgement
        With ``details["faults"]`` [{id, kind, sure, likeliest, x_mm, y_mm, length_mm, width_mm, direction_deg, sign,
        photos, verdict, action}], ``details["fault_work"]`` {kind: what to do about one}, their steps in
        ``details["work_order"]``, ``details["looked_for"]`` {kind: {size_mm, of, share}}, and without what was looked
        for among ``details["not_looked_for"]``.
    """
    kept = [one for one in seen.faults if one.length_mm >= limits.fault_mm]
    verdicts = [_verdict(one) for one in kept]
    kinds = Counter(one.kind for one, own in zip(kept, verdicts, strict=True) if own == Verdict.REWORK)
    others = Counter(one.kind for one, own in zip(kept, verdicts, strict=True) if own != Verdict.REWORK)
    smallest = {
        kind: size if kind in BY_WIDTH else max(size, limits.fault_mm)
        for kind, size in seen.smallest_mm.items()
    }
    work = {one.kind: _work(one.kind, stage) for one in kept}
    rows = _rows(kept, verdicts, work)
    steps = with_faults(read_steps(judgement.details.get("work_order")), rows, work, substrate)
    details = {
        **judgement.details,
        "faults": rows,
        "fault_work": work,
        "work_order": [step.row() for step in steps],
        "looked_for": {
            kind: {"size_mm": size, "of": "width" if kind in BY_WIDTH else "length", "share": seen.share}
            for kind, size in smallest.items()
        },
        "camera_dust": seen.specks,
        **({"maybe_dust": [{"x_mm": x, "y_mm": y} for x, y in seen.like_dust]} if seen.like_dust else {}),
        "not_looked_for": without_faults(judgement.details.get("not_looked_for", []), kinds=seen.smallest_mm),
    }
    evidence = FaultEvidence(dict(kinds), dict(others), smallest, seen.share, seen.why_not)
    return replace(judgement, details=details, evidence=replace(judgement.evidence, faults=evidence))


def _verdict(one: SmallFault) -> Verdict:
    return Verdict.REWORK if fault_words(one.kind)["verdict"] == "rework" else Verdict.CLOSE


def _work(kind: str, stage: str) -> str:
    words = fault_words(kind)
    return str(words.get(stage, words["what"]))


def _rows(faults: list[SmallFault], verdicts: list[Verdict], work: Mapping[str, str]) -> list[dict[str, Any]]:
    alike = Counter(one.kind for one in faults)
    first: dict[str, int] = {}  # of many alike, the first speaks for all
    rows = []
    for number, (one, own) in enumerate(zip(faults, verdicts, strict=True), 1):
        action = work[one.kind]
        if alike[one.kind] >= figure("many_from"):
            if one.kind in first:
                action = f"One job with fault {first[one.kind]}."
            else:
                first[one.kind] = number
                action = f"{counted({one.kind: alike[one.kind]})}, one job. {action}"
        rows.append(
            {"id": number, **asdict(one), "photos": list(one.photos), "verdict": own, "action": action}
        )
    return rows
