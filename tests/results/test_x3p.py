"""x3p archives as other writers make them (ISO 25178-72), written here by hand: forms, sums, and what is missing."""

from __future__ import annotations

import hashlib
import zipfile
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from surfscan.checking.from_map import read_map
from surfscan.core.errors import NotMeasuredError, RefusedError, SurfscanError
from surfscan.results.surfaces import surface_doubts
from surfscan.results.x3p import read_x3p

HEIGHT_M = (np.arange(20).reshape(4, 5) ** 1.5) * 1e-6
HEIGHT_M[1, 2] = np.nan


def document(**changes: str) -> str:
    keys = {
        "revision": "ISO5436 - 2000",
        "feature": "SUR",
        "dx": "0.001",
        "dy": "0.002",
        "dz": "1",
        "type": "D",
        "sx": "5",
        "sy": "4",
        "data": "<DataLink><PointDataLink>bindata/data.bin</PointDataLink>{sum}</DataLink>",
    } | changes
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<p:ISO5436_2 xmlns:p="http://www.opengps.eu/2008/ISO5436_2"><Record1><Revision>{revision}</Revision>'
        "<FeatureType>{feature}</FeatureType><Axes>"
        "<CX><AxisType>I</AxisType><DataType>D</DataType><Increment>{dx}</Increment></CX>"
        "<CY><AxisType>I</AxisType><DataType>D</DataType><Increment>{dy}</Increment></CY>"
        "<CZ><AxisType>A</AxisType><DataType>{type}</DataType><Increment>{dz}</Increment></CZ></Axes></Record1>"
        "<Record3><MatrixDimension><SizeX>{sx}</SizeX><SizeY>{sy}</SizeY><SizeZ>1</SizeZ></MatrixDimension>"
        "{data}</Record3></p:ISO5436_2>"
    ).format(**keys)


def archive(
    path: Path,
    *,
    folder: str = "",
    text: str | None = None,
    raw: bytes | None = None,
    sums: tuple[bool, bool] = (True, True),
    after: bytes | None = None,
    **changes: str,
) -> Path:
    """`sums`: of the document, of the heights. `after`: heights put in once the sums were made."""
    raw = HEIGHT_M.astype("<f8").tobytes() if raw is None else raw
    told = f"<MD5ChecksumPointData>{hashlib.md5(raw).hexdigest()}</MD5ChecksumPointData>" if sums[1] else ""
    text = document(**changes).replace("{sum}", told) if text is None else text
    with zipfile.ZipFile(path, "w") as file:
        file.writestr(folder + "main.xml", text)
        file.writestr(folder + "bindata/data.bin", raw if after is None else after)
        if sums[0]:
            file.writestr(folder + "md5checksum.hex", hashlib.md5(text.encode()).hexdigest() + "\n")
    return path


@pytest.mark.parametrize(
    "form",
    [{}, {"folder": "land/"}, {"revision": "ISO5436 \u2013 2000"}, {"revision": "ISO 25178-72"}],
    ids=["plain", "folder", "dash", "newer"],
)
def test_forms_of_other_writers(tmp_path: Path, form: dict[str, str]) -> None:
    read = read_x3p(archive(tmp_path / "a.x3p", **form))
    np.testing.assert_array_equal(read.heights_m, HEIGHT_M)
    assert read.step_m == (0.001, 0.002)
    assert read.doubts == ()


def test_heights_listed_in_the_document(tmp_path: Path) -> None:
    rows = "".join(f"<Datum>;;{'' if np.isnan(v) else repr(float(v))}</Datum>" for v in HEIGHT_M.ravel())
    read = read_x3p(archive(tmp_path / "a.x3p", data=f"<DataList>{rows}</DataList>"))
    np.testing.assert_array_equal(read.heights_m, HEIGHT_M)


def test_whole_numbers_are_scaled(tmp_path: Path) -> None:
    raw = np.arange(20, dtype="<i2").tobytes()
    read = read_x3p(archive(tmp_path / "a.x3p", raw=raw, type="I", dz="1e-7"))
    np.testing.assert_allclose(read.heights_m.ravel(), 1e-7 * np.arange(20), rtol=1e-12)


def test_heights_changed_after_their_sum_are_refused(tmp_path: Path) -> None:
    zeros = np.zeros(20, "<f8").tobytes()
    with pytest.raises(RefusedError, match="heights that do not fit their checksum"):
        read_x3p(archive(tmp_path / "a.x3p", after=zeros))
    bad = archive(tmp_path / "b.x3p")
    with zipfile.ZipFile(bad) as old:
        parts = {name: old.read(name) for name in old.namelist()}
    with zipfile.ZipFile(bad, "w") as new:
        for name, data in parts.items():
            new.writestr(name, data.replace(b"0.001", b"0.003"))
    with pytest.raises(RefusedError, match=r"main\.xml does not fit its checksum"):
        read_x3p(bad)


def test_missing_sums_are_doubts_and_no_variation_is_not_measured(tmp_path: Path) -> None:
    path = archive(tmp_path / "a.x3p", sums=(False, False))
    assert len(surface_doubts(path)) == 2
    zeros = archive(tmp_path / "z.x3p", sums=(False, False), after=np.zeros(20, "<f8").tobytes())
    with pytest.raises(NotMeasuredError, match="one and the same height"):
        read_map(zeros)


@pytest.mark.parametrize(
    ("changes", "part"),
    [
        ({"feature": "PRF"}, "Record1/FeatureType"),
        ({"dx": "0"}, "Record1/Axes/CX/Increment"),
        ({"dx": "nan"}, "Record1/Axes/CX/Increment"),
        ({"dy": "1e300"}, "Record1/Axes/CY/Increment"),
        ({"dy": "1e-12"}, "Record1/Axes/CY/Increment"),
        ({"dz": "0"}, "Record1/Axes/CZ/Increment"),
        ({"type": "Q"}, "Record1/Axes/CZ/DataType"),
        ({"sx": "-5"}, "Record3/MatrixDimension/SizeX"),
        ({"sy": "999999"}, "bytes of heights"),
        ({"sx": "999999999", "sy": "999999999"}, "unusable size"),
        ({"data": ""}, "Record3/DataLink/PointDataLink"),
    ],
)
def test_what_is_missing_is_named_by_its_part_of_the_standard(
    tmp_path: Path, changes: dict[str, str], part: str
) -> None:
    with pytest.raises(RefusedError) as caught:
        read_x3p(archive(tmp_path / "a.x3p", **changes))
    assert part in str(caught.value)


@settings(max_examples=120, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(place=st.floats(0, 1), change=st.binary(min_size=1, max_size=12), cut=st.booleans())
def test_any_damage_is_refused_or_read_whole(tmp_path: Path, place: float, change: bytes, cut: bool) -> None:
    """A mutating fuzzer over a small archive: never another kind of error, never other heights."""
    whole = archive(tmp_path / "whole.x3p").read_bytes()
    at = int(place * len(whole))
    path = tmp_path / "hurt.x3p"
    path.write_bytes(whole[:at] + change + (b"" if cut else whole[at + len(change) :]))
    try:
        read = read_x3p(path)
    except SurfscanError:
        return
    if not read.doubts:
        np.testing.assert_array_equal(read.heights_m, HEIGHT_M)
