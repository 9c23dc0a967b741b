"""A planned sweep: its photos, taken by the project's renderer, show what was promised; words, file and picture."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest

from surfscan.checking.pipeline import check_job
from surfscan.cli import main
from surfscan.core.quarters import part_named
from surfscan.plan.shot import Shot
from surfscan.plan.sight import build_stage
from surfscan.plan.sweep import SweepPlan, plan_sweep, sweep_text
from surfscan.report.sweeps import unseen_lines
from surfscan.synth.camera_noise import write_job
from surfscan.synth.panels import Crown, Panel
from surfscan.synth.scene import Exposure, Scene, corner_tags, look_at

SHOT = Shot(
    panel_mm=(420, 300), crown_mm=2500.0, focal_px=1014.0, image_px=(520, 390), board_mm=(400, 320),
    period_mm=20.0, board_distance_mm=640.0, camera_distance_mm=900.0, angle_deg=30.0,
)  # fmt: skip


@pytest.fixture(scope="module")
def plan() -> SweepPlan:
    return plan_sweep(SHOT)


def test_the_planned_photos_show_what_was_promised_and_the_next_one_shows_the_rest(
    plan: SweepPlan, tmp_path: Path
) -> None:
    """Three are taken; the check then asks for a place that shows as much more as the fourth was planned for."""
    assert plan.works
    stage = build_stage(SHOT)
    eyes = [photo.camera_mm for photo in plan.photos[:3]]
    scene = Scene(
        panel=Panel(SHOT.panel_mm, Crown(2500.0, zero_at_mm=stage.tags.centres_mm[2])),
        camera=stage.camera, image_size_px=SHOT.image_px, board=stage.board,
        tags=corner_tags(SHOT.panel_mm, side_mm=SHOT.tag_side_mm),
        shots=tuple(
            Exposure(f"{k}.jpg", look_at(eye, (0, 0, 0)), pattern="crossed") for k, eye in enumerate(eyes)
        ),
        supersampling=1,
    )  # fmt: skip
    result = check_job(write_job(scene, tmp_path / "job", rng=np.random.default_rng(1)))
    promised = sum(photo.fresh_share for photo in plan.photos[:3])
    # A grid of 500 places is worth 2 %, and half a stripe along the board's rim is not promised.
    assert result.coverage > promised - 0.02
    told = result.details["unseen"]
    assert told["share"] == pytest.approx(1 - result.coverage, abs=0.02)
    assert told["photos"][0]["new_share"] > 0.6 * plan.photos[3].fresh_share


def test_the_command_says_where_and_draws_it(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = [
        "plan", "--panel", "420", "300", "--crown", "2500", "--focal-px", "1014", "--pixels", "520", "390",
        "--board", "400", "320", "--period", "20", "--board-distance", "640", "--camera-distance", "900",
        "--angle", "30", "--sweep",
    ]  # fmt: skip
    assert main([*words, "--out", str(tmp_path / "plan")]) == 0
    said = capsys.readouterr().out
    assert "of crossed stripes" in said
    row = json.loads((tmp_path / "plan" / "sweep.json").read_text())["sweep"]
    assert row["works"]
    assert f"{len(row['photos'])} photos" in said
    assert (tmp_path / "plan" / "sweep.png").read_bytes()[:4] == b"\x89PNG"
    assert f">{len(row['photos'])}<" in (tmp_path / "plan" / "sweep.svg").read_text()
    assert main([*words, "--see", "0.05", "60"]) == 2
    assert "two questions" in capsys.readouterr().err


def test_a_board_too_small_for_the_panel_says_what_is_left() -> None:
    tiny = plan_sweep(SHOT.with_changes(board_mm=(120.0, 100.0)), most=3)
    assert not tiny.works
    assert "is shown by none" in sweep_text(tiny)[-1]
    none = plan_sweep(SHOT.with_changes(focal_px=20000.0))
    assert "No place of the camera" in sweep_text(none)[0]


def test_parts_have_the_names_one_says_in_front_of_the_panel() -> None:
    size = (600.0, 300.0)
    assert part_named(0, 0, size) == "middle"
    assert part_named(-250, 140, size) == "upper left"
    assert part_named(250, -140, size) == "lower right"
    assert part_named(0, 140, size) == "upper middle"
    assert part_named(250, 10, size) == "right"


def test_what_is_not_seen_is_told_in_words() -> None:
    row = {
        "share": 0.12,
        "part": "upper left",
        "photos": [{"camera_mm": [-300.0, 40.0, 900.0], "new_share": 0.1}],
    }
    first, second = unseen_lines({"unseen": row})
    assert first == "Not seen yet: 12 % of the panel, most of it upper left."
    assert "-300, 40, 900 mm (shows 10 % more)" in second
    assert "move the board" in unseen_lines({"unseen": {**row, "photos": []}})[0]
    assert unseen_lines({}) == []
