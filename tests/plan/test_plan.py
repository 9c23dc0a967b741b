"""The plan against handbook values, the project's renderer (folding) and its own check (visible lows)."""

from __future__ import annotations

import json
import math
import re
import time
import tomllib
import xml.etree.ElementTree as ElementTree
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from surfscan.checking.pipeline import check_job
from surfscan.cli import main
from surfscan.core.errors import UsageError
from surfscan.core.units import INCH
from surfscan.job.sheet_writing import write_sheet
from surfscan.optics.mirror import fold_curvature
from surfscan.plan.backward import place_shot
from surfscan.plan.contrast import base_look, board_light_share, lens_share, specular_share
from surfscan.plan.forward import plan_shot
from surfscan.plan.pictures import curve_page, set_up_page
from surfscan.plan.shot import SURFACES, Finish, RoomLight, Shot, finish_named
from surfscan.plan.sight import Stage, build_stage, fold_bend, see
from surfscan.plan.words import plan_document, plan_text
from surfscan.plan.writers import page_to_png, page_to_svg
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Dish, Panel
from surfscan.synth.rays import mirror_hits, project
from surfscan.synth.scene import Lighting, Scene, board_facing

GOOD = Shot(
    panel_mm=(500, 380), focal_35mm=28, board_mm=(1500, 1300), board_distance_mm=900, camera_distance_mm=1000
)


def test_roughness_keeps_what_bennett_and_porteus_say() -> None:
    """exp(-(4 pi sigma cos(theta)/lambda)^2), J. Opt. Soc. Am. 51, 123 (1961); values worked out by hand."""
    for rough, angle, kept in ((0.5, 80, 0.0195), (0.3, 80, 0.243), (0.2, 60, 0.00541)):
        assert float(specular_share(math.cos(math.radians(angle)), rough_um=rough)) == pytest.approx(
            kept, rel=0.01
        )
    for rough, angle in ((0.1, 48.4), (0.2, 70.6), (0.3, 77.2), (0.5, 82.4), (1.0, 86.2)):
        assert float(specular_share(math.cos(math.radians(angle)), rough_um=rough)) == pytest.approx(
            0.1, rel=0.04
        )


def test_the_lens_blurs_the_board_as_geometry_says() -> None:
    """Disc D b/a, and 2 J1(x)/x of the stripes' contrast: D = 5.6/1.8 mm (values by hand)."""
    shot = GOOD.with_changes(period_mm=10)
    assert float(lens_share(shot, 700, 500)[0]) == pytest.approx(2.222, abs=0.001)
    assert float(lens_share(shot, 700, 500)[1]) == pytest.approx(0.940, abs=0.001)
    assert float(lens_share(shot, 1000, 1000)[1]) == pytest.approx(0.885, abs=0.001)
    assert float(lens_share(GOOD.with_changes(period_mm=20), 1000, 1000)[1]) == pytest.approx(
        0.970, abs=0.001
    )


def test_board_light_is_what_adding_up_its_parts_gives() -> None:
    board = board_facing(800, 50, size_mm=(1500, 1100), period_mm=30)
    a, b = np.meshgrid(np.linspace(-750, 750, 601)[:-1] + 1.25, np.linspace(-550, 550, 441)[:-1] + 1.25)
    points = board.centre_mm + a[..., None] * board.across + b[..., None] * board.up
    far = np.linalg.norm(points, axis=-1)
    seen = points[..., 2] / far * np.abs(points @ board.normal) / far / far**2
    whole = float(seen[points[..., 2] > 0].sum()) * 2.5 * 2.5 / np.pi
    assert board_light_share(board, np.zeros(3)) == pytest.approx(whole, rel=2e-3)


def test_a_white_base_under_a_film_gives_back_all_light() -> None:
    """Saunderson's correction keeps energy: a base of albedo 1 sends out what came in, over all angles."""
    cos = np.linspace(0.0025, 0.9975, 200)
    out = base_look(Finish("white", index=1.5, albedo=1.0), cos)
    assert 2 * float(np.sum(out * cos)) / 200 == pytest.approx(
        1 - 0.0918, abs=0.003
    )  # less Fresnel, 9.18 % diffuse
    wet, dry = SURFACES["wet-primer"], Finish("dry", albedo=0.4, coated=False)
    assert float(base_look(wet, 1.0)) < 0.75 * float(base_look(dry, 1.0))  # wetting darkens


