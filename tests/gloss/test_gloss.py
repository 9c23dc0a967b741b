"""The gloss preview: which way round, how bright, where the worst is, and what is said."""

from __future__ import annotations

import json
import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from result_folders import bump, grid, make_folder

from surfscan import cli
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.core.records import Grid, HeightMap
from surfscan.gloss.mirrored import make_mirror, mirror_pixels
from surfscan.gloss.moving import move_light
from surfscan.gloss.preview import preview_gloss
from surfscan.gloss.sheet import draw_gloss_pair, write_gloss
from surfscan.gloss.viewing import Viewpoint, WallLight, aim_camera, brightness, face_wall, walk_round


def made(deviation: np.ndarray, form: np.ndarray | float = 0.0) -> HeightMap:
    """A 320 x 240 mm map of 4 mm cells."""
    x, y = grid()
    zero = np.zeros(deviation.shape)
    return HeightMap(
        Grid(x, y, 4.0), deviation, zero + form, zero + 0.002, np.isnan(deviation).astype(np.int32), "made"
    )


def low(at: tuple[float, float] = (0.0, 0.0), peak: float = -0.2, width: float = 80.0) -> np.ndarray:
    x, y = grid()
    return bump(x[None, :], y[:, None], at=at, peak=peak, width=width)


def test_flat_glass_at_normal_incidence_mirrors_four_per_cent() -> None:
    """(n - 1)^2/(n + 1)^2 = 0.04 for n = 1.5 (Fresnel at normal incidence); the ray goes straight back."""
    view = Viewpoint(0.0, 85.0, 1000.0)
    flat = make_mirror(made(np.zeros((61, 81))))[0]
    camera, pose, height = aim_camera(view, flat.rim_mm, width_px=200)
    wall = face_wall(view, distance_mm=1000.0, period_mm=50.0)
    seen = mirror_pixels(flat, camera=camera, pose=pose, size_px=(200, height), wall=wall)
    # 5 degrees from the normal the reflectance is 0.04 to 1e-4; the middle looks at the wall's middle.
    assert np.nanmedian(seen.reflectance[seen.on_panel]) == pytest.approx(0.04, abs=3e-4)
    column, row = round(camera.centre_px[0]), round(camera.centre_px[1])
    assert abs(seen.across_mm[row, column]) < 5
    assert abs(seen.up_mm[row, column]) < 5
    # To the right in the picture is to the right on the wall, twice as fast as on the panel (both 1 m away).
    pixel_mm = 1000.0 / camera.focal_px
    assert seen.across_mm[row, column + 20] - seen.across_mm[row, column] == pytest.approx(
        40 * pixel_mm, rel=0.01
    )


@pytest.mark.parametrize(("azimuth", "right"), [(0.0, (1.0, 0.0)), (90.0, (0.0, 1.0)), (180.0, (-1.0, 0.0))])
def test_walking_round_turns_the_panel(azimuth: float, right: tuple[float, float]) -> None:
    """A place to the eye's right shows in the picture's right half, whichever side one stands on."""
    at = (90 * right[0], 70 * right[1])
    (picture,) = preview_gloss(
        made(low(at)), lights=("stripes",), views=(Viewpoint(azimuth, 40.0, 1200.0),), width_px=200
    ).pictures
    assert picture.worst_px[0] > 110
    changed = np.argwhere(np.abs(picture.panel.astype(int) - picture.fair.astype(int)).max(-1) > 60)
    assert changed[:, 1].mean() > 110


def test_only_the_fault_changes_the_picture() -> None:
    nothing = preview_gloss(
        made(np.zeros((61, 81)), form=low(width=300.0)), views=walk_round(views=2), width_px=120
    )
    assert len(nothing.pictures) == 6
    for picture in nothing.pictures:
        assert (picture.panel == picture.fair).all()
    bent = [
        preview_gloss(
            made(low()), exaggeration=n, lights=("stripes",), views=walk_round(views=1), width_px=240
        )
        for n in (1.0, 4.0)
    ]
    changed = [np.abs(p.pictures[0].panel.astype(int) - p.pictures[0].fair).sum() for p in bent]
    assert changed[1] > 1.5 * changed[0] > 0
    assert (bent[0].pictures[0].fair == bent[1].pictures[0].fair).all()
    assert "at its true size" in bent[0].sentence
    assert "4 times its true size" in bent[1].sentence
    assert bent[0].worst == bent[1].worst  # stated at true size whatever the pictures show


