"""A result read back from its folder: `result.json` and `height.npz`, checked before anything trusts them."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Annotated, Any, Literal

import numpy as np
from pydantic import BaseModel, ConfigDict, Field, ValidationError

from surfscan.core.carrier import Carrier, seal
from surfscan.core.commit import reading
from surfscan.core.errors import RefusedError
from surfscan.core.message import Message, Reason, Verdict
from surfscan.core.records import Array, Grid, HeightMap, Spot
from surfscan.core.showing import in_notebook, in_short
from surfscan.judge.reasons import read_reasons
from surfscan.results.npz import UnreadableError, maps_digest, read_arrays

__all__ = ["KNOWN_SCHEMA", "StoredResult", "load_result", "once", "parse_result"]

KNOWN_SCHEMA = 1
"""Newest `schema` of result.json that is understood."""

_MAPS = ("x_mm", "y_mm", "height_mm", "form_mm", "sigma_mm", "flags")
_CURE = "check the job again, or take the folder from a copy"


@dataclass(frozen=True, slots=True, eq=False, repr=False)
class StoredResult(Carrier):
    """One check as its folder (or the record) holds it.

    The attributes are those of `CheckResult`, less the photo to draw on.

    Attributes
    ----------
    name : str
        Where it came from, for messages: the folder, or the pass.
    document : dict
        `result.json` as it stands.
    panel, limits : dict
    verdict, sentence : str
    reasons : tuple of str
    coverage : float
        0 to 1.
    measures : dict
        NaN where null.
    height : HeightMap
    spots : tuple of Spot
    photos : tuple of dict
    run, details : dict
        `details` is everything else in the document.
    maps : dict of name to ndarray (H, W)
        Further maps on the grid of `height`.
    findings : tuple of Reason
        Empty in a result from before there were records.
    headline : Message
    """

    name: str
    document: dict[str, Any]
    panel: dict[str, Any]
    limits: dict[str, Any]
    verdict: Verdict
    sentence: str
    reasons: tuple[str, ...]
    coverage: float
    measures: dict[str, float]
    height: HeightMap
    spots: tuple[Spot, ...]
    photos: tuple[dict[str, Any], ...]
    run: dict[str, Any]
    details: dict[str, Any] = field(default_factory=dict)
    maps: Mapping[str, Array] = field(default_factory=dict)
    findings: tuple[Reason, ...] = ()
    headline: Message = field(default_factory=lambda: Message(""))

    def __post_init__(self) -> None:
        seal(self)

    def __repr__(self) -> str:
        return in_short(self)

    def _repr_html_(self) -> str:
        """Picture and table, for a notebook."""
        return in_notebook(self)


_Told = Annotated[float, Field(ge=-1e6, le=1e6, allow_inf_nan=False)]
"""A number of a spot; OpenCV takes the process with it when it draws far larger ones."""


class _Panel(BaseModel):
    model_config = ConfigDict(extra="allow")
    name: str = ""
    stage: str = ""
    size_mm: tuple[_Told, _Told]


class _Spot(BaseModel):
    model_config = ConfigDict(extra="allow")
    id: int
    kind: Literal["low", "high"]
    x_mm: _Told
    y_mm: _Told
    peak_mm: _Told
    u95_mm: _Told | None
    length_mm: _Told | None = None
    width_mm: _Told | None = None
    angle_deg: _Told | None = None
    area_cm2: _Told | None = None
    volume_ml: _Told | None = None
    peak_slope_mrad: _Told | None = None
    verdict: str = ""
    action: str = ""
    flags: list[str] = []
    peak_open: bool = False
    advice: dict[str, Any] | None = None
    shape: str = ""


class _Document(BaseModel):
    """What every reader of a result relies on; anything more may be there."""

    model_config = ConfigDict(extra="allow")
    panel: _Panel
    limits: dict[str, Any]
    verdict: Verdict
    reasons: list[str]
    coverage: float | None
    measures: dict[str, float | None]
    spots: list[_Spot]
    photos: list[dict[str, Any]]
    run: dict[str, Any]


def load_result(folder: Path | str, *, bound: bool = True) -> StoredResult:
    """Read a result back from an output folder of `check`.

    Parameters
    ----------
    folder : path
        It holds `result.json` and `height.npz`; nothing else in it is read.
    bound : bool
        Refuse maps that are not those which `result.json` names.

    Returns
    -------
    StoredResult

    Raises
    ------
    RefusedError
        When a file is missing, damaged, or of a newer schema.

    Examples
    --------
    >>> written = surfscan.write_result(out, result)
    >>> surfscan.load_result(out).verdict == result.verdict
    True
    """
    folder = Path(folder)
    if not folder.is_dir():
        raise RefusedError(
            f"{folder} is not a folder",
            allowed="an output folder of surfscan check",
            cure="check the path",
            found="nothing of the kind",
        )
    try:
        with reading(folder):
            document, maps = _read(folder / "result.json"), _read(folder / "height.npz")
    except OSError as error:
        raise RefusedError(
            f"{folder} was cut short while it was written, and the rest can't be put in place",
            found=error.strerror or str(error),
            allowed="a folder that you may write, with room",
            cure="open it where you may write, or check the job again",
        ) from None
    return parse_result(document, maps, name=str(folder), folder=folder, bound=bound)


def parse_result(
    document: bytes, maps: bytes, *, name: str, folder: Path | None = None, bound: bool = True
) -> StoredResult:
    """Check the bytes of `result.json` and `height.npz`, and put the result together.

    Parameters
    ----------
    document, maps : bytes
    name : str
        What messages call it.
    folder : Path, optional
        Where the files are, for messages.
    bound : bool
        As in `load_result`.

    Returns
    -------
    StoredResult

    Raises
    ------
    RefusedError
        When either is damaged, or of a newer schema.
    """
    where = f"{folder}/" if folder is not None else f"{name}: "
    raw, checked = _parse_document(document, f"{where}result.json")
    if isinstance(raw.get("relative"), dict):
        raise RefusedError(
            f"{name} holds a look without a scale",
            found="highs and lows in shares of the deepest, no height",
            allowed="a result with heights in mm",
            cure="lay tags on the panel, say where the board stands, and check it again",
        )
    height, more = _parse_maps(
        maps, f"{where}height.npz", form_name=str(raw.get("form", "")), bound=_bound(raw) if bound else None
    )
    rest = {
        "schema",
        "maps_sha256",
        "panel",
        "limits",
        "verdict",
        "sentence",
        "reasons",
        "coverage",
        "form",
        "measures",
    }
    rest |= {"spots", "photos", "run", "findings", "headline"}
    return StoredResult(
        name=name,
        document=raw,
        panel=raw["panel"],
        limits=raw["limits"],
        verdict=checked.verdict,
        sentence=str(raw.get("sentence", "")),
        reasons=tuple(raw["reasons"]),
        coverage=_number(raw["coverage"]),
        measures={key: _number(value) for key, value in raw["measures"].items()},
        height=height,
        spots=tuple(_spot(row) for row in checked.spots),
        photos=tuple(raw["photos"]),
        run=raw["run"],
        details={key: value for key, value in raw.items() if key not in rest},
        maps=more,
        findings=read_reasons(raw.get("findings")),
        headline=_message(raw.get("headline")),
    )


def _message(row: Any) -> Message:
    """A message back from its code and numbers; an empty one when it is none."""
    if not isinstance(row, dict) or not isinstance(row.get("numbers", {}), dict):
        return Message("")
    return Message(str(row.get("code", "")), row.get("numbers", {}))


def _read(path: Path) -> bytes:
    try:
        return path.read_bytes()
    except OSError as error:
        raise RefusedError(
            f"{path} cannot be read",
            found=error.strerror or str(error),
            allowed="a finished output folder of surfscan check",
            cure=_CURE,
        ) from None


def _parse_document(data: bytes, name: str) -> tuple[dict[str, Any], _Document]:
    try:
        raw = json.loads(data.decode("utf-8"), object_pairs_hook=once)
    except _TwiceError as error:
        raise RefusedError(
            f"{name} is damaged", found=str(error), cure=_CURE, allowed="the files as one check wrote them"
        ) from None
    except (UnicodeDecodeError, ValueError, RecursionError):
        raise RefusedError(
            f"{name} is damaged",
            found="no whole JSON document",
            cure=_CURE,
            allowed="the files as one check wrote them",
        ) from None
    schema = raw.get("schema") if isinstance(raw, dict) else None
    if isinstance(schema, int) and schema > KNOWN_SCHEMA:
        raise RefusedError(
            f"{name} was written by a newer surfscan",
            found=f"schema {schema}",
            allowed=f"up to {KNOWN_SCHEMA}",
            cure="bring surfscan up to date",
        )
    if schema != KNOWN_SCHEMA or isinstance(schema, bool):
        raise RefusedError(
            f"{name} is no result of surfscan check",
            found=f"schema {schema}",
            cure=_CURE,
            allowed="the files as one check wrote them",
        )
    try:
        checked = _Document.model_validate(raw)
    except ValidationError as error:
        first = error.errors()[0]
        key = ".".join(str(part) for part in first["loc"])
        raise RefusedError(
            f"{name} is damaged: {key}",
            found=first["msg"].lower(),
            cure=_CURE,
            allowed="the files as one check wrote them",
        ) from None
    assert isinstance(raw, dict)  # for the type checker
    return raw, checked


class _TwiceError(ValueError):
    """A key that is there twice: readers differ in which of the two they take."""


def once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    """For `json.loads`: an object whose keys are there once; two of a key are refused (ValueError)."""
    found = dict(pairs)
    if len(found) < len(pairs):
        twice = next(key for k, (key, _) in enumerate(pairs) if any(key == other for other, _ in pairs[:k]))
        raise _TwiceError(f"{twice[:60]!r} is in it twice")
    return found


def _bound(raw: dict[str, Any]) -> str | None:
    """Digest of the maps that belong to a document; None in one from before there was one."""
    told = raw.get("maps_sha256")
    return None if told is None else str(told)


def _parse_maps(
    data: bytes, name: str, *, form_name: str, bound: str | None
) -> tuple[HeightMap, dict[str, Array]]:
    def damaged(found: str) -> RefusedError:
        return RefusedError(
            f"{name} is damaged", found=found, cure=_CURE, allowed="the files as one check wrote them"
        )

    try:
        arrays = read_arrays(data)
    except UnreadableError as error:
        raise damaged(str(error)) from None
    if bound is not None and maps_digest(arrays) != bound:
        raise RefusedError(
            f"{name} does not belong to its result.json",
            found="maps of another digest than result.json names: two runs, or changed since",
            allowed="the two files that one check wrote",
            cure=_CURE,
        )
    missing = [key for key in _MAPS if key not in arrays]
    if missing:
        raise damaged(f"{', '.join(missing)} not in it")
    x, y = arrays["x_mm"].astype(float), arrays["y_mm"].astype(float)
    if x.ndim != 1 or y.ndim != 1 or x.size < 2 or y.size < 2 or not np.isfinite([*x, *y]).all():
        raise damaged("x_mm or y_mm is no row of places")
    steps = np.concatenate([np.diff(x), np.diff(y)])
    step = float(np.median(steps))
    if step <= 0 or np.abs(steps - step).max() > 1e-3 * step:
        raise damaged("x_mm and y_mm do not ascend in even steps")
    shape = y.size, x.size
    wrong = [key for key, array in arrays.items() if key not in ("x_mm", "y_mm") and array.shape != shape]
    if wrong:
        raise damaged(f"{wrong[0]} is {arrays[wrong[0]].shape}, not {shape}")
    if any(np.isinf(arrays[key]).any() for key in ("height_mm", "form_mm", "sigma_mm")):
        raise damaged("infinite heights")
    if (arrays["sigma_mm"] < 0).any():
        raise damaged("negative sigma_mm")
    height = HeightMap(
        Grid(x, y, step),
        arrays["height_mm"].astype(float),
        arrays["form_mm"].astype(float),
        arrays["sigma_mm"].astype(float),
        arrays["flags"].astype(np.int32),
        form_name,
    )
    return height, {key: array.astype(float) for key, array in arrays.items() if key not in _MAPS}


def _spot(row: _Spot) -> Spot:
    values: dict[str, Any] = {f.name: getattr(row, f.name) for f in fields(Spot)}
    plain: dict[str, Any] = {k: float("nan") if value is None else value for k, value in values.items()}
    return Spot(**{**plain, "flags": tuple(row.flags), "advice": _message(row.advice)})


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)