def test_the_fold_is_coddington_s_on_a_flat_panel() -> None:
    for angle in (0.5, 35, 60):
        shot = GOOD.with_changes(angle_deg=angle, board_distance_mm=800.0)
        bend = float(fold_bend(shot, build_stage(shot), np.array(0.0), np.array(0.0)))
        wanted = fold_curvature(1000, 800, incidence_rad=math.radians(angle))[0]
        assert bend == pytest.approx(wanted, rel=1e-4)


def turns_over(shot: Shot, stage: Stage, x: float, y: float, depth: float, width: float) -> bool:
    """Whether the board's image in the renderer turns over anywhere in that low."""
    panel = Panel(shot.panel_mm, stage.form, Dish(x, y, -depth, width))
    u, v = np.meshgrid(np.linspace(-0.2, 0.2, 31) * width + x, np.linspace(-0.2, 0.2, 31) * width + y)
    z = panel.total.height(u, v)
    place = project(np.stack([u, v, z], -1).reshape(-1, 3), stage.camera, stage.pose).reshape(*u.shape, 2)
    column, row, tiny = place[..., 0], place[..., 1], 0.02
    given = (panel, stage.camera, stage.pose, stage.board)
    here, right, below = (
        mirror_hits(*given, column + dc, row + dr) for dc, dr in ((0, 0), (tiny, 0), (0, tiny))
    )
    area = (right.a_mm - here.a_mm) * (below.b_mm - here.b_mm) - (right.b_mm - here.b_mm) * (
        below.a_mm - here.a_mm
    )
    flat = Panel(shot.panel_mm, stage.form)
    still = (flat, *given[1:])
    h, r, b = (mirror_hits(*still, column + dc, row + dr) for dc, dr in ((0, 0), (tiny, 0), (0, tiny)))
    usual = (r.a_mm - h.a_mm) * (b.b_mm - h.b_mm) - (r.b_mm - h.b_mm) * (b.a_mm - h.a_mm)
    return bool((area * np.sign(np.median(usual)) < 0).any())


@pytest.mark.parametrize("seed", range(6))
def test_fold_depth_is_within_5_per_cent_of_the_renderer_s(seed: int) -> None:
    rng = np.random.default_rng(seed)
    shot = GOOD.with_changes(
        crown_mm=float(rng.choice([math.inf, 2500.0, 5000.0])),
        angle_deg=float(rng.uniform(15, 55)),
        board_distance_mm=float(rng.uniform(400, 1500)),
        camera_distance_mm=float(rng.uniform(800, 1500)),
    )
    stage = build_stage(shot)
    x, y = float(rng.uniform(-120, 120)), float(rng.uniform(-90, 90))
    width = float(rng.uniform(40, 120))
    predicted = float(fold_bend(shot, stage, np.array(x), np.array(y))) * width**2 / 16
    low, high = 0.5 * predicted, 2 * predicted
    assert not turns_over(shot, stage, x, y, low, width)
    assert turns_over(shot, stage, x, y, high, width)
    for _ in range(9):
        middle = (low + high) / 2
        low, high = (low, middle) if turns_over(shot, stage, x, y, middle, width) else (middle, high)
    assert predicted == pytest.approx((low + high) / 2, rel=0.05)


def test_field_stripes_and_cover_are_those_of_plain_geometry() -> None:
    """A flat panel seen nearly straight on: similar triangles, by hand."""
    shot = GOOD.with_changes(
        angle_deg=0.5, focal_35mm=None, focal_px=3000.0, camera_distance_mm=1000.0, board_distance_mm=500.0
    )
    plan = plan_shot(shot, changes=False)
    assert plan.figures.field_mm == pytest.approx((4000 / 3, 1000), rel=1e-3)
    # On the board 1 mm of panel is 1 + 500/1000 mm; a photo pixel is a third of a mm.
    assert plan.figures.stripe_mm == pytest.approx(30 / 1.5, rel=0.01)
    assert plan.figures.stripe_px == pytest.approx(60, rel=0.02)
    assert any(p.name == "board in the way" for p in plan.problems)  # straight on, the board hides the panel
    crowned = GOOD.with_changes(crown_mm=1200.0)
    flat = plan_shot(GOOD, changes=False).figures.on_board
    assert plan_shot(crowned, changes=False).figures.on_board < flat


def test_the_forward_plan_takes_under_a_second() -> None:
    plan_shot(GOOD)  # libraries loaded
    started = time.process_time()
    plan = plan_shot(GOOD.with_changes(crown_mm=3000.0))
    assert time.process_time() - started < 1.5  # 1 s asked for; other work on the same machine slows this one
    assert plan.works
    good = np.isfinite(plan.curve.smallest_mm)
    assert good.sum() > 5
    assert (plan.curve.smallest_mm[good] < plan.curve.deepest_mm[good]).all()


