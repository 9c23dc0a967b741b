"""What a list of the record shows of a pass."""

from __future__ import annotations

from dataclasses import dataclass

from surfscan.results.record_tables import passes

__all__ = ["LISTED", "Pass"]

LISTED = (
    passes.c.id,
    passes.c.job,
    passes.c.panel,
    passes.c.stage,
    passes.c.verdict,
    passes.c.coverage,
    passes.c.spots,
    passes.c.worst_mm,
    passes.c.worst_u95_mm,
    passes.c.started,
    passes.c.added,
    passes.c.program,
)
"""The columns of `Pass`."""


@dataclass(frozen=True, slots=True)
class Pass:
    """One line of the record.

    Attributes
    ----------
    id : int
        Its number in the record.
    job : str
        The job's number; "" where none was given.
    panel, stage, verdict : str
    coverage : float or None
        0 to 1.
    spots : int
    worst_mm, worst_u95_mm : float or None
        Signed peak of the spot farthest out, with half its 95 % interval.
    started, added : str
        When it was checked, and when it was added, ISO 8601, UTC.
    program : str
        Version of surfscan that checked it.
    """

    id: int
    job: str
    panel: str
    stage: str
    verdict: str
    coverage: float | None
    spots: int
    worst_mm: float | None
    worst_u95_mm: float | None
    started: str
    added: str
    program: str
