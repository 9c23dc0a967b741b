"""Tags moved by 3 to 12 mm: the right one is named, or a pair that holds it; never another alone."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from cases import some

from surfscan.core.errors import RefusedError
from surfscan.core.records import Camera, TagSeen
from surfscan.optics.pose import _fit_both, pose_from_tags
from surfscan.optics.pose_checks import PANEL
from surfscan.optics.tag_blame import tags_to_blame
from surfscan.synth.scene import look_at
from tests.optics.test_pose import CAMERA, CENTRES, POSE, seen_tags

_NOISE_PX = 0.04  # rms of a corner on the fixtures, 0.03 to 0.06
_POSES = (POSE, look_at((-300.0, -600.0, 800.0), (20.0, 10.0, 0.0), (0.0, 1.0, 0.0)))


def _blamed(camera: Camera, seed: int, tag: int, moved_mm: float, pose_number: int) -> tuple[int, ...]:
    rng = np.random.default_rng(seed)
    seen = seen_tags(pose=_POSES[pose_number], radius=(np.inf, 2000.0)[seed % 2])
    tags = [TagSeen(t.id, t.corners_px + rng.normal(0, _NOISE_PX / np.sqrt(2), (4, 2))) for t in seen]
    turn = rng.uniform(0, 2 * np.pi)
    x, y = CENTRES[tag]
    centres = CENTRES | {tag: (x + moved_mm * np.cos(turn), y + moved_mm * np.sin(turn))}

    def without(number: int, stretch: float) -> float:
        some = [t for t in tags if t.id != number]
        lens = replace(camera, focal_px=camera.focal_px * stretch)
        return _fit_both(some, centres, 36.0, lens)[0].pose.reprojection_px

    return tags_to_blame(list(centres), without, u_focal_rel=camera.u_focal_rel, limit_px=0.6)


@pytest.mark.parametrize(
    ("tag", "moved_mm", "seed"), some(product(CENTRES, (3.0, 6.0, 9.0, 12.0), (0, 1)), 6)
)
def test_every_tag_moved_is_found_with_a_calibrated_lens(tag: int, moved_mm: float, seed: int) -> None:
    """From either stand, on a flat panel and on a crowned one."""
    camera = replace(CAMERA, u_focal_rel=0.002)
    assert _blamed(camera, 10 * seed + tag, tag, moved_mm, seed) == (tag,)


@pytest.mark.parametrize(("tag", "off", "moved_mm"), some(product(CENTRES, (1.03, 0.97), (3.0, 12.0)), 5))
def test_a_focal_length_three_per_cent_off_never_blames_another_alone(
    tag: int, off: float, moved_mm: float
) -> None:
    camera = Camera(CAMERA.focal_px * off, CAMERA.centre_px, u_focal_rel=0.03)
    blamed = _blamed(camera, tag, tag, moved_mm, tag % 2)
    assert tag in blamed
    assert len(blamed) <= 2


def test_three_tags_blame_none_and_a_wrong_scale_blames_none() -> None:
    tags = seen_tags()

    def without(number: int, stretch: float) -> float:
        some = [t for t in tags if t.id != number]  # tags of 36 mm called 50
        return _fit_both(some, CENTRES, 50.0, CAMERA)[0].pose.reprojection_px

    assert tags_to_blame([0, 1, 2], without, u_focal_rel=0.0, limit_px=0.6) == ()
    assert tags_to_blame([0, 1, 2, 3], without, u_focal_rel=0.0, limit_px=0.6) == ()


def test_the_one_and_the_pair_are_said_in_words() -> None:
    moved = CENTRES | {2: (262.0, 170.0)}
    with pytest.raises(RefusedError, match="tag 2 is not where") as caught:
        pose_from_tags(seen_tags(), centres_mm=moved, side_mm=36.0, camera=CAMERA)
    assert "measure the centre of tag 2 again" in str(caught.value).casefold()
    pair = str(PANEL.explain_misfit("a.jpg", (2, 0), found="2.0 px", limit=1.0)).casefold()
    assert "tag 2 or tag 0 is not where" in pair
    assert "measure the centres of tag 2 and tag 0 again" in pair