def test_troubles_come_with_the_nearest_thing_that_works() -> None:
    far = plan_shot(GOOD.with_changes(period_mm=2.0), changes=False)
    fine = next(p for p in far.problems if p.name == "fine stripes")
    assert "use stripes of" in fine.cure
    small = plan_shot(GOOD.with_changes(board_mm=(400.0, 300.0)))
    assert not small.works
    need = next(p for p in small.problems if p.name == "board").cure
    w, h = (float(t) for t in need.split("about ")[1].split(" mm")[0].split(" x "))
    assert plan_shot(GOOD.with_changes(board_mm=(w, h)), changes=False).figures.on_board > 0.99
    close = plan_shot(GOOD.with_changes(camera_distance_mm=350.0), changes=False)
    back = next(p for p in close.problems if p.name == "field").cure
    need_mm = float(back.split("about ")[1].split(" mm")[0])
    assert plan_shot(GOOD.with_changes(camera_distance_mm=need_mm), changes=False).figures.in_photo > 0.995
    dry = plan_shot(GOOD.with_changes(surface=SURFACES["dry-primer"]))
    assert not dry.works
    assert "wet the surface" in next(p for p in dry.problems if p.name == "contrast").cure
    assert dry.changes[0].name == "surface"
    assert "Stops:" in plan_text(dry)


@pytest.mark.parametrize(
    ("changes", "match"),
    [
        ({"panel_mm": (0.0, 100.0)}, "nearest that works is 20"),
        ({"focal_35mm": None}, "focal length is missing.*about 26"),
        ({"focal_px": 3000.0}, "given twice"),
        ({"angle_deg": 95.0}, "nearest that works is 88"),
        ({"crown_mm": 200.0}, "rounder"),
        ({"period_mm": math.nan}, "period_mm"),
        ({"light": RoomLight(dark=1.2)}, "as bright"),
    ],
)
def test_impossible_input_gets_a_sentence(changes: dict, match: str) -> None:
    with pytest.raises(UsageError, match=match):
        GOOD.with_changes(**changes)


def test_names_are_corrected() -> None:
    with pytest.raises(UsageError, match="Use gloss"):
        finish_named("glossy")
    assert finish_named("wet primer").index == 1.33


def test_backwards_finds_a_place_that_works_and_says_when_none_does() -> None:
    shot = Shot(panel_mm=(500, 380), crown_mm=3000, focal_35mm=26)
    started = time.process_time()
    found = place_shot(shot, depth_mm=0.05, width_mm=60)
    assert time.process_time() - started < 12  # 10 s asked for; see the forward plan
    assert found.reached
    assert plan_shot(found.plan.shot, changes=False).smallest_at(60) <= 0.05 < found.plan.deepest_at(60)
    assert "0.05 mm over 60 mm is one" in found.sentence
    fixed = {
        "board_distance_mm": (900.0, 900.0),
        "camera_distance_mm": (1000.0, 1000.0),
        "angle_deg": (35.0, 35.0),
    }
    never = place_shot(shot, depth_mm=0.0002, width_mm=60, reach=fixed)
    assert not never.reached
    assert "too shallow" in never.sentence
    assert never.plan.shot.board_distance_mm == 900
    with pytest.raises(UsageError, match="can't be told from the form"):
        place_shot(shot, depth_mm=0.05, width_mm=370)


def test_a_planned_low_is_found_and_one_of_half_the_depth_is_not(tmp_path: Path) -> None:
    """One of the set-ups of tests/bench/study_plan.py, small; limits at the predicted depth."""
    shot = Shot(
        panel_mm=(360, 280), focal_35mm=30, image_px=(1100, 825), board_mm=(1600, 1400), period_mm=36,
        board_distance_mm=800, camera_distance_mm=640, surface=SURFACES["wet-primer"],
    )  # fmt: skip
    plan = plan_shot(shot, changes=False)
    assert plan.works
    depth = plan.smallest_at(70)
    stage = build_stage(shot)
    lows = [(-80.0, -20.0), (70.0, 30.0)]
    for factor, seen in ((1.5, True), (0.5, False)):
        faults = Dish(*lows[0], -factor * depth, 70) + Dish(*lows[1], -factor * depth, 70)
        scene = Scene(
            Panel(shot.panel_mm, stage.form, faults), stage.camera, stage.board, stage.tags, (stage.pose, stage.pose),
            image_size_px=shot.image_px, index=1.33, albedo=0.1, light=Lighting(board_bright=12.0),
            limits_mm={"low_mm": depth, "high_mm": depth, "filler_depth_mm": 6.35},
        )  # fmt: skip
        write_job(scene, tmp_path / str(factor), rng=np.random.default_rng(4))
        result = check_job(tmp_path / str(factor))
        for x, y in lows:
            near = [s for s in result.spots if s.kind == "low" and math.hypot(s.x_mm - x, s.y_mm - y) < 25]
            assert bool(near) is seen, (factor, x)


