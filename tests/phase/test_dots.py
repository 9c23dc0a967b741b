"""Dots: centroids and lattice numbers against drawn lattices with known places, and SciPy's own moments."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import ndimage

from surfscan.phase.dots import find_blobs, number_lattice


def lattice(count: int, spacing: float) -> tuple[np.ndarray, np.ndarray]:
    i, j = np.meshgrid(np.arange(count), np.arange(count))
    name = np.stack([i.ravel(), j.ravel()], -1)
    return name, spacing * name.astype(float)


def draw(places: np.ndarray, radius: float, size: int, noise: float, seed: int = 1) -> np.ndarray:
    c, r = np.meshgrid(np.arange(size), np.arange(size))
    picture = np.full((size, size), 0.1)
    for x, y in places:
        picture += 0.6 * np.clip(radius - np.hypot(c - x, r - y) + 0.5, 0, 1)
    picture = ndimage.gaussian_filter(picture, 0.6)
    return (picture + np.random.default_rng(seed).normal(0, noise, picture.shape)).astype(np.float32)


def shuffled(places: np.ndarray, name: np.ndarray, seed: int = 4) -> tuple[np.ndarray, np.ndarray]:
    order = np.random.default_rng(seed).permutation(len(places))
    return places[order], name[order]


def same_numbers(number: np.ndarray, known: np.ndarray, name: np.ndarray) -> bool:
    gap = (number - name)[known]
    return bool(np.all(gap == gap[0]))


def test_centroids():
    rng = np.random.default_rng(2)
    _, flat = lattice(8, 30.0)
    places = 25 + flat + rng.uniform(-3, 3, flat.shape)
    noise, radius = 0.01, 4.5
    picture = draw(places, radius, 270, noise)
    blobs = find_blobs(picture, np.ones(picture.shape, bool), spacing_px=30.0)
    assert len(blobs.column) == 64
    gap = np.hypot(blobs.column[:, None] - places[:, 0], blobs.row[:, None] - places[:, 1])
    # Centroid noise: s * sqrt(sum r^2 / 2) / L over a window of radius 8 px, L the light of the disc.
    light = 0.6 * np.pi * radius**2
    sigma = noise * np.sqrt(np.pi * 8.0**4 / 4) / light
    assert gap.min(1).max() < 5 * sigma + 0.01
    # SciPy's centre of mass of the same dot, ground taken off, agrees.
    k = int(gap[:, 0].argmin())
    c, r = round(places[0, 0]), round(places[0, 1])
    row, column = ndimage.center_of_mass(
        np.clip(picture[r - 8 : r + 9, c - 8 : c + 9] - 0.1, 0.03, None) - 0.03
    )
    assert np.hypot(column + c - 8 - blobs.column[k], row + r - 8 - blobs.row[k]) < 0.1
    np.testing.assert_allclose(np.median(blobs.area_px), np.pi * radius**2, rtol=0.15)


def test_dots_at_the_rim_are_left_out_and_no_dots_are_no_dots():
    _, flat = lattice(8, 30.0)
    picture = draw(25 + flat, 4.5, 270, 0.01)
    usable = np.ones(picture.shape, bool)
    usable[:, :56] = False  # cuts the second column of dots through their middles
    blobs = find_blobs(picture, usable, spacing_px=30.0)
    assert len(blobs.column) == 48
    assert blobs.column.min() > 80
    plain = np.random.default_rng(1).normal(0.2, 0.01, (200, 200)).astype(np.float32)
    assert len(find_blobs(plain, np.ones(plain.shape, bool), spacing_px=30.0).column) == 0


@pytest.mark.parametrize("missing", [0.0, 0.1, 0.25])
def test_numbers_survive_missing_dots_and_bent_rows(missing):
    name, flat = lattice(25, 24.0)
    # A fault that stretches the rows by up to a third, and a slow swing.
    x, y = flat[:, 0] - 300, flat[:, 1] - 280
    pull = -0.33 * np.exp(-(x**2 + y**2) / (2 * 60.0**2))
    bent = flat + np.stack([x * pull + 8 * np.sin(y / 150), y * pull + 5 * np.sin(x / 120)], -1)
    keep = np.random.default_rng(5).random(len(bent)) >= missing
    places, name = shuffled(bent[keep], name[keep])
    number, known = number_lattice(places[:, 0], places[:, 1], spacing=24.0)
    assert known.mean() > 0.97 - missing / 2
    assert same_numbers(number, known, name)


def test_a_torn_lattice_gives_no_wrong_numbers_across_the_tear():
    name, flat = lattice(20, 24.0)
    places = flat.copy()
    places[name[:, 0] >= 10, 1] += 12.0  # the right half is shifted by half a spacing: no way across
    number, known = number_lattice(places[:, 0], places[:, 1], spacing=24.0)
    assert known.sum() >= 150
    halves = [known & (name[:, 0] < 10), known & (name[:, 0] >= 10)]
    for half in halves:
        if half.any():
            assert same_numbers(number, half, name)


def test_no_lattice_at_all():
    places = np.random.default_rng(8).uniform(0, 600, (60, 2))
    _, known = number_lattice(places[:, 0], places[:, 1], spacing=24.0)
    assert known.sum() < 20
