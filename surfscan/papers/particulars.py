"""What the user types for the paper, and what the paper says about who, what, when and how."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from surfscan.core.units import UnitName, Units
from surfscan.judge.trade_table import words
from surfscan.papers.blocks import Block, Fields, Heading, Text
from surfscan.report.sweeps import unseen_lines
from surfscan.results.stored import StoredResult

__all__ = ["Particulars", "measured_how", "particulars_fields", "when_taken"]

_LINE = "—"


@dataclass(frozen=True, slots=True)
class Particulars:
    """What the user types for the paper; none of it is asked for or kept in a record.

    Attributes
    ----------
    date : str
        As it is to be printed.
    checked_by, job_number : str
        Free text, empty for a line to write on.
    units : {"mm", "inch"}
    shop, vehicle, shot_by : str
        Free text: whose shop, which vehicle or part, who took the photos; left out when empty.
    key : str
        The public key that the seal is signed with, 64 hex digits; empty where it is not signed.
    """

    date: str
    checked_by: str = ""
    job_number: str = ""
    units: UnitName = "mm"
    shop: str = ""
    vehicle: str = ""
    shot_by: str = ""
    key: str = ""


def particulars_fields(result: StoredResult, given: Particulars, units: Units) -> Fields:
    """Label and value: panel, stage, who and when."""
    panel = result.panel
    stage = str(panel.get("stage") or "-")
    rows = [
        ("Shop", given.shop),
        ("Vehicle, part", given.vehicle),
        (
            "Stage",
            ", ".join(filter(None, (words("names").get(stage, stage), str(panel.get("substrate", ""))))),
        ),
        ("Date", given.date),
        ("Panel", " × ".join(units.length(v) for v in panel["size_mm"])),
        ("Job number", given.job_number or _LINE),
        ("Measured", f"{100 * result.coverage:.0f} % of the judged region"),
        ("Shot by", given.shot_by or _LINE),
        ("Photos taken", when_taken(result)),
        ("Checked by", given.checked_by or _LINE),
    ]
    needed = {"Shop", "Vehicle, part"}
    return Fields(tuple(row for row in rows if row[1] or row[0] not in needed))


def when_taken(result: StoredResult) -> str:
    """When the photos were taken, as their EXIF says; "not stated" where one of them says nothing."""
    taken = sorted(str(row.get("taken") or "") for row in result.photos)
    if not taken:
        return "no photos: a map measured elsewhere" if result.run.get("map") else "not stated"
    if not taken[0]:
        return "not stated"
    return taken[0] if taken[0] == taken[-1] else f"{taken[0]} to {taken[-1]}"


def measured_how(result: StoredResult, units: Units) -> list[Block]:
    """How the set-up was measured, its standard uncertainties, and whether its scale was cross-checked."""
    setup: Mapping[str, Any] = result.details.get("setup", {})
    if not setup:
        return []
    if setup.get("file"):
        how = f"Board: its place was found in the set-up photo {setup['file']}."
    elif setup.get("mirrored_in"):
        count = len(setup["mirrored_in"])
        how = f"Board: its place was found from its own tags, mirrored by the panel in {count} photos."
    elif setup.get("board"):
        how = "Board: its place was measured by hand and typed into the job sheet."
    else:
        how = "Lamps: their places were measured by hand and typed into the job sheet."
    texts = [how, *_known_to(result.details.get("uncertainty", {}).get("inputs", {}), setup, units)]
    mirror = result.details.get("mirror_check")
    texts.append(f"Cross-checked: {mirror['sentence']}" if mirror else "Scale by tape, not cross-checked.")
    texts += unseen_lines(result.details, units)
    return [Heading("How the set-up was measured"), Text(" ".join(texts), small=True)]


def _known_to(inputs: Mapping[str, Any], setup: Mapping[str, Any], units: Units) -> list[str]:
    """The standard uncertainties that the depths were worked out with."""
    lamps = not setup.get("board") and not setup.get("file")
    known = {
        "board_centre_mm": lambda v: f"board's middle {units.given(v)}",
        "board_angle_deg": lambda v: f"board's direction {v:g} degrees",
        "period_rel": lambda v: f"stripe period {100 * v:g} %",
        "focal_rel": lambda v: f"focal length {100 * v:g} %",
        "tag_centre_mm": lambda v: f"each tag's place {units.given(v)}",
        "tag_corner_px": lambda v: f"a tag's corner in a photo {v:g} px",
        "lamp_mm": lambda v: f"each lamp's place {units.given(v)}",
    }
    of_boards = ("board_centre_mm", "board_angle_deg", "period_rel")
    said = [
        say(inputs[key])
        for key, say in known.items()
        if inputs.get(key) and (key not in of_boards if lamps else key != "lamp_mm")
    ]
    return [f"Standard uncertainties: {', '.join(said)}."] if said else []
