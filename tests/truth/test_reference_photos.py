"""The null test by an independent renderer (Mitsuba 3): distorted lens and bent board, hand-held."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from reading.test_reference import form_error_um
from truth.mitsuba_mirror import photograph_distorted, stripes_texture

from surfscan.checking.pipeline import check_job
from surfscan.synth.camera_noise import write_photo
from surfscan.synth.panels import Dish

TAGS = {0: (-223.0, -153.0), 1: (223.0, -153.0), 2: (223.0, 153.0), 3: (-223.0, 153.0)}
SIZE = (500.0, 360.0)
SPOT = Dish(-70, 30, -0.15, 100, order=3)
E = np.radians(54)


def eye(x: float, along: float, up: float) -> np.ndarray:
    return np.array([x, -along * np.cos(E), up * np.sin(E)])


def write(folder: Path) -> None:
    board = {
        "centre": 900 * np.array([0, np.cos(E), np.sin(E)]),
        "across": np.array([1.0, 0, 0]),
        "up": np.array([0, -np.sin(E), np.cos(E)]),
        "size": (1500.0, 1300.0),
        "sag": 8.0,
    }
    stands = {
        "stripes": ((eye(20, 900, 900), (0, 0, 0)), (eye(-30, 860, 940), (10, 5, 0))),
        "glass": ((eye(60, 940, 870), (-12, 8, 0)), (eye(0, 890, 950), (10, -8, 0))),
    }
    for kind, both in stands.items():
        for varies, (camera, target) in zip(("across", "up"), both, strict=True):
            picture = photograph_distorted(
                -0.1,
                eye=camera,
                target=np.array(target, float),
                pixels=(720, 540),
                focal_px=830.0,
                # the glass lies between the tags, 3 mm over them
                panel_mm=SIZE if kind == "stripes" else (392.0, 360.0),
                height=SPOT.surface if kind == "stripes" else None,
                z_mm=0.0 if kind == "stripes" else 3.0,
                tags=TAGS,
                tag_side_mm=36.0,
                board=board,
                texture=stripes_texture((1500.0, 1300.0), 26.0, varies),
                tag_light=0.05,
                spp=1,  # four samples a pixel, since the picture is taken twice as fine
            )
            write_photo(folder / f"{kind}-{varies}.png", 14 * picture, bits=16)


def sheet(reference: bool) -> str:
    rows = "\n".join(f"{k} = [{x}, {y}]" for k, (x, y) in TAGS.items())
    text = (
        '[panel]\nstage = "primer"\nsize_mm = [500, 360]\n'
        f'[tags]\ndictionary = "4x4_50"\nside_mm = 36\n[tags.centres_mm]\n{rows}\n[camera]\nfocal_px = 830\n'
        f"[board]\nperiod_mm = 26\nsize_mm = [1500, 1300]\ncentre_mm = [0.0, {900 * np.cos(E)}, {900 * np.sin(E)}]\n"
        f"across = [1.0, 0.0, 0.0]\nup = [0.0, {-np.sin(E)}, {np.cos(E)}]\n"
    )
    for varies in ("across", "up"):
        text += f'[[photo]]\nfile = "stripes-{varies}.png"\nvaries = "{varies}"\n'
        text += f'reference = "glass-{varies}.png"\n' if reference else ""
    return text + ("[reference]\nthickness_mm = 3.0\n" if reference else "")


def test_the_residual_form_shrinks_tenfold(tmp_path: Path) -> None:
    write(tmp_path)
    errors = []
    for reference in (False, True):
        (tmp_path / "panel.toml").write_text(sheet(reference), encoding="utf-8")
        result = check_job(tmp_path)
        errors.append(form_error_um(result, SPOT))
        (spot,) = [s for s in result.spots if s.kind == "low"]
        assert abs(spot.peak_mm + 0.15) < 0.003  # 2 %, as the fixtures' spots
    assert errors[0] > 8.0
    assert errors[1] < errors[0] / 10
