"""A shot in step with a screen: which photo is wanted, and what its arrival changes.

Photo 0 is that of the set-up. The screen moves on only when a photo has arrived and is good.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

__all__ = ["Shot"]


@dataclass(frozen=True, slots=True)
class Shot:
    """Where a shot is.

    Attributes
    ----------
    count : int
        Photos in all.
    good : frozenset of int
        Those that are there and good.
    again : int or None
        One that somebody wants to take again, though it is there.
    said : str
        What was wrong with the last photo, as a cure; empty when it was good.
    """

    count: int
    good: frozenset[int] = frozenset()
    again: int | None = None
    said: str = ""

    @property
    def wanted(self) -> int | None:
        """The photo that the screen shows its picture for; None when all are there."""
        if self.again is not None:
            return self.again
        return next((k for k in range(self.count) if k not in self.good), None)

    @property
    def done(self) -> bool:
        """Whether all are there, and none is to be taken again."""
        return self.wanted is None

    def took(self, *, cure: str = "") -> Shot:
        """The wanted photo has arrived: good, or with a cure; then the screen stays, and so does an older good one."""
        wanted = self.wanted
        if wanted is None:
            return self
        if cure:
            return replace(self, said=cure)
        return replace(self, good=self.good | {wanted}, again=None, said="")

    def retake(self, k: int) -> Shot:
        """Somebody wants photo `k` again."""
        return replace(self, again=k, said="") if k in self.good else self

    def keep(self) -> Shot:
        """Nobody wants one again."""
        return replace(self, again=None, said="")

    def restart(self, said: str) -> Shot:
        """From the first photo again, for this reason: the screen's picture is another than it was."""
        return Shot(self.count, said=said)

    def values(self) -> dict[str, Any]:
        """As plain values, to be kept."""
        return {"count": self.count, "good": sorted(self.good), "again": self.again, "said": self.said}

    @classmethod
    def of(cls, values: dict[str, Any]) -> Shot:
        """From what `values` gave."""
        return cls(values["count"], frozenset(values["good"]), values["again"], values["said"])
