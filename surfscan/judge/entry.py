"""What every kind of reason has."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from surfscan.core.message import Verdict

__all__ = ["Audience", "Entry"]

Audience = Literal["tech", "inspector", "both"]


@dataclass(frozen=True, slots=True)
class Entry:
    """One kind of reason.

    Attributes
    ----------
    sentence, cure : str
        Templates of `surfscan.core.message`.
    audience : {"tech", "inspector", "both"}
    decides : Verdict, optional
        What it settles the verdict to, when its weight is "decides".
    final : bool
        Whether it does so whatever else was found: nothing in millimetres can be said then.
    leads : bool
        Whether it is said before all others: every figure below it hangs on it.
    """

    sentence: str
    cure: str = ""
    audience: Audience = "both"
    decides: Verdict | None = None
    final: bool = False
    leads: bool = False
