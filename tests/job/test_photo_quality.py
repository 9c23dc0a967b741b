"""Photo quality: each figure measured right, each threshold with its sentence and cure."""

from __future__ import annotations

import cv2
import numpy as np
import pytest

from surfscan.core.errors import RefusedError
from surfscan.core.photo_limits import THRESHOLDS
from surfscan.core.reading import QualityMaps
from surfscan.core.records import Photo, PhotoCheck, TagSeen
from surfscan.job.photo_quality import check_exposure, check_view, edge_blur

SHAPE = (200, 300)


def photo(image: np.ndarray) -> Photo:
    return Photo("a.jpg", "", image.astype(np.float32), image >= 1)


@pytest.mark.parametrize(
    ("image", "words"),
    [
        (np.zeros(SHAPE), "a.jpg: the photo is dark"),
        (np.full(SHAPE, 0.009), "the photo is dark"),
        (np.ones(SHAPE), "the photo is blown out"),
        (np.full(SHAPE, 0.4), "one even grey"),
        (np.zeros((1, 1)), "the photo is dark"),
    ],
)
def test_a_photo_that_shows_nothing_is_refused(image: np.ndarray, words: str) -> None:
    with pytest.raises(RefusedError, match=words):
        check_exposure(photo(image))


def test_a_faint_photo_with_something_in_it_is_not() -> None:
    check_exposure(photo(np.linspace(0.005, 0.03, 300)[None, :].repeat(200, 0)))


@pytest.mark.parametrize(("across", "down"), [(0.8, 0.8), (1.5, 1.5), (4.0, 0.8), (0.8, 4.0)])
def test_edge_blur_is_the_spread_of_the_edge(across: float, down: float) -> None:
    """A square blurred by Gaussians: the derivative of its edge is the Gaussian itself, of that standard deviation."""
    sharp = np.full((300, 400), 0.8, np.float32)
    sharp[90:210, 130:250] = 0.05
    blurred = cv2.GaussianBlur(sharp, (0, 0), across, sigmaY=down)
    corners = np.array([[129.5, 89.5], [249.5, 89.5], [249.5, 209.5], [129.5, 209.5]])
    got = edge_blur(photo(blurred), [TagSeen(0, corners)])
    # Sampled every quarter pixel by linear interpolation, which adds about 1/6 px^2 at most to the variance.
    for found, true in zip(got, (across, down), strict=True):
        assert 0.97 * true < found < 1.03 * np.hypot(true, np.sqrt(1 / 6))
    assert np.isnan(edge_blur(photo(blurred), [])).all()


def checks(**changed: object) -> dict[str, PhotoCheck]:
    yes = np.ones((20, 30), bool)
    given: dict[str, object] = {
        "inside": yes,
        "lit": yes,
        "clipped": ~yes,
        "modulation": np.full(yes.shape, 0.6),
        "level": np.full(yes.shape, 0.3),
        "stripe_px": 20.0,
        "stripes_across": 15.0,
        "blur_px": (0.7, 0.8),
    } | changed
    inside, blur_px = given.pop("inside"), given.pop("blur_px")
    found = check_view(QualityMaps(misprints=0, **given), inside=inside, blur_px=blur_px)  # type: ignore[arg-type]
    return {check.name: check for check in found}


def test_a_good_photo_passes_every_check() -> None:
    found = checks()
    assert len(found) == 7
    for check in found.values():
        assert check.good
        assert check.cure == ""
        assert check.sentence


PART = np.zeros((20, 30), bool)
PART[:, :15] = True


@pytest.mark.parametrize(
    ("name", "changed", "value", "words"),
    [
        ("exposure", {"level": np.full((20, 30), 0.004)}, 0.004, "too dark"),
        ("clipping", {"clipped": PART}, 0.5, "blown out"),
        ("sharpness", {"blur_px": (3.6, 3.4)}, 3.6, "out of focus"),
        ("sharpness", {"blur_px": (0.8, 5.0)}, 5.0, "shaken"),
        ("stripe contrast", {"modulation": np.full((20, 30), 0.05)}, 0.05, "weak"),
        ("stripe width", {"stripe_px": 6.0}, 6.0, "narrow"),
        ("stripes across", {"stripes_across": 2.0}, 2.0, "too few"),
        ("board share", {"lit": PART}, 0.5, "does not light all"),
    ],
)
def test_each_fault_is_told_with_its_cure(
    name: str, changed: dict[str, object], value: float, words: str
) -> None:
    check = checks(**changed)[name]
    assert not check.good
    assert check.value == pytest.approx(value)
    assert words in check.sentence
    assert check.cure


def test_finer_stripes_need_a_sharper_photo() -> None:
    """Contrast left of a Gaussian blur s of stripes p wide: exp(-2 (pi s / p)^2); 0.2 p leaves 45 % (closed form)."""
    assert np.exp(-2 * (np.pi * THRESHOLDS["blur_periods"]) ** 2) == pytest.approx(0.454, abs=5e-4)
    blur = {"blur_px": (2.0, 2.0)}
    assert checks(stripe_px=20.0, **blur)["sharpness"].good
    assert not checks(stripe_px=9.0, **blur)["sharpness"].good


def test_more_stripes_across_need_the_board_further_away() -> None:
    """A flat mirror shows a period p as p a / (a + b) on the panel: further away (b) is finer, so more of them."""
    cure = checks(stripes_across=2.0)["stripes across"].cure
    assert "narrower" in cure
    assert "away" in cure


def test_where_nothing_is_lit_and_where_there_are_no_stripes() -> None:
    nothing = np.zeros((20, 30), bool)
    found = checks(lit=nothing)
    assert not found["board share"].good
    assert found["board share"].value == 0
    assert checks(lit=nothing, inside=nothing)["exposure"].value == 0
    lamp = checks(stripe_px=float("nan"))
    assert set(lamp) == {"exposure", "clipping", "sharpness"}
