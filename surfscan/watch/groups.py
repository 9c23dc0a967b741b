"""Which arrived photos make a job: those of one folder and one sheet, one after the other, as many as the sheet has."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

from surfscan.car.summary import slug_of
from surfscan.fleet.bundles import panel_in

__all__ = ["Group", "Shot", "group_shots"]


@dataclass(frozen=True, slots=True)
class Shot:
    """An arrived photo that was read: SHA-256, folder below the watched one, which sheet, seconds, its file's name."""

    sha256: str
    folder: str
    sheet: int
    at_s: float
    name: str


@dataclass(frozen=True, slots=True)
class Group:
    """Photos that belong together, in the order of time; `whole` where they are as many as the sheet has."""

    folder: str
    sheet: int
    shots: tuple[Shot, ...]
    whole: bool

    @property
    def name(self) -> str:
        """The job's: the same for the same photos, whatever they are called."""
        panel = slug_of(panel_in(self.folder) or "panel")
        return f"{panel}-{self.shots[0].sha256[:10]}"


def group_shots(shots: Iterable[Shot], photos: dict[int, int], *, gap_s: float) -> list[Group]:
    """Group photos.

    Parameters
    ----------
    shots : iterable of Shot
        That are in no job yet, each content once.
    photos : dict of sheet to count
        How many photos a job of each sheet has.
    gap_s : float
        Two photos of a job are no farther apart in time.

    Returns
    -------
    list of Group
        Those that lack photos too: the missing ones may still come.
    """
    by_place: dict[tuple[str, int], list[Shot]] = {}
    for shot in shots:
        by_place.setdefault((shot.folder, shot.sheet), []).append(shot)
    groups: list[Group] = []
    for (folder, sheet), here in sorted(by_place.items()):
        current: list[Shot] = []
        for shot in sorted(here, key=lambda one: (one.at_s, one.name)):
            if current and (shot.at_s - current[-1].at_s > gap_s or len(current) == photos[sheet]):
                groups.append(Group(folder, sheet, tuple(current), len(current) == photos[sheet]))
                current = []
            current.append(shot)
        groups.append(Group(folder, sheet, tuple(current), len(current) == photos[sheet]))
    return groups
