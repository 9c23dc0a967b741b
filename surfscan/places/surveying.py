"""What a station is made of: the tables of a job sheet, from a job that is like it or from photos of it."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from surfscan.checking.photos import check_sizes
from surfscan.checking.setup import stand_board
from surfscan.checking.survey import lay_out
from surfscan.core.errors import RefusedError
from surfscan.core.records import Photo
from surfscan.job.photos import read_photo
from surfscan.job.sheet import load_sheet
from surfscan.job.sheet_text import read_toml
from surfscan.job.sheet_writing import write_sheet
from surfscan.places.arrange import Panel, arrange, write_job
from surfscan.reading.propagation import Inputs

__all__ = ["LENS", "PROOF", "SHEET", "check_tables", "survey_place", "tables_like"]

SHEET, PROOF, LENS = "panel.toml", "proof.toml", "lens.toml"


def check_tables(tables: Mapping[str, Any]) -> None:
    """See that tables make a sheet, with any panel and photo."""
    with tempfile.TemporaryDirectory() as name:
        board = {**tables["board"]}
        if "centre_mm" not in board:
            board["setup_photo"] = "s.jpg"
        whole = {**tables, "panel": {**tables.get("panel", {}), "stage": "primer"}, "board": board}
        row = {
            "file": "a.jpg",
            **({"varies": "across"} if board.get("pattern", "stripes") == "stripes" else {}),
        }
        (Path(name) / SHEET).write_text(write_sheet({**whole, "photo": [row]}), encoding="utf-8")
        load_sheet(name, need_photos=False)


def tables_like(like: Path | None) -> tuple[dict[str, Any] | None, dict[str, Path]]:
    """What a job's sheet says that stays: no name, no photos, no set-up photo."""
    if like is None:
        return None, {}
    folder = like.parent if like.name == SHEET else like
    sheet = load_sheet(folder, need_photos=False)
    if sheet.board is None or sheet.tags is None:
        raise RefusedError(
            "A station needs tags and a board",
            found="a sheet without " + ("[board]" if sheet.board is None else "[tags]"),
            allowed="a sheet with [tags] and [board]",
            cure="take the sheet of a job of this place",
        )
    raw = read_toml(folder)
    kept = {
        k: v for k, v in raw.items() if k in ("tags", "camera", "board", "limits", "measure", "uncertainty")
    }
    size = {k: v for k, v in raw["panel"].items() if k in ("size_mm", "region_mm", "leave_out_mm")}
    kept["board"] = {k: v for k, v in kept["board"].items() if k not in ("setup_photo", "proof")}
    if size:
        kept["panel"] = size
    files: dict[str, Path] = {}
    lens = kept.get("camera", {}).get("lens_file")
    if lens:
        files[LENS] = folder / lens
        kept["camera"] = {"lens_file": LENS}
    return kept, files


def survey_place(
    photos: Sequence[Path],
    given: dict[str, Any] | None,
    rest: dict[str, Any],
    files: dict[str, Path],
    *,
    frame: bool,
    focal_35mm: float | None,
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Tables of the station, and what its own file says of the lens."""
    job = arrange(photos, Panel("station", "primer", focal_35mm=focal_35mm), tables=_open(given), files=files)
    tables = {k: v for k, v in job.tables.items() if k not in ("panel", "photo")}
    tables["board"] = {k: v for k, v in tables["board"].items() if k != "setup_photo"}
    tables = {**rest, **tables}
    with tempfile.TemporaryDirectory() as name:
        # Striped photos of a survey need no directions: none of them is read.
        sheet = load_sheet(write_job(replace(job, tables=_unread(job.tables)), Path(name)))
        laid = lay_out(sheet, _read_all(sheet.folder, job.files, job.setup))
        setup = laid.setup or read_photo(sheet.folder / job.setup, job.setup)
        inputs = laid.inputs(Inputs(**tables.get("uncertainty", {})))
        fit, _ = stand_board(laid.sheet, setup, inputs=inputs, laid=laid)
    height, width = setup.image.shape
    meta: dict[str, Any] = {"photos": len(photos)}
    lens = "lens_file" in tables.get("camera", {})
    if laid.survey is not None and not lens:
        meta |= {"focal_px": round(fit.focal_px, 3), "u_focal_rel": float(f"{laid.survey.u_stretch:.4g}")}
        meta["size_px"] = [max(width, height), min(width, height)]
        tables.pop("camera", None)
    if not frame:
        return tables, meta
    spread = np.diag(fit.covariance)
    u = {
        "board_centre_mm": float(np.sqrt(spread[3:].mean())),
        "board_angle_deg": float(np.degrees(np.sqrt(spread[:3].mean()))),
    }
    tags = laid.sheet.tags
    assert tags is not None
    tables["tags"] = {
        **{k: v for k, v in tables["tags"].items() if k not in ("centres_mm", "heights_mm")},
        "centres_mm": {str(t): [round(v, 3) for v in c] for t, c in tags.centres_mm.items()},
        "heights_mm": {str(t): round(v, 3) for t, v in tags.heights_mm.items()},
    }
    if laid.survey is not None:
        u |= {
            "tag_centre_mm": float(np.sqrt(np.mean(laid.survey.u_mm**2))),
            "focal_rel": laid.survey.u_stretch,
        }
    tables["uncertainty"] = {**tables.get("uncertainty", {}), **{k: float(f"{v:.4g}") for k, v in u.items()}}
    pose = {
        "centre_mm": [round(float(v), 3) for v in fit.centre_mm],
        "across": [round(float(v), 7) for v in fit.across],
        "up": [round(float(v), 7) for v in fit.up],
    }
    tables["board"] = {**{k: v for k, v in tables["board"].items() if k not in pose}, **pose}
    return tables, meta


def _open(given: dict[str, Any] | None) -> dict[str, Any] | None:
    """The tables without what the survey is to find."""
    if given is None:
        return None
    board = {k: v for k, v in given["board"].items() if k not in ("centre_mm", "across", "up")}
    return {**given, "board": board}


def _unread(tables: dict[str, Any]) -> dict[str, Any]:
    return {**tables, "photo": tables["photo"][:1]}


def _read_all(folder: Path, files: Mapping[str, Path], setup: str) -> list[Photo]:
    names = [name for name in files if name not in (LENS, PROOF)]
    found = [read_photo(folder / name, name) for name in sorted(names, key=lambda name: name != setup)]
    check_sizes(found)
    return found
