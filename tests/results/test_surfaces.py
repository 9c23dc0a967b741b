"""x3p and sdf: round trips to float precision, and the same heights by two readers that are not ours.

Readers: SurfaceTopography and surfalize, both from PyPI. Orientation: row 0 is the lower edge.
"""

from __future__ import annotations

import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp

from surfscan.checking.from_map import read_map
from surfscan.core.errors import NotMeasuredError, RefusedError
from surfscan.results.surfaces import read_surface, write_sdf, write_x3p

STEP = 1.25
WRITERS = {".x3p": write_x3p, ".sdf": write_sdf}


def uneven_map() -> np.ndarray:
    """No symmetry in it, so that any turn or flip shows; a hole in one corner."""
    y, x = np.mgrid[0:7, 0:11]
    height = 0.01 * x + 0.3 * y + 1e-7 * x * y**2 - 0.123456789012345
    height[0, 0:2] = np.nan
    return height


@pytest.fixture(params=sorted(WRITERS))
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def written(folder: Path, kind: str, height: np.ndarray) -> Path:
    path = folder / f"map{kind}"
    WRITERS[kind](path, height, step_mm=STEP)
    return path


def close(found: np.ndarray, wanted: np.ndarray) -> None:
    assert found.shape == wanted.shape
    assert np.array_equal(np.isnan(found), np.isnan(wanted))
    # Two roundings: mm to m and back.
    np.testing.assert_allclose(found, wanted, rtol=4 * np.finfo(float).eps, atol=1e-18)


def test_round_trip_is_exact_to_float_precision(tmp_path: Path, kind: str) -> None:
    height, step_x, step_y = read_surface(written(tmp_path, kind, uneven_map()))
    close(height, uneven_map())
    assert (step_x, step_y) == pytest.approx((STEP, STEP), rel=1e-12)


def test_surfalize_reads_the_same_heights(tmp_path: Path, kind: str) -> None:
    from surfalize import Surface

    surface = Surface.load(written(tmp_path, kind, uneven_map()))
    np.testing.assert_allclose(surface.data * 1e-3, uneven_map(), rtol=1e-12, equal_nan=True)  # um
    assert surface.step_x * 1e-3 == pytest.approx(STEP)


def test_surfacetopography_reads_the_same_heights(tmp_path: Path, kind: str) -> None:
    from SurfaceTopography import read_topography

    surface = read_topography(str(written(tmp_path, kind, uneven_map())))
    in_mm = {"m": 1e3, "µm": 1e-3}[surface.unit]
    found = np.ma.filled(np.ma.asarray(surface.heights(), float), np.nan).T * in_mm
    np.testing.assert_allclose(found, uneven_map(), rtol=1e-12, equal_nan=True)


@pytest.mark.parametrize("binary", [True, False])
def test_sdf_of_another_writer_is_read(tmp_path: Path, binary: bool) -> None:
    from surfalize import Surface
    from surfalize.file import FileHandler

    path = tmp_path / "other.sdf"
    FileHandler(str(path)).write(Surface(uneven_map() * 1e3, STEP * 1e3, STEP * 1e3), binary=binary)
    height, _, _ = read_surface(path)
    # Its text form keeps ten places after the point of numbers scaled to one before it.
    np.testing.assert_allclose(height, uneven_map(), rtol=0, atol=1e-15 if binary else 5e-10, equal_nan=True)


def test_x3p_of_another_writer_is_read(tmp_path: Path) -> None:
    from surfalize import Surface

    path = tmp_path / "other.x3p"
    Surface(uneven_map() * 1e3, STEP * 1e3, STEP * 1e3).save(str(path))
    height, _, _ = read_surface(path)
    np.testing.assert_allclose(height, uneven_map(), rtol=1e-12, equal_nan=True)


@settings(max_examples=20, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(hnp.arrays(float, (3, 4), elements=st.floats(-1e4, 1e4) | st.just(float("nan"))))
def test_any_heights_come_back_from_sdf(tmp_path: Path, height: np.ndarray) -> None:
    close(read_surface(written(tmp_path, ".sdf", height))[0], height)


def test_a_damaged_file_is_a_sentence(tmp_path: Path, kind: str) -> None:
    whole = written(tmp_path, kind, uneven_map()).read_bytes()
    for k, part in enumerate((b"", b"nonsense", whole[: len(whole) // 2], whole[:40] + b"\0" * 40)):
        path = tmp_path / f"damaged-{k}{kind}"
        path.write_bytes(part)
        with pytest.raises(RefusedError, match=r"can't be read as a surface"):
            read_surface(path)


def test_an_archive_that_unpacks_to_too_much_is_refused_unopened(tmp_path: Path) -> None:
    path = tmp_path / "bomb.x3p"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as archive, archive.open("main.xml", "w") as file:
        for _ in range(1100):
            file.write(bytes(1_000_000))
    with pytest.raises(RefusedError, match=r"too large.*1\.1 GB"):
        read_surface(path)


def test_an_empty_map_is_not_measured(tmp_path: Path) -> None:
    path = written(tmp_path, ".sdf", np.full((3, 3), np.nan))
    with pytest.raises(NotMeasuredError, match="no height at all"):
        read_map(path)


def test_too_large_for_sdf_is_said(tmp_path: Path) -> None:
    with pytest.raises(RefusedError, match=r"65535 each way.*x3p"):
        write_sdf(tmp_path / "m.sdf", np.zeros((1, 65536)), step_mm=1.0)