def test_a_light_that_is_carried_goes_over_all_of_the_panel_and_bends_at_the_low() -> None:
    flat = move_light(made(np.zeros((61, 81))), count=6, width_px=200)
    assert flat.frames.shape[0] == 6
    above, fair = np.split(flat.frames, 2, axis=1)
    assert (above == fair).all()
    lit = (fair[..., 0] > 120) & (fair[..., 0] < 246)  # brighter than dark paint, and not the paper round it
    rows = [np.argwhere(one)[:, 0].mean() for one in lit]
    assert (np.diff(rows) > 5).all()  # down the picture, from the far side to the near one
    assert np.ptp(rows) > 0.6 * np.ptp(np.argwhere(fair[0, ..., 0] < 246)[:, 0])
    bent = move_light(made(low((80.0, 0.0))), count=6, width_px=200)
    as_it_is, fair = np.split(bent.frames.astype(int), 2, axis=1)
    changed = np.abs(as_it_is - fair).max(axis=(0, 3)) > 60
    assert np.argwhere(changed)[:, 1].mean() > 115  # right of the middle, as the low is
    with pytest.raises(RefusedError, match="exaggeration"):
        move_light(made(low()), exaggeration=0.0)


def test_worst_place_is_where_the_low_is_steepest() -> None:
    """z = peak (1 - rho^2)^2: steepest at rho = 1/sqrt(3), slope 16/(3 sqrt 3) |peak|/width."""
    preview = preview_gloss(
        made(low((40.0, -20.0), -0.2, 120.0)),
        lights=("strip",),
        smooth_mm=0.0,
        views=walk_round(views=1),
        width_px=300,
    )
    worst = preview.worst
    assert math.hypot(worst.x_mm - 40, worst.y_mm + 20) == pytest.approx(60 / math.sqrt(3), abs=4)  # a cell
    slope = 1e3 * 16 / (3 * math.sqrt(3)) * 0.2 / 120
    assert worst.slope_mrad == pytest.approx(slope, rel=0.03)
    # A mirror turned by d turns the ray by 2 d: 2 x 1500 mm x d on the wall, within the obliquity of the view.
    assert 0.5 < worst.shift_mm / (2 * 1500 * slope / 1e3) < 1.8
    # The strip light is aimed so that its reflection in the fair panel crosses the worst place.
    picture = preview.pictures[0]
    column, row = (round(v) for v in picture.worst_px)
    assert picture.fair[row - 1 : row + 2, column].max() > 150
    assert np.median(picture.fair[picture.fair[..., 0] < 240]) < 100


def test_what_was_not_measured_is_hatched_and_never_the_worst() -> None:
    deviation = low((-80.0, 0.0), -0.1)
    x, y = grid()
    deviation += low((90.0, 0.0), -2.0)
    hidden = np.hypot(x[None, :] - 90, y[:, None]) < 44
    deviation[hidden] = np.nan
    preview = preview_gloss(made(deviation), lights=("stripes",), views=walk_round(views=1), width_px=300)
    assert preview.worst.x_mm < -30
    panel = preview.pictures[0].panel
    plain = (panel == (150, 150, 148)).all(-1)  # between the hatch's lines; mirrored light is pure grey
    assert plain[:, 150:].sum() > 100
    assert not plain[:, :150].any()
    with pytest.raises(NotMeasuredError, match="Nothing of the panel was measured"):
        preview_gloss(made(np.full((61, 81), np.nan)))


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        ({"exaggeration": 0.0}, "exaggeration"),
        ({"lights": ("moon",)}, "light is not known"),
        ({"lights": ()}, "light is not known"),
        ({"views": ()}, "no viewpoint"),
        ({"period_mm": math.nan}, "period"),
        ({"wall_mm": 60.0}, "too near"),
        ({"width_px": 10_000}, "width"),
        ({"index": 1.0}, "refractive index"),
    ],
)
def test_settings_out_of_range_are_a_sentence(wrong: dict[str, object], said: str) -> None:
    with pytest.raises(RefusedError, match=said):
        preview_gloss(made(low()), **wrong)  # type: ignore[arg-type]


