"""The set-up photo by an independent renderer (Mitsuba 3): where the board stands, against where it was put."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from truth.mitsuba_mirror import photograph, stripes_texture

from surfscan.checking.setup import stand_board
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.reading.propagation import Inputs
from surfscan.synth.camera_noise import write_photo

PANEL_TAGS = {0: (-223.0, -153.0), 1: (223.0, -153.0), 2: (223.0, 153.0), 3: (-223.0, 153.0)}
BOARD_TAGS = {10: (-500.0, -400.0), 11: (500.0, -400.0), 12: (500.0, 400.0), 13: (-500.0, 400.0)}
SIZE = (1300.0, 1100.0)


def board(turn_deg: float) -> dict[str, np.ndarray]:
    e, t = np.radians(54), np.radians(turn_deg)
    across, up = np.array([1.0, 0, 0]), np.array([0, -np.sin(e), np.cos(e)])
    turned, risen = np.cos(t) * across + np.sin(t) * up, np.cos(t) * up - np.sin(t) * across
    return {"centre": np.array([30.0, 529.0, 728.0]), "across": turned, "up": risen}


def sheet(folder: Path) -> Sheet:
    rows = "\n".join(f"{k} = [{x}, {y}]" for k, (x, y) in PANEL_TAGS.items())
    more = "\n".join(f"{k} = [{x}, {y}]" for k, (x, y) in BOARD_TAGS.items())
    (folder / "panel.toml").write_text(
        '[panel]\nstage = "primer"\nsize_mm = [500, 360]\n'
        f'[tags]\ndictionary = "4x4_50"\nside_mm = 36\n[tags.centres_mm]\n{rows}\n'
        "[camera]\nfocal_px = 1000\n"
        '[board]\nperiod_mm = 26\nsize_mm = [1300, 1100]\nsetup_photo = "setup.png"\n'
        f'[board.tags]\ndictionary = "4x4_50"\nside_mm = 90\n[board.tags.centres_mm]\n{more}\n'
        '[[photo]]\nfile = "a.jpg"\nvaries = "across"\n',
        encoding="utf-8",
    )
    return load_sheet(folder, need_photos=False)


@pytest.mark.parametrize(("turn_deg", "eye"), [(0.0, (650, -1500, 1100)), (12.0, (-900, -1300, 900))])
def test_the_board_is_where_the_renderer_put_it(
    turn_deg: float, eye: tuple[float, float, float], tmp_path: Path
) -> None:
    place = board(turn_deg)
    picture = photograph(
        eye=np.array(eye),
        target=np.array([0.0, 220.0, 330.0]),
        pixels=(1200, 900),
        focal_px=1000.0,
        panel_mm=(500.0, 360.0),
        height=None,
        z_mm=0.0,
        tags=PANEL_TAGS,
        tag_side_mm=36.0,
        board={**place, "size": SIZE},
        texture=stripes_texture(SIZE, 26, "across", tags=BOARD_TAGS, tag_side_mm=90.0),
        tag_light=0.8,
        spp=9,
    )
    write_photo(tmp_path / "setup.png", picture)
    fit, _ = stand_board(sheet(tmp_path), read_photo(tmp_path / "setup.png", "setup.png"), inputs=Inputs())
    # The demand: 0.3 % of the distance (900 mm).
    assert np.linalg.norm(fit.centre_mm - place["centre"]) < 0.003 * 900
    assert np.dot(fit.across, place["across"]) > np.cos(np.radians(0.2))
    assert np.dot(fit.up, place["up"]) > np.cos(np.radians(0.2))
    # right-handed: the normal looks at the panel
    assert np.dot(np.cross(fit.across, fit.up), -fit.centre_mm) > 0
