"""The lens file: what a calibration found about one camera, as TOML that any program can read.

Pixels are of the photos that it was made from, counted from the middle of the top-left pixel; the distortion is Brown's
in OpenCV's order (k1, k2, p1, p2, k3, and k4, k5, k6 for lenses that need them), written out in ``optics/lens.py``.
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated

from pydantic import Field, ValidationError, model_validator

from surfscan.core.errors import RefusedError
from surfscan.core.records import Camera
from surfscan.job.sheet_base import Table, as_tuples
from surfscan.job.sheet_errors import refuse, retell

__all__ = ["LensFile", "LensFit", "LensSpread", "camera_for", "lens_text", "read_lens"]

REFOCUS_REL = 0.001
"""Relative standard uncertainty of a calibrated focal length on another day: focus moves it (our estimate)."""

TURNED_REL = 0.002
"""The same when the photo is turned against the calibration's, and which way is not known: the axis may be off."""

ASPECT = 0.005
"""Relative difference of the sides' ratio that rounding may make when a camera scales its photos."""

_BYTES = 100_000
_Positive = Annotated[float, Field(gt=0.0, le=1e6)]
_Spread = Annotated[float, Field(ge=0.0, le=1e6)]
_Coefficient = Annotated[float, Field(ge=-1e4, le=1e4)]
_Pixel = Annotated[float, Field(ge=-1e5, le=1e5)]
_Bent = Annotated[tuple[_Coefficient, ...], Field(min_length=5, max_length=8)]


class LensSpread(Table):
    """Standard deviations of the calibration: `[sd]`."""

    focal_px: _Spread = Field(description="pixels")
    centre_px: tuple[_Spread, _Spread] = Field(description="[column, row], pixels")
    distortion: _Bent = Field(description="[k1, k2, p1, p2, k3], or with k4, k5, k6")


class LensFit(Table):
    """How the calibration went: `[fit]`."""

    rms_px: _Spread = Field(description="root mean square reprojection error, pixels")
    photos: Annotated[int, Field(ge=1)] = Field(description="photos used")
    corners: Annotated[int, Field(ge=1)] = Field(description="corners used")
    date: str = Field(default="", max_length=40, description="ISO 8601")
    board: str = Field(default="", max_length=200, description="the board in words")
    versions: str = Field(default="", max_length=200, description="programs and their versions")


class LensFile(Table):
    """A whole lens file."""

    schema_: int = Field(alias="schema", ge=1, le=1, description="1")
    image_size_px: tuple[Annotated[int, Field(ge=16)], Annotated[int, Field(ge=16)]] = Field(
        description="[width, height] of the calibration's photos"
    )
    focal_px: _Positive = Field(description="focal length, pixels")
    centre_px: tuple[_Pixel, _Pixel] = Field(description="[column, row] of the optical axis, pixels")
    distortion: _Bent = Field(description="[k1, k2, p1, p2, k3], or with k4, k5, k6")
    sd: LensSpread = Field(description="a table [sd]")
    fit: LensFit = Field(description="a table [fit]")

    @model_validator(mode="after")
    def _inside(self) -> LensFile:
        for value, size in zip(self.centre_px, self.image_size_px, strict=True):
            if not -size < value < 2 * size:
                raise refuse(
                    "lies far outside the photo",
                    key="centre_px",
                    found=str(list(self.centre_px)),
                    allowed=f"within {self.image_size_px[0]} x {self.image_size_px[1]}",
                )
        if len(self.distortion) not in (5, 8) or len(self.sd.distortion) != len(self.distortion):
            raise refuse(
                "has the wrong number of coefficients",
                key="distortion",
                found=f"{len(self.distortion)}, and {len(self.sd.distortion)} standard deviations",
                allowed="5 (k1, k2, p1, p2, k3) or 8 (and k4, k5, k6), and as many in [sd]",
            )
        return self


