"""The pictures: right place, right side, right shape; safe for colour-blind eyes and for grey print."""

from __future__ import annotations

import numpy as np
import pytest
from report.sample_result import SPOTS, made_result, project
from skimage.color import deltaE_ciede2000, rgb2lab

from surfscan.core.records import CheckResult, HeightMap
from surfscan.report.colours import HIGH_INK, LOW_INK, colour_of, nice_above, strength_of
from surfscan.report.figures import _on_photo, draw_map, draw_overlay

LIMITS = {"low_mm": 0.04, "high_mm": 0.04}

# Viénot, Brettel and Mollon 1999, Color Research and Application 24, 243: linear RGB as a protanope and a
# deuteranope see it (matrices from memory; rows sum to one, so greys stay).
PROTAN = np.array([[0.11238, 0.88762, 0.0], [0.11238, 0.88762, 0.0], [0.00401, -0.00401, 1.0]])
DEUTAN = np.array([[0.29275, 0.70725, 0.0], [0.29275, 0.70725, 0.0], [-0.02234, 0.02234, 1.0]])


def shown(result: CheckResult, **options: object) -> dict[str, object]:
    return {"limits": result.limits, "verdict": result.verdict, "sentence": result.sentence, **options}


def overlay(result: CheckResult) -> np.ndarray:
    return draw_overlay(
        result.overlay_photo, result.height, result.spots, project=result.project, **shown(result)
    )


def of_colour(picture: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    return np.abs(picture.astype(int) - colour).max(axis=2) <= 6


def seen_by(matrix: np.ndarray, colours: np.ndarray) -> np.ndarray:
    value = colours / 255
    linear = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4) @ matrix.T
    linear = np.clip(linear, 0, 1)
    return rgb2lab(np.where(linear <= 0.0031308, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055))


@pytest.mark.parametrize("matrix", [np.eye(3), PROTAN, DEUTAN], ids=["all cones", "protan", "deutan"])
def test_low_and_high_stay_apart_for_colour_blind_eyes(matrix: np.ndarray) -> None:
    size = np.array([0.04, 0.1, 0.2, 0.4])
    low, high, fair = (
        seen_by(matrix, colour_of(v, low_mm=0.04, high_mm=0.04, end_mm=0.4)) for v in (-size, size, 0 * size)
    )
    # A difference of 1 is just seen (CIE 142-2001); 15 is seen at a glance.
    assert deltaE_ciede2000(low, high).min() > 15
    assert deltaE_ciede2000(low, fair).min() > 15
    assert deltaE_ciede2000(high, fair).min() > 15


def test_colours_darken_with_distance_for_grey_print() -> None:
    for sign in (-1, 1):
        level = sign * np.linspace(0, 0.4, 50)
        lightness = rgb2lab(colour_of(level, low_mm=0.04, high_mm=0.04, end_mm=0.4))[:, 0]
        assert np.all(np.diff(lightness) <= 1.0)  # one step of 8 bits is under 1 of 100
        assert lightness[0] - lightness[-1] > 40


def test_colour_steps_at_each_limit_of_its_own() -> None:
    just = np.array([-0.0594, -0.0606, 0.0297, 0.0303])
    colours = colour_of(just, low_mm=0.06, high_mm=0.03, end_mm=0.12).astype(int)
    assert np.abs(colours[0] - colours[1]).max() > 40
    assert np.abs(colours[2] - colours[3]).max() > 40


def test_fair_places_show_the_photo_and_missing_ones_are_not_coloured() -> None:
    strength = strength_of(np.array([0.0, -0.02, -0.04, 0.015, 0.03, np.nan]), low_mm=0.04, high_mm=0.03)
    np.testing.assert_allclose(strength, [0, 0, 1, 0, 1, 0], atol=1e-6)


@pytest.mark.parametrize(
    ("value", "wanted"), [(0.35, 0.4), (1.0, 1.0), (0.081, 0.1), (1.01, 1.5), (7.0, 8.0)]
)
def test_scale_ends_at_a_round_number(value: float, wanted: float) -> None:
    assert nice_above(value) == pytest.approx(wanted)


def test_the_map_lies_on_the_photo_where_the_camera_saw_it() -> None:
    # Each painted pixel against the camera itself: pixels of known panel places hold their heights.
    result = made_result()
    layer = _on_photo(result.height, project, (750, 1000))
    grid, form = result.height.grid, result.height.form_mm
    rows, columns = np.mgrid[5:196:13, 5:246:13]
    points = np.stack([grid.x_mm[columns], grid.y_mm[rows], form[rows, columns]], axis=-1).reshape(-1, 3)
    at = np.rint(project(points)).astype(int)
    drawn = layer.deviation[at[:, 1], at[:, 0]]
    wanted = result.height.height_mm[rows, columns].ravel()
    known = np.isfinite(wanted)
    # Half a pixel of rounding is at most 0.4 mm on the panel here, on slopes up to 6 mrad.
    np.testing.assert_allclose(drawn[known], wanted[known], atol=2.5e-3 + 0.5e-3)
    assert np.mean(layer.measured[at[:, 1], at[:, 0]] == known) > 0.98  # rounding at the edges of the gap


