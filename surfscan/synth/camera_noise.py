"""From linear light to a photo file, with a camera's faults, and whole job folders.

Every random function takes a `numpy.random.Generator`.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import ArrayLike, NDArray

from surfscan.synth.render import render_shots
from surfscan.synth.scene import Exposure, Scene

__all__ = [
    "add_noise",
    "blur_by_motion",
    "decode_srgb",
    "encode_srgb",
    "quantise",
    "sheet_text",
    "write_job",
    "write_photo",
    "write_truth",
]

Array = NDArray[Any]


def encode_srgb(linear: ArrayLike) -> Array:
    """Return the sRGB value 0 to 1 of linear light 0 to 1 (clipped to that). IEC 61966-2-1, clause 5.2."""
    c = np.clip(np.asarray(linear, dtype=np.float64), 0, 1)
    return np.where(c <= 0.0031308, 12.92 * c, 1.055 * c ** (1 / 2.4) - 0.055)


def decode_srgb(value: ArrayLike) -> Array:
    """Return linear light 0 to 1 of an sRGB value 0 to 1. IEC 61966-2-1, clause 5.2."""
    v = np.asarray(value, dtype=np.float64)
    return np.where(v <= 0.04045, v / 12.92, ((v + 0.055) / 1.055) ** 2.4)


def add_noise(
    linear: Array, *, rng: np.random.Generator, full_well_e: float = 5000.0, read_e: float = 4.0
) -> Array:
    """Return the picture with shot and read noise, (H, W) float32, clipped at 0 and 1 (saturation).

    Parameters
    ----------
    linear : ndarray (H, W)
        Linear light; 1 fills a pixel.
    full_well_e : float
        Electrons at 1. Shot noise is Poisson in electrons, here its normal limit (above 20 electrons the
        two differ by less than a tenth of the standard deviation).
    read_e : float
        Standard deviation of the read noise in electrons.
    """
    signal = np.clip(linear, 0, None) * full_well_e
    noisy = signal + rng.standard_normal(linear.shape, dtype=np.float32) * np.sqrt(signal + read_e**2)
    return np.clip(noisy / full_well_e, 0, 1).astype(np.float32)


def blur_by_motion(linear: Array, length_px: float, angle_deg: float = 0.0) -> Array:
    """Return the picture smeared over a straight line of `length_px` (a hand that moved)."""
    size = int(2 * np.ceil(length_px / 2) + 3)
    kernel = np.zeros((size, size))
    c, s, middle = np.cos(np.deg2rad(angle_deg)), np.sin(np.deg2rad(angle_deg)), (size - 1) / 2
    for t in np.linspace(-length_px / 2, length_px / 2, 16 * size):
        column, row = middle + t * c, middle - t * s
        i, j = int(row), int(column)
        fi, fj = row - i, column - j
        kernel[i : i + 2, j : j + 2] += np.outer([1 - fi, fi], [1 - fj, fj])
    kernel /= kernel.sum()
    blurred: Array = cv2.filter2D(linear.astype(np.float32), -1, kernel, borderType=cv2.BORDER_REPLICATE)
    return blurred


def quantise(value: ArrayLike, bits: int = 8) -> Array:
    """Return `value` 0 to 1 as whole grey levels, uint8 or uint16."""
    if bits not in (8, 16):
        raise ValueError("bits is 8 or 16")
    top = 2**bits - 1
    return np.round(np.clip(np.asarray(value), 0, 1) * top).astype(np.uint8 if bits == 8 else np.uint16)


def write_photo(
    path: Path | str, linear: Array, *, encoding: str = "srgb", quality: int = 95, bits: int | None = None
) -> None:
    """Write linear light as a photo; the ending says how: .jpg (8 bits), .png or .tif (8 or 16 bits).

    Three equal channels are written, as a phone does.

    Raises
    ------
    ValueError
        For an unknown encoding, or 16 bits in a JPEG.
    OSError
        If the file can't be written.
    """
    path = Path(path)
    if encoding not in ("srgb", "linear"):
        raise ValueError(f"encoding is 'srgb' or 'linear', not {encoding!r}")
    jpeg = path.suffix.lower() in (".jpg", ".jpeg")
    if jpeg and bits == 16:
        raise ValueError("a JPEG has 8 bits")
    value = encode_srgb(linear) if encoding == "srgb" else linear
    grey = quantise(value, bits or 8)
    options = [cv2.IMWRITE_JPEG_QUALITY, quality] if jpeg else []
    if not cv2.imwrite(str(path), cv2.merge([grey, grey, grey]), options):
        raise OSError(f"could not write {path}")


def write_job(
    scene: Scene,
    folder: Path | str,
    *,  # house: the camera's faults, each off or usual by default
    rng: np.random.Generator,
    full_well_e: float = 5000.0,
    read_e: float = 4.0,
    motion_px: float = 0.0,
    gain: float = 1.0,
    encoding: str = "srgb",
    quality: int = 95,
    bits: int = 8,
    truth_step_mm: float = 2.0,
) -> Path:
    """Take all photos of `scene` and write a whole job folder: sheet, photos and truth. Return the folder.

    Parameters
    ----------
    scene : Scene
    folder : path
        Made if missing.
    rng : numpy.random.Generator
    full_well_e, read_e : float
        See `add_noise`; a `full_well_e` of inf leaves the noise out.
    motion_px : float
        Hand shake, in pixels, at a random angle for each photo.
    gain : float
        Exposure: above 1, more of the picture saturates.
    encoding, quality, bits :
        See `write_photo`; file endings are the shots'.
    truth_step_mm : float
        Grid step of ``truth.npz``.
    """
    folder = Path(folder)
    folder.mkdir(parents=True, exist_ok=True)
    shots = scene.all_shots()
    for shot, seen in zip(shots, render_shots(scene, shots), strict=True):
        linear = gain * seen
        if motion_px > 0:
            linear = blur_by_motion(linear, motion_px, float(rng.uniform(0, 180)))
        if np.isfinite(full_well_e):
            linear = add_noise(linear, rng=rng, full_well_e=full_well_e, read_e=read_e)
        write_photo(folder / shot.file, linear, encoding=encoding, quality=quality, bits=bits)
    (folder / "panel.toml").write_text(sheet_text(scene, encoding=encoding), encoding="utf-8")
    write_truth(scene, folder, step_mm=truth_step_mm)
    return folder


def write_truth(scene: Scene, folder: Path | str, *, step_mm: float = 2.0) -> None:
    """Write ``truth.npz`` (x_mm, y_mm; deviation_mm, form_mm, float32) and ``truth.json``."""
    w, h = scene.panel.size_mm
    x = np.linspace(-w / 2, w / 2, round(w / step_mm) + 1)
    y = np.linspace(-h / 2, h / 2, round(h / step_mm) + 1)
    places = (x[None, :], y[:, None])
    np.savez_compressed(
        Path(folder) / "truth.npz",
        x_mm=x,
        y_mm=y,
        deviation_mm=scene.panel.deviation.height(*places).astype(np.float32),
        form_mm=scene.panel.form.height(*places).astype(np.float32),
    )
    text = json.dumps({"spots": scene.panel.spots()}, indent=1)
    (Path(folder) / "truth.json").write_text(text + "\n", encoding="utf-8")


def sheet_text(scene: Scene, *, encoding: str = "srgb") -> str:
    """Return the job sheet (``panel.toml``) that belongs to the scene."""
    lines = [
        "[panel]",
        f'name = "{scene.name}"',
        f'stage = "{scene.stage}"',
        f"size_mm = {_row(scene.panel.size_mm)}",
        "",
    ]
    if scene.tags is not None:
        lines += ["[tags]", f'dictionary = "{scene.tags.dictionary}"', f"side_mm = {scene.tags.side_mm:g}"]
        lines += ["[tags.centres_mm]"]
        lines += [f"{tag} = {_row(centre)}" for tag, centre in scene.tags.centres_mm.items()] + [""]
    lines += ["[camera]", f"focal_px = {scene.camera.focal_px!r}"]
    middle = ((scene.image_size_px[0] - 1) / 2, (scene.image_size_px[1] - 1) / 2)
    if scene.camera.centre_px != middle:
        lines.append(f"centre_px = {_row(scene.camera.centre_px)}")
    if any(scene.camera.distortion):
        lines.append(f"distortion = {_row(scene.camera.distortion)}")
    shots = scene.all_shots()
    if scene.board is not None:
        b = scene.board
        lines += [
            "",
            "[board]",
            f'pattern = "{shots[0].pattern}"',
            f"period_mm = {b.period_mm:g}",
            f"centre_mm = {_row(b.centre_mm)}",
            f"across = {_row(b.across)}",
            f"up = {_row(b.up)}",
            f"size_mm = {_row(b.size_mm)}",
        ]
    for shot in shots:
        lines += _photo_lines(shot, scene, encoding)
    lines += ["", "[limits]"] + [f"{key} = {value!r}" for key, value in scene.limits_mm.items()]
    return "\n".join(lines) + "\n"


def _photo_lines(shot: Exposure, scene: Scene, encoding: str) -> list[str]:
    lines = ["", "[[photo]]", f'file = "{shot.file}"']
    if shot.pattern in ("stripes", "stepped"):
        lines.append(f'varies = "{shot.varies}"')
    if shot.pattern == "stepped":
        period = scene.board.period_mm if shot.period_mm is None and scene.board else shot.period_mm
        lines += [f"period_mm = {period:g}", f"phase_deg = {shot.phase_deg!r}"]
    if shot.lamp_mm is not None:
        lines.append(f"lamp_mm = {_row(shot.lamp_mm)}")
    if encoding != "srgb":
        lines.append(f'encoding = "{encoding}"')
    return lines


def _row(values: ArrayLike) -> str:
    return "[" + ", ".join(repr(round(float(v), 8)) for v in np.asarray(values).ravel()) + "]"
