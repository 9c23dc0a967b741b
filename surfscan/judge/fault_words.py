"""Small faults in words: how many of each kind, and which kinds."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping, Sequence

from surfscan.judge.trade_table import fault_words

__all__ = ["counted", "kinds_text", "numbered", "without_faults"]

_LOOKED_FOR = {
    "pinholes": "pit",
    "scratches": "scratch",
    "cracks": "crack",
    "dust": "nib",
    "dust and nibs": "nib",
}
"""Words of what is not looked for by default, and the kind that stands for them."""

MOST_NAMED = 8
"""Faults named by their numbers in one line."""


def counted(kinds: Mapping[str, int]) -> str:
    """Kinds with their numbers, the most first: "9 pits or pinholes, 1 nib"."""
    rows = sorted(kinds.items(), key=lambda row: (-row[1], row[0]))
    return ", ".join(f"{n} {fault_words(kind)['name' if n == 1 else 'many']}" for kind, n in rows)


def kinds_text(kinds: Iterable[str]) -> str:
    """Kinds by their words: "pits or pinholes, nibs"."""
    return ", ".join(str(fault_words(kind)["many"]) for kind in kinds)


def numbered(numbers: Sequence[int]) -> str:
    """The first of them as they stand on the picture: "f1, f2 ..."."""
    return ", ".join(f"f{n}" for n in numbers[:MOST_NAMED]) + " ..." * (len(numbers) > MOST_NAMED)


def without_faults(listed: Iterable[str], *, kinds: Container[str] | None = None) -> list[str]:
    """What is not looked for by default, less the small faults of those kinds (None: all) that were."""
    if kinds is None:
        return [words for words in listed if words not in _LOOKED_FOR]
    return [words for words in listed if _LOOKED_FOR.get(words) not in kinds]
