"""Carriers: shapes refused, equality that answers, read-only views, pickles."""

from __future__ import annotations

import copy
import pickle
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from surfscan.core.reading import Context, QualityMaps, Reading, View
from surfscan.core.records import Board, Camera, CheckResult, Grid, HeightMap, Photo, Pose, TagSeen


def grid() -> Grid:
    return Grid(np.arange(4.0), np.arange(3.0), 1.0)


def photo() -> Photo:
    return Photo("a.png", "00", np.full((6, 8), 0.25, np.float32), np.zeros((6, 8), bool))


def pose() -> Pose:
    return Pose(np.eye(3), np.array([0.0, 0.0, 900.0]), np.eye(6), 0.1)


def board() -> Board:
    return Board(
        np.array([0.0, 0.0, 800.0]), np.array([1.0, 0, 0]), np.array([0, 1.0, 0]), (900.0, 600.0), 20.0
    )


def view() -> View:
    return View(photo(), Camera(1200.0, (4.0, 3.0)), pose(), "across", (np.zeros((4, 2)),))


def context() -> Context:
    level = np.array([[0.0, 0], [3, 0], [0, 2]])
    return Context((view(),), grid(), np.zeros((3, 4), np.int32), level, board(), np.zeros(3))


def quality() -> QualityMaps:
    one = np.ones((3, 4))
    return QualityMaps(one > 0, one > 2, one, one, 12.0, 8.0, 0)


def reading() -> Reading:
    one = np.full((3, 4), np.nan)
    return Reading(
        grid(),
        one,
        one,
        one,
        0.1,
        0.1,
        np.zeros((3, 4), np.int32),
        0.1,
        np.ones(2),
        np.ones(2),
        3,
        (quality(),),
    )


def height() -> HeightMap:
    one = np.full((3, 4), np.nan)
    return HeightMap(grid(), one, one.copy(), one.copy(), np.zeros((3, 4), np.int32))


def result() -> CheckResult:
    return CheckResult(
        {}, {}, "ready", "", (), 1.0, {"FLTt_mm": float("nan")}, height(), (), (), {}, np.zeros((6, 8)), abs,
        maps={"slope": np.ones((3, 4))},
    )  # fmt: skip


MAKERS = [grid, photo, pose, board, view, context, quality, reading, height, result]
CASES = pytest.mark.parametrize("make", MAKERS, ids=lambda make: make.__name__)


def arrays(carrier: Any) -> list[np.ndarray]:
    out = []
    for name in carrier.__dataclass_fields__:
        value = getattr(carrier, name)
        members = (
            value if isinstance(value, tuple) else value.values() if hasattr(value, "values") else [value]
        )
        out += [member for member in members if isinstance(member, np.ndarray)]
    return out


@CASES
def test_two_alike_are_equal_and_one_changed_number_tells_them_apart(make: Any) -> None:
    one, other = make(), make()
    assert one == other
    assert one != "something else"
    for name in one.__dataclass_fields__:
        value = getattr(one, name)
        if isinstance(value, np.ndarray):
            changed = np.array(value)
            changed.flat[-1] = 1 - np.nan_to_num(changed.flat[-1])
            assert replace(one, **{name: changed}) != other


@CASES
def test_a_pickle_and_a_copy_are_equal_and_read_only(make: Any) -> None:
    one = make()
    for twin in (pickle.loads(pickle.dumps(one)), copy.deepcopy(one)):
        assert twin == one
        assert all(not array.flags.writeable for array in arrays(twin))


@CASES
def test_arrays_are_read_only(make: Any) -> None:
    for array in arrays(make()):
        with pytest.raises(ValueError, match="read-only"):
            array[...] = 0


def test_the_callers_own_array_stays_writable_and_no_map_can_be_put_in() -> None:
    own = np.zeros((3, 4))
    made = replace(height(), height_mm=own)
    own[0, 0] = 1.0  # the caller's business
    assert made.height_mm[0, 0] == 1.0
    with pytest.raises(TypeError):
        result().maps["more"] = own  # type: ignore[index]


@pytest.mark.parametrize(
    ("make", "change", "said"),
    [
        (grid, {"x_mm": np.zeros((2, 2))}, r"Grid.x_mm has shape \(2, 2\); allowed: \(W,\)"),
        (photo, {"saturated": np.zeros((5, 8), bool)}, r"Photo.saturated has shape \(5, 8\); allowed: \(6, 8\)"),
        (pose, {"rotation": np.eye(4)}, r"Pose.rotation has shape \(4, 4\); allowed: \(3, 3\)"),
        (board, {"up": np.zeros(2)}, r"Board.up has shape \(2,\); allowed: \(3,\)"),
        (view, {"varies": "left"}, "View.varies is 'left'"),
        (view, {"hidden_px": (np.zeros(4),)}, "View.hidden_px"),
        (context, {"region": np.zeros((4, 3), np.int32)}, r"Context.region has shape \(4, 3\); allowed: \(3, 4\)"),
        (context, {"level_at_mm": np.zeros((2, 2))}, "Context.level_at_mm has 2 places"),
        (context, {"views": ()}, "Context.views is empty"),
        (quality, {"lit": np.zeros((3, 5), bool)}, r"QualityMaps"),
        (reading, {"p": np.zeros((3, 5))}, r"Reading.p has shape \(3, 5\); allowed: \(3, 4\)"),
        (height, {"flags": np.zeros(4, np.int32)}, r"HeightMap.flags has shape \(4,\); allowed: \(3, 4\)"),
        (result, {"maps": {"slope": np.ones((2, 4))}}, r"CheckResult.maps\['slope'\] has shape \(2, 4\)"),
    ],
)  # fmt: skip
def test_a_wrong_shape_is_refused_with_what_was_found_and_what_is_allowed(
    make: Any, change: dict[str, Any], said: str
) -> None:
    with pytest.raises(ValueError, match=said):
        replace(make(), **change)


def test_a_tag_has_four_corners() -> None:
    with pytest.raises(ValueError, match=r"allowed: \(4, 2\)"):
        TagSeen(1, np.zeros((3, 2)))


def test_a_context_without_a_board_says_so_when_asked_for_it() -> None:
    with pytest.raises(ValueError, match=r"Context\.board is None"):
        _ = replace(context(), board=None).mirrored_board
