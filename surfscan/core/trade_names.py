"""Stages of work and substrates: their names here, what else a shop calls them; how a job number looks."""

from __future__ import annotations

import difflib
import re

__all__ = [
    "JOB_NUMBER",
    "STAGES",
    "SUBSTRATES",
    "UNKNOWN_SUBSTRATE",
    "nearest_name",
    "stage_named",
    "substrate_named",
]

JOB_NUMBER = re.compile(r"[0-9][0-9./-]{0,31}")
"""A job number has no letters, so that no number plate and no name gets into the record by habit."""

STAGES = ("bare-metal", "filler", "putty", "primer", "sealer", "base", "clear")
"""In the order of work."""

UNKNOWN_SUBSTRATE = "unknown"
SUBSTRATES = ("steel", "aluminium", "plastic", "fibreglass", UNKNOWN_SUBSTRATE)

# trade usage, no source; spaces, hyphens and underscores are the same here
_STAGES = {
    "bare-metal": "bare metal|bare|metal|raw metal|metalwork|bare substrate|bare plastic",
    "filler": "filler|body filler|polyester filler|filler work",
    "putty": "putty|glazing putty|glaze|glazing|spot putty|finishing putty|stopper|fine stopper",
    "primer": "primer|surfacer|primer surfacer|high build|high build primer|build primer|filler primer|primer filler"
    "|2k primer",
    "sealer": "sealer|primer sealer|sealer coat|sealing coat|wet on wet|wet on wet primer",
    "base": "base|base coat|basecoat|colour|color|colour coat|color coat",
    "clear": "clear|clear coat|clearcoat|clear lacquer|lacquer|varnish|top coat|topcoat|finish",
}
_SUBSTRATES = {
    "steel": "steel|mild steel|galvanised steel|galvanized steel|high strength steel|sheet steel",
    "aluminium": "aluminium|aluminum|alu|alloy|aluminium alloy",
    "plastic": "plastic|plastics|pp|abs|tpo|polypropylene|thermoplastic",
    "fibreglass": "fibreglass|fiberglass|glass fibre|glass fiber|grp|frp|smc|gelcoat|carbon|carbon fibre|carbon fiber"
    "|composite|laminate",
    UNKNOWN_SUBSTRATE: "unknown|not known",
}


def _table(names: dict[str, str]) -> dict[str, str]:
    return {_plain(word): name for name, words in names.items() for word in (name, *words.split("|"))}


def _plain(text: str) -> str:
    return " ".join(re.split(r"[\s_\-]+", text.strip().casefold()))


_STAGE_BY_WORD = _table(_STAGES)
_SUBSTRATE_BY_WORD = _table(_SUBSTRATES)


def stage_named(text: str) -> str | None:
    """One of `STAGES` from what a shop writes, in any case: "Primer-Surfacer" is primer; None on a miss."""
    return _STAGE_BY_WORD.get(_plain(text))


def substrate_named(text: str) -> str | None:
    """One of `SUBSTRATES` from what a shop writes, in any case; None on a miss."""
    return _SUBSTRATE_BY_WORD.get(_plain(text))


def nearest_name(text: str, names: tuple[str, ...]) -> str:
    """The name in `STAGES` or `SUBSTRATES` whose own or other word is nearest to a miss; "" when none is near."""
    words = _STAGE_BY_WORD if names == STAGES else _SUBSTRATE_BY_WORD
    near = difflib.get_close_matches(_plain(text), list(words), n=1, cutoff=0.6)
    return words[near[0]] if near else ""