def test_lights_on_the_wall() -> None:
    """Half of a striped wall is bright, a strip's and a grid's share is that of their widths."""
    a, b = np.meshgrid(np.arange(0, 240, 0.5) + 0.25, np.arange(0, 240, 0.5) + 0.25)
    assert brightness(WallLight("stripes", 40.0), a, b).mean() == 0.5
    assert brightness(WallLight("strip", 40.0, 24.0, at_mm=120.0), a, b).mean() == pytest.approx(0.1)
    assert brightness(WallLight("grid", 40.0, 8.0), a, b).mean() == pytest.approx(1 - 0.8**2)
    assert brightness(WallLight("grid", 40.0, 8.0), a * np.nan, b * np.nan).max() == 0
    for wrong in ({"kind": "moon"}, {"kind": "grid", "width_mm": 0.0}):
        with pytest.raises(ValueError, match=r"light is one of|over 0"):
            WallLight(**wrong)  # type: ignore[arg-type]
    with pytest.raises(ValueError, match="5 to 85"):
        Viewpoint(0.0, 90.0, 1000.0)


def test_the_folder_holds_a_sheet_a_walk_and_every_picture(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    x, y = grid()
    result = make_folder(
        tmp_path / "r", x, y, low((60.0, 40.0)), form=-(x[None, :] ** 2 + y[:, None] ** 2) / 6000
    )
    arguments = ["gloss", str(result), "--views", "3", "--width-px", "160", "--exaggerate", "2", "--quiet"]
    assert cli.main([*arguments, "--out", str(tmp_path / "g")]) == 0
    said = capsys.readouterr().out
    assert "2 times its true size" in said
    names = sorted(path.name for path in (tmp_path / "g").iterdir())
    singles = [f"gloss-{k}-{a}.png" for k in ("grid", "strip", "stripes") for a in ("000", "120", "240")]
    assert names == sorted([*singles, "gloss-sheet.png", "gloss-walk.gif", "gloss.json"])
    with Image.open(tmp_path / "g" / "gloss-walk.gif") as walk:
        assert walk.n_frames == 3  # type: ignore[attr-defined]
        assert walk.info["duration"] >= 1000  # under three changes a second, WCAG 2.2, 2.3.1
    document = json.loads((tmp_path / "g" / "gloss.json").read_text())
    assert document["settings"]["exaggeration"] == 2
    assert document["worst"]["x_mm"] == pytest.approx(60, abs=40)
    # The same map gives the same bytes.
    assert cli.main([*arguments, "--out", str(tmp_path / "h"), "--json"]) == 0
    for name in names:
        assert (tmp_path / "g" / name).read_bytes() == (tmp_path / "h" / name).read_bytes()


def test_a_made_panel_and_wrong_use(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    spot = ["gloss", "--spot=-60,20,-0.3,90", "--size-mm", "320x240", "--crown-mm", "2000", "--views", "1"]
    assert cli.main([*spot, "--width-px", "120", "--out", str(tmp_path / "g")]) == 0
    for wrong, said in (
        (["gloss", "--out", "x"], "RESULT, or --spot"),
        (["gloss", "--spot", "1,2", "--out", "x"], "4 numbers"),
        (["gloss", "--spot=0,0,1,90", "--views", "0", "--out", "x"], "--views"),
        (["gloss", "--spot=0,0,1,90", "--size-mm", "1x1", "--out", "x"], "--size-mm"),
        (["gloss", "--spot=0,0,1,90", "--elevation-deg", "nan", "--out", "x"], "can't stand there"),
    ):
        assert cli.main(wrong) == 2
        assert said in capsys.readouterr().err
    assert cli.main(["gloss", str(tmp_path / "none"), "--out", "x"]) == 3
    assert not Path("x").exists()


def test_a_pair_has_both_and_says_the_size() -> None:
    preview = preview_gloss(made(low()), lights=("grid",), views=walk_round(views=1), width_px=200)
    pair = draw_gloss_pair(preview.pictures[0], exaggeration=1.0, sentence=preview.sentence)
    assert pair.shape[1] == 410
    assert pair.dtype == np.uint8
    assert write_gloss.__doc__