def test_marks_sit_on_the_right_side_up() -> None:
    # Spot 1 lies upper left, spot 2 lower right, as seen by a viewer of an upright photo and of the map.
    result = made_result()
    for picture in (overlay(result), draw_map(result.height, result.spots, **shown(result))):
        body = picture[120 : picture.shape[0] * 4 // 5]
        low = np.argwhere(of_colour(body, LOW_INK)).mean(axis=0)
        high = np.argwhere(of_colour(body, HIGH_INK)).mean(axis=0)
        assert high[0] > low[0] + 30
        assert high[1] > low[1] + 30


def one_spot(kind: str) -> np.ndarray:
    spot = next(s for s in SPOTS if s.kind == kind)
    return overlay(made_result(spots=(spot,)))


def test_low_and_high_differ_by_shape_alone() -> None:
    # In ink only: a solid outline is one long piece, a dashed one many; triangles point down and up.
    pieces = {}
    for kind, ink in (("low", LOW_INK), ("high", HIGH_INK)):
        from scipy.ndimage import label

        picture = one_spot(kind)
        body = of_colour(picture, ink)[120 : -round(210 * picture.shape[1] / 1600)]
        pieces[kind] = label(body, np.ones((3, 3)))[1]
    assert pieces["high"] >= pieces["low"] + 5


def test_triangle_points_down_for_a_low_and_up_for_a_high() -> None:
    from surfscan.report.marks import triangle

    for kind, ink, sign in (("low", LOW_INK, 1), ("high", HIGH_INK, -1)):
        canvas = np.full((101, 101, 3), 255, np.uint8)
        triangle(canvas, (50.0, 50.0), 60.0, kind)
        width = of_colour(canvas, ink).sum(axis=1)
        rows = np.flatnonzero(width)
        assert sign * (width[rows[3]] - width[rows[-4]]) > 30  # the wide end is above for a low


def test_a_place_not_measured_is_hatched_and_not_coloured() -> None:
    result = made_result(spots=())
    picture = draw_map(result.height, (), **shown(result))
    # The gap, x from 202 to 250 and y from -58 to 58: find it in the map by its two hatching tones.
    dark, light = (np.abs(picture.astype(int) - tone).max(axis=2) == 0 for tone in (70, 235))
    columns = np.flatnonzero(dark[200:-320].sum(axis=0) > 20)
    assert columns.size > 50
    assert columns.min() > picture.shape[1] * 0.8
    assert light[:, columns].sum() > 0.5 * dark[:, columns].sum()


@pytest.mark.parametrize("verdict", ["ready", "rework", "close", "not_measured"])
def test_strip_grows_with_the_sentence_and_nothing_fails_without_spots(verdict: str) -> None:
    result = made_result(spots=(), verdict=verdict)
    short = draw_map(result.height, (), limits=result.limits, verdict=verdict, sentence="Short.")
    long = draw_map(result.height, (), limits=result.limits, verdict=verdict, sentence="A longer one. " * 20)
    assert long.shape[0] > short.shape[0] + 40
    assert long.shape[1] == short.shape[1] <= 1600


def test_nothing_measured_at_all_still_draws() -> None:
    height = made_result().height
    blank = HeightMap(
        height.grid,
        np.full(height.grid.shape, np.nan),
        np.full(height.grid.shape, np.nan),
        np.full(height.grid.shape, np.nan),
        np.array(height.flags),
    )
    result = made_result(height=blank, spots=(), verdict="not_measured")
    assert overlay(result).shape[2] == 3
    assert draw_map(blank, (), **shown(result)).shape[2] == 3


def test_forty_spots_and_a_peak_outside_the_photo_are_drawn() -> None:
    rng = np.random.default_rng(5)
    template = SPOTS[0]
    many = tuple(
        type(template)(k + 1, "low", *rng.uniform(-400, 400, 2), *([0.1] * 8), "rework") for k in range(40)
    )
    assert overlay(made_result(spots=many)).dtype == np.uint8


def test_inputs_are_not_changed() -> None:
    result = made_result()
    before = result.overlay_photo.copy(), result.height.height_mm.copy()
    overlay(result)
    assert np.array_equal(before[0], result.overlay_photo)
    assert np.array_equal(before[1], result.height.height_mm, equal_nan=True)
