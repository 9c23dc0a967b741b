"""Whether a pose found from tags may be used, the panel's and the board's alike: poor, ambiguous, a tag misplaced."""

from __future__ import annotations

from dataclasses import dataclass

from surfscan.core.errors import RefusedError

__all__ = ["BLAMED", "BOARD", "CORNER_NOISE_PX", "PANEL", "TaggedPlane", "limit_px"]

CORNER_NOISE_PX = 0.05
"""Least noise of a tag corner that the covariance assumes, whatever the fit says."""

POOR_PX = 2.0
"""A fit worse than this, at 1600 pixels of photo width, is refused: the sheet and the photo do not agree."""

AMBIGUITY_RATIO = 1.5
"""Two planar solutions whose errors differ by less than this can't be told apart."""

BLAMED = 0.3
"""A tag is out of place when the rest fits this many times the limit without it."""


def limit_px(width_px: int) -> float:
    """Largest error of a fit in a photo of this width."""
    return POOR_PX * max(1.0, width_px / 1600)


@dataclass(frozen=True, slots=True)
class TaggedPlane:
    """The words for a plane with tags on it.

    Attributes
    ----------
    pose, owner, theirs : str
        Whose pose it is; what a tag's name is followed by; whose tags they are.
    key : str
        The sheet's table.
    spread_out, again, check : str
        Cures: for two poses that fit alike, for one tag out of place, for a misfit nobody explains.
    """

    pose: str
    owner: str
    theirs: str
    key: str
    spread_out: str
    again: str
    check: str

    def refuse_ambiguous(self, file: str, best_px: float, other_px: float | None) -> None:
        """Refuse a pose when another one fits nearly as well.

        Raises
        ------
        RefusedError
        """
        if other_px is not None and other_px < AMBIGUITY_RATIO * max(best_px, CORNER_NOISE_PX):
            raise RefusedError(
                f"{file}: two {self.pose} poses fit {self.theirs} equally well",
                found=f"errors of {best_px:.2f} and {other_px:.2f} px",
                cure=f"photograph from closer or more from the side, {self.spread_out}",
                allowed="one pose that fits clearly better",
            )

    def explain_misfit(self, file: str, blamed: tuple[int, ...], *, found: str, limit: float) -> RefusedError:
        """Name the tag, or the two, that `tags_to_blame` found."""
        if blamed:
            which = " or ".join(f"tag {tag}{self.owner}" for tag in blamed)
            tags = " and ".join(f"tag {tag}" for tag in blamed)
            return RefusedError(
                f"{file}: {which} is not where {self.key}.centres_mm says",
                found=found,
                allowed=f"{limit:.1f} px",
                cure=f"measure the centre{'s' * (len(blamed) > 1)} of {tags} again{self.again}",
                about=self.key,
            )
        whose = "the tags' positions" if not self.owner else "the board's tags"
        return RefusedError(
            f"{file}: {whose} don't fit the photo",
            found=found,
            allowed=f"{limit:.1f} px",
            cure=self.check,
            about=self.key,
        )


PANEL = TaggedPlane(
    "camera",
    "",
    "the tags",
    "tags",
    "so that the tags show perspective",
    "",
    "check tags.centres_mm, tags.side_mm and the focal length",
)
BOARD = TaggedPlane(
    "board",
    " of the board",
    "its tags",
    "board.tags",
    "with larger tags further apart on the board",
    ", from the board's middle",
    "check board.tags.centres_mm, board.tags.side_mm and the focal length",
)
