"""The bend of a reflected pattern to high and low: signs and shares against the law of reflection in closed form."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from surfscan.core.errors import NotMeasuredError
from surfscan.core.records import Board
from surfscan.optics.mirror import hit_board
from surfscan.reading.relative import bend_of_dots, bend_of_phase, height_of_bends
from surfscan.surface.ladder import fit_ladder

# A panel of 600 x 400 mm in cells of 3 mm, looked at from straight above: cells are pixels then.
X, Y = np.meshgrid(np.arange(-300, 301, 3.0), np.arange(-200, 201, 3.0))
LOW, HIGH = (-120.0, 40.0, -0.2, 90.0), (110.0, -50.0, 0.1, 90.0)


def surface(dishes: tuple[tuple[float, ...], ...], crown: float = 0.0) -> tuple[np.ndarray, ...]:
    z, p, q = crown * (X**2 + Y**2), 2 * crown * X, 2 * crown * Y
    for x, y, peak, width in dishes:
        share = np.clip(1 - ((X - x) ** 2 + (Y - y) ** 2) / (width / 2) ** 2, 0, None)
        z = z + peak * share**3
        p = p - peak * 3 * share**2 * 2 * (X - x) / (width / 2) ** 2
        q = q - peak * 3 * share**2 * 2 * (Y - y) / (width / 2) ** 2
    return z, p, q


def phases(
    dishes: tuple[tuple[float, ...], ...] = (LOW, HIGH),
    *,
    turn_deg: float = 0.0,
    flip: bool = False,
    crown: float = 0.0,
) -> list[np.ndarray]:
    """What both stripe photos show, by the law of reflection; the board turned about its normal, or run backwards."""
    t = np.radians(turn_deg)
    across = np.array([np.cos(t), np.sin(t), 0.0]) * (-1 if flip else 1)
    up = np.array([-np.sin(t), np.cos(t), 0.0])
    board = Board(np.array([0.0, 0.0, 900.0]), across, up, (4000.0, 4000.0), 30.0)
    z, p, q = surface(dishes, crown)
    hit = hit_board(X, Y, z, p, q, camera_mm=np.array([0.0, 0.0, 1000.0]), board=board)
    return [2 * np.pi * place / 30.0 for place in (hit.across_mm, hit.up_mm)]


def deviation(height: np.ndarray) -> np.ndarray:
    x, y = (np.arange(n) - (n - 1) / 2 for n in height.shape[::-1])
    form = fit_ladder(height, x_mm=x, y_mm=y, floor_mm=1e-9, grow_px=4)
    return height - form.form_mm


def peaks(height: np.ndarray) -> tuple[float, float]:
    off = deviation(height)
    return tuple(float(off[np.hypot(X - x, Y - y) < 9].mean()) for x, y, *_ in (LOW, HIGH))  # type: ignore[return-value]


@pytest.mark.parametrize("turn_deg", [0.0, 25.0, 180.0])
@pytest.mark.parametrize("flip", [False, True])
@pytest.mark.parametrize("crown", [0.0, -2.0e-4], ids=["flat", "crowned"])
def test_a_low_reads_low_whichever_way_the_board_runs(turn_deg: float, flip: bool, crown: float) -> None:
    valid = np.ones(X.shape, bool)
    bends = [bend_of_phase(phase, valid) for phase in phases(turn_deg=turn_deg, flip=flip, crown=crown)]
    height, one_way = height_of_bends(bends)
    low, high = peaks(height)
    assert not one_way
    assert low < 0 < high
    # The robust course of the phase takes a few per cent of each; on the crown the lever changes by a tenth.
    assert high / low == pytest.approx(-0.5, abs=0.05)


@pytest.mark.parametrize("way", [0, 1])
def test_one_photo_tells_high_from_low(way: int) -> None:
    height, one_way = height_of_bends([bend_of_phase(phases()[way], np.ones(X.shape, bool))])
    low, high = peaks(height)
    assert one_way
    assert low < 0 < high
    assert high / low == pytest.approx(-0.5, abs=0.08)


def test_two_photos_of_one_direction_count_as_one() -> None:
    phase = phases()[0]
    bends = [bend_of_phase(value, np.ones(X.shape, bool)) for value in (phase, 1.01 * phase)]
    assert height_of_bends(bends)[1]


def test_a_place_where_one_photo_slips_is_read_by_the_other() -> None:
    """The up photo jumps by a turn across the low, as where its stripes fold over: the low is kept all the same."""
    across, up = phases()
    torn = up + 2 * np.pi * ((LOW[1] < Y) & (np.abs(X - LOW[0]) < 25))
    bends = [bend_of_phase(value, np.ones(X.shape, bool)) for value in (across, torn)]
    assert np.isnan(bends[1].slope[np.hypot(X - LOW[0], Y - LOW[1]) < 6]).all()
    low, high = peaks(height_of_bends(bends)[0])
    assert high / low == pytest.approx(-0.5, abs=0.1)


def test_a_slanted_view_needs_its_lean() -> None:
    """Waves across and within the plane of incidence, of one height, read alike only with L (cos 60 = 0.5)."""
    far = np.sin(np.radians(60))
    board = Board(
        np.array([0.0, 9000 * far, 4500.0]),
        np.array([1.0, 0.0, 0.0]),
        np.array([0.0, -0.5, far]),
        (90000.0, 90000.0),
        24.0,
    )
    camera = np.array([0.0, -10000 * far, 5000.0])
    wave = 0.001 * 2 * np.pi / 60
    ratio = {}
    for lean in (None, np.stack([np.full(X.shape, 0.5), np.zeros(X.shape), np.full(X.shape, 2.0)])):
        sizes = []
        for axis in (0, 1):
            p = wave * np.cos(2 * np.pi * X / 60) * (axis == 0)
            q = wave * np.cos(2 * np.pi * Y / 60) * (axis == 1)
            hit = hit_board(X, Y, np.zeros(X.shape), p, q, camera_mm=camera, board=board)
            valid = np.ones(X.shape, bool)
            bends = [
                bend_of_phase(2 * np.pi * place / 24, valid, lean=lean)
                for place in (hit.across_mm, hit.up_mm)
            ]
            sizes.append(np.nanstd(deviation(height_of_bends(bends)[0])))
        ratio[lean is not None] = sizes[1] / sizes[0]
    assert ratio[True] == pytest.approx(1.0, abs=0.08)  # the form takes a little of either
    assert ratio[False] > 2.5


def test_dots_tell_high_from_low() -> None:
    """A lattice drawn where the law of reflection puts it: on a grid three times finer."""
    fine = 3
    size = X.shape[1] * fine, X.shape[0] * fine
    a, b = (np.asarray(np.cos(v)) for v in phases((LOW, HIGH)))
    lattice = np.clip(cv2.resize(0.5 * (a + b), size, interpolation=cv2.INTER_CUBIC), 0, None) ** 12
    bends, places = bend_of_dots(lattice.astype(np.float32), np.ones(size[::-1], bool))
    height, one_way = height_of_bends(list(bends))
    off = deviation(height)
    xs, ys = (np.arange(n) * 3.0 / fine - half for n, half in zip(size, (300, 200), strict=True))
    gx, gy = np.meshgrid(xs, ys)
    low, high = (off[np.hypot(gx - x, gy - y) < 9].mean() for x, y, *_ in (LOW, HIGH))
    assert not one_way
    assert len(places) > 300
    assert low < 0 < high
    assert high / low == pytest.approx(-0.5, abs=0.1)


def test_nothing_to_follow_is_said() -> None:
    with pytest.raises(NotMeasuredError, match="no stripes"):
        bend_of_phase(np.zeros(X.shape), np.zeros(X.shape, bool))
    with pytest.raises(NotMeasuredError, match="no lattice"):
        bend_of_dots(np.full((200, 200), 0.3, np.float32), np.ones((200, 200), bool))