def read_lens(path: Path) -> LensFile:
    """Read and check a lens file.

    Raises
    ------
    RefusedError
        Not there, no TOML, or keys that are missing, unknown or out of range.
    """
    cure = "make it with surfscan lens, and put it into the job folder"
    try:
        size = path.stat().st_size  # looked at before anything is read
        data = path.read_bytes() if size <= _BYTES else b""
    except OSError:
        raise RefusedError(
            "camera.lens_file names a file that is not there",
            found=f"no {path}",
            cure=cure,
            allowed="a lens file as surfscan lens writes it",
        ) from None
    if size > _BYTES:
        raise RefusedError(
            f"{path.name} is too long for a lens file",
            found=f"{size} bytes",
            cure=cure,
            allowed="a lens file as surfscan lens writes it",
        )
    try:
        raw = tomllib.loads(data.decode("utf-8-sig"))
    except (RecursionError, ValueError) as error:
        raise RefusedError(
            f"{path.name} is no valid TOML",
            found=str(error),
            cure=cure,
            allowed="a lens file as surfscan lens writes it",
        ) from None
    try:
        return LensFile.model_validate(as_tuples(raw))
    except ValidationError as error:
        told = retell(error, LensFile)
        raise RefusedError(
            f"{path.name}: {told.what}", found=told.found, allowed=told.allowed, cure=told.cure
        ) from None


def camera_for(lens: LensFile, size_px: tuple[int, int], *, file: str = "photo") -> Camera:
    """The camera of a photo of `size_px` (width, height) by a lens file.

    A photo of another size but the same shape is taken to be the same picture scaled. One that is turned by a quarter
    keeps focal length and radial distortion; its axis goes to the middle and its tangential part is dropped, since
    which way it was turned is not known, and its uncertainty grows.

    Raises
    ------
    RefusedError
        For a photo of another shape.
    """
    width, height = size_px
    own_w, own_h = lens.image_size_px
    turned = False
    if abs(width * own_h / (height * own_w) - 1) > ASPECT:
        turned = abs(width * own_w / (height * own_h) - 1) <= ASPECT
        if not turned:
            raise RefusedError(
                f"{file} is not of the lens file's shape",
                found=f"{width} x {height} pixels",
                allowed=f"{own_w} x {own_h}, or that scaled or turned",
                cure="use photos as the camera makes them, uncropped, with the setting of the calibration",
            )
    scale = (height if turned else width) / own_w
    spread = lens.sd.focal_px / lens.focal_px
    k1, k2, p1, p2, *rest = lens.distortion
    if turned:
        return Camera(
            lens.focal_px * scale,
            ((width - 1) / 2, (height - 1) / 2),
            (k1, k2, 0.0, 0.0, *rest),
            float((spread**2 + REFOCUS_REL**2 + TURNED_REL**2) ** 0.5),
        )
    # Pixel centres at whole numbers: the picture's edge, not its first pixel's middle, is what scales.
    centre = tuple((c + 0.5) * scale - 0.5 for c in lens.centre_px)
    return Camera(
        lens.focal_px * scale,
        (centre[0], centre[1]),
        (k1, k2, p1, p2, *rest),
        float((spread**2 + REFOCUS_REL**2) ** 0.5),
    )


def lens_text(lens: LensFile) -> str:
    """The file's text; `read_lens` gives the same numbers back."""

    def row(values: tuple[float, ...] | tuple[int, ...]) -> str:
        return "[" + ", ".join(repr(v) for v in values) + "]"

    def quoted(text: str) -> str:
        return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'

    return "\n".join(
        [
            "# Lens file of surfscan. Pixels count from the middle of the top-left pixel, column first;",
            "# distortion is k1, k2, p1, p2, k3 (Brown's model in OpenCV's order), with k4, k5, k6 (rational)",
            "# for lenses that need them. [sd]: standard deviations.",
            f"schema = {lens.schema_}",
            f"image_size_px = {row(lens.image_size_px)}",
            f"focal_px = {lens.focal_px!r}",
            f"centre_px = {row(lens.centre_px)}",
            f"distortion = {row(lens.distortion)}",
            "",
            "[sd]",
            f"focal_px = {lens.sd.focal_px!r}",
            f"centre_px = {row(lens.sd.centre_px)}",
            f"distortion = {row(lens.sd.distortion)}",
            "",
            "[fit]",
            f"rms_px = {lens.fit.rms_px!r}",
            f"photos = {lens.fit.photos}",
            f"corners = {lens.fit.corners}",
            f"date = {quoted(lens.fit.date)}",
            f"board = {quoted(lens.fit.board)}",
            f"versions = {quoted(lens.fit.versions)}",
            "",
        ]
    )
