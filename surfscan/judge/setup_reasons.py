"""The reasons that are about the set-up."""

from __future__ import annotations

from surfscan.core.message import Verdict
from surfscan.judge.entry import Entry

__all__ = ["SETUP_REASONS"]

SETUP_REASONS: dict[str, Entry] = {
    "setup-contradicted": Entry(
        "The board is not where the set-up says: tag {tag}, seen mirrored in {photo}, is {off_mm:off} off where"
        " {allowed_mm:off} are allowed; measure the board's place again, and check that nothing moved between the"
        " photos.",
        "measure the board's place again, and check that nothing moved between the photos",
    ),
    "setup-moved": Entry(
        "The board of station {station} stands {off_mm:off} from where it stood when it was surveyed on {date}, where"
        " {allowed_mm:off} are allowed.",
        "put the board back, or survey the station again",
        leads=True,
    ),
    "setup-suspect-place": Entry(
        "The photos do not fit the set-up: the board's middle looks {by_mm:off} too far {way}{rivals}.",
        "measure the board's place again, from the panel's middle",
        leads=True,
    ),
    "setup-suspect-angle": Entry(
        "The photos do not fit the set-up: the board's {axis} looks {by_deg:degrees} off{rivals}.",
        "measure to both ends of the board, not to its middle only",
        leads=True,
    ),
    "setup-suspect-share": Entry(
        "The photos do not fit the set-up: the {what} looks {by_percent:by_percent} too {way}{rivals}.",
        "measure it again: twenty stripes and divide; calibrate the lens",
        leads=True,
    ),
    "setup-tags-size": Entry(
        "The tags' side does not fit their places: by the photos it is {seen_mm:measured}, the sheet says"
        " {given_mm:measured}.",
        "measure a tag's black side, and the tags' places, again",
        leads=True,
    ),
    "setup-pair": Entry(
        "Both photos disagree about small shapes: something moved, or was done to the panel, between them.",
        "take both photos again, one after the other",
        leads=True,
    ),
    "setup-by-tape": Entry(
        "Scale by tape, not cross-checked: the board's place is taken from the sheet.",
        "a set-up photo, or tags on the board, would cross-check it",
        "inspector",
    ),
    "setup-proved": Entry(
        "Scale proved on {date}: a known tilt was measured {ratio} times as large, within {u95}.",
        "",
        "inspector",
    ),
    "setup-proof-old": Entry(
        "The proof of {date} is too old to count, or of a day to come ({days} days; {most} at most).",
        "prove the station again (surfscan prove)",
        "inspector",
    ),
    "setup-proof-other": Entry(
        "The proof of {date} is of a board that stands elsewhere, or has other stripes.",
        "prove the station as it stands now (surfscan prove), or name its own file",
        "inspector",
    ),
    "setup-proof-fails": Entry(
        "The proof of {date} failed: a known tilt was measured {ratio} times as large, which is more off than {u95}.",
        "measure the board's place, its stripes and the tags again, then prove the station anew",
        leads=True,
    ),
    "setup-no-scale": Entry(
        "Not measured: {why}. Depths are shares of the deepest, and no millimetre is known.",
        "lay tags on the panel, and say where the board stands",
        "both",
        Verdict.NOT_MEASURED,
        final=True,
    ),
    "setup-region-unused": Entry(
        "region_mm and leave_out_mm were not used: without tags nobody knows where they lie.",
        "lay tags on the panel",
    ),
}