def test_documents_pictures_and_the_sheet_s_board(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = plan_shot(GOOD)
    document = json.loads(json.dumps(plan_document(plan), allow_nan=False))
    assert document["works"] is True
    assert tomllib.loads(write_sheet({"board": plan.board}))["board"]["period_mm"] == 30
    for page in (set_up_page(plan), curve_page(plan)):
        ElementTree.fromstring(page_to_svg(page).encode())
        (tmp_path / "p.png").write_bytes(page_to_png(page, dpi=60))
        assert Image.open(tmp_path / "p.png").convert("L").getextrema() == (0, 255)
    given = ["plan", "--panel", "500", "380", "--focal-35mm", "28", "--out", str(tmp_path / "out")]
    assert main(given) == 0
    assert "This shot works." in capsys.readouterr().out
    assert sorted(p.name for p in (tmp_path / "out").iterdir()) == [
        "curve.png", "curve.svg", "plan.json", "set-up.png", "set-up.svg",
    ]  # fmt: skip
    assert main(["plan", "--panel", "500", "380", "--json"]) == 2
    assert "focal_35mm" in capsys.readouterr().err
    assert main(["plan", "--panel", "500", "380", "--focal-35mm", "28", "--board", "300", "200"]) == 4


def test_inches_in_words_and_pictures(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    poor = plan_shot(GOOD.with_changes(board_mm=(400.0, 300.0), tag_side_mm=8.0, camera_distance_mm=700.0))
    said = plan_text(poor, units=INCH)
    assert "Stops:" in said
    assert re.search(r"\b(mm|um)\b", said) is None
    for page in (set_up_page(poor, INCH), curve_page(poor, INCH)):
        assert not any(re.search(r"\bmm\b", getattr(mark, "text", "")) for mark in page.marks)
    bar = next(m for m in set_up_page(poor, INCH).marks if getattr(m, "points", ((0, 0),))[0] == (10, 9))
    named = next(m.text for m in set_up_page(poor, INCH).marks if getattr(m, "y", 0) == 8 and m.x > 12)
    in_mm = next(m for m in set_up_page(poor).marks if getattr(m, "points", ((0, 0),))[0] == (10, 9))
    mm = next(m.text for m in set_up_page(poor).marks if getattr(m, "y", 0) == 8 and m.x > 12)
    paper = [(one.points[1][0] - 10) / float(text.split()[0]) for one, text in ((bar, named), (in_mm, mm))]
    assert paper[0] / paper[1] == pytest.approx(25.4)  # an inch on paper against a millimetre
    given = [
        "plan",
        "--panel",
        "20in",
        "15in",
        "--focal-35mm",
        "28",
        "--inch",
        "--out",
        str(tmp_path / "out"),
    ]
    assert main(given) == 0
    assert "panel     20.0 x 15.0 in" in capsys.readouterr().out
    assert json.loads((tmp_path / "out" / "plan.json").read_text())["shot"]["panel_mm"] == [508, 381]


def test_the_set_up_drawing_is_to_scale() -> None:
    """Camera and board places measured back from the drawing's own marks."""
    page = set_up_page(plan_shot(GOOD, changes=False))
    bar = next(m for m in page.marks if getattr(m, "points", ((0, 0),))[0] == (10, 9))
    words = next(m.text for m in page.marks if getattr(m, "text", "").endswith("mm") and m.y == 8)
    scale = (bar.points[1][0] - 10) / float(words.split()[0])
    ray = next(m for m in page.marks if len(getattr(m, "points", ())) == 3)
    eye, middle, board = (np.array(p) for p in ray.points)
    assert np.linalg.norm(eye - middle) / scale == pytest.approx(1000, rel=1e-6)
    assert np.linalg.norm(board - middle) / scale == pytest.approx(900, rel=1e-6)


def test_everything_seen_is_where_the_renderer_puts_it() -> None:
    shot = GOOD.with_changes(crown_mm=2500.0)
    sight = see(shot, build_stage(shot))
    assert sight.useful.mean() > 0.9
    assert np.nanmax(np.abs(sight.cos_in - np.clip(sight.cos_in, 0, 1))) == 0
