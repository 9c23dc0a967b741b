"""Video files: what their boxes say, what is refused, and frames as they were encoded."""

from __future__ import annotations

from contextlib import suppress
from functools import cache
from pathlib import Path
from tempfile import mkdtemp

import numpy as np
import pytest
from videos import write_video

from surfscan.core.errors import RefusedError
from surfscan.job.photos import read_photo
from surfscan.job.videos import frame_photo, frames_of, open_video
from surfscan.look.job_check import check_folder

WIDTH, HEIGHT = 320, 240
SHEET = """
[panel]
stage = "primer"
size_mm = [500, 400]
[tags]
dictionary = "4x4_50"
side_mm = 36
[camera]
focal_px = 900.0
[board]
pattern = "crossed"
period_mm = 25
centre_mm = [0.0, 500.0, 700.0]
across = [1.0, 0.0, 0.0]
up = [0.0, -0.8, 0.6]
size_mm = [1500, 1200]
[[photo]]
file = "walk.mp4"
"""


def pictures(count: int = 36) -> list[np.ndarray]:
    """A white square that goes down on grey, a step a frame; black on the left."""
    out = []
    for k in range(count):
        picture = np.full((HEIGHT, WIDTH), 0.3, np.float32)
        picture[:, :40] = 0.0
        picture[4 * k : 4 * k + 30, 150:180] = 1.0
        out.append(picture)
    return out


@cache
def filmed(codec: str = "h264", ending: str = "mp4", turn_deg: int = 0) -> Path:
    path = Path(mkdtemp()) / f"walk.{ending}"
    return write_video(path, pictures(), codec=codec, turn_deg=turn_deg)


@pytest.mark.parametrize(("codec", "ending"), [("h264", "mp4"), ("hevc", "mov")])
def test_frames_come_in_order_as_they_were_encoded(codec: str, ending: str) -> None:
    path = filmed(codec, ending)
    header = open_video(path, path.name)
    assert (header.codec, header.width, header.height, len(header.times_s)) == (codec, WIDTH, HEIGHT, 36)
    assert header.interval_s == pytest.approx(1 / 30, abs=1e-4)
    frames = list(frames_of(path, path.name, header))
    assert [frame.number for frame in frames] == list(range(36))
    assert np.allclose([frame.time_s for frame in frames], np.arange(36) / 30, atol=2e-3)
    for frame, given in zip(frames, pictures(), strict=True):
        photo = frame_photo(frame, "a frame", encoding="srgb")
        assert np.sqrt(np.mean((photo.image - given) ** 2)) < 0.05
        assert photo.saturated[4 * frame.number + 10, 165]
        assert not photo.saturated[:, :140].any()


def test_frames_can_be_asked_for_again() -> None:
    path = filmed()
    header = open_video(path, path.name)
    some = list(frames_of(path, path.name, header, [3, 20]))
    again = list(frames_of(path, path.name, header, [3]))
    assert [frame.number for frame in some] == [3, 20]
    assert np.array_equal(some[0].grey, again[0].grey)
    assert some[1].grey[85:105, 165].min() > 200


@pytest.mark.parametrize("turn_deg", [90, 180, 270])
def test_a_phone_held_upright_is_set_upright(turn_deg: int) -> None:
    """The track's matrix (ISO/IEC 14496-12, 8.3.2) turns clockwise."""
    path = filmed(turn_deg=turn_deg)
    header = open_video(path, path.name)
    assert header.turn_deg == turn_deg
    frame = next(frames_of(path, path.name, header))
    black = {90: frame.grey[:30], 180: frame.grey[:, -30:], 270: frame.grey[-30:]}[turn_deg]
    assert black.mean() < 20 < frame.grey.mean()


def refused(path: Path) -> RefusedError:
    with pytest.raises(RefusedError) as error:
        list(frames_of(path, path.name, open_video(path, path.name)))
    assert error.value.found
    assert error.value.allowed
    assert error.value.cure
    return error.value


def uneven() -> list[int]:
    """A camera that gives every frame the light it needs: 20 to 60 ms a frame."""
    return np.cumsum(np.random.default_rng(1).integers(12, 36, 40)).tolist()


def test_a_variable_frame_rate_is_refused_where_it_matters(tmp_path: Path) -> None:
    told = refused(write_video(tmp_path / "a.mp4", pictures(40), ticks=uneven()))
    assert "uneven times" in told.what
    slight = [20 * k + (k % 3 == 0) for k in range(40)]  # a tick more now and then, as phones have it
    header = open_video(write_video(tmp_path / "b.mp4", pictures(40), ticks=slight), "b.mp4")
    assert len(header.times_s) == 40


def test_what_can_not_be_a_walk_is_refused(tmp_path: Path) -> None:
    short = write_video(tmp_path / "short.mp4", pictures(15))
    assert "too short" in refused(short).what
    slow = write_video(tmp_path / "slow.mp4", pictures(36), ticks=[60 * k for k in range(36)])
    assert "too few frames a second" in refused(slow).what
    long = write_video(tmp_path / "long.mp4", pictures(36), ticks=[1200 * k for k in range(36)])
    assert "too long" in refused(long).what
    small = write_video(tmp_path / "small.mp4", [p[:120, :160] for p in pictures(36)])
    assert "too small" in refused(small).what


def test_other_files_are_refused(tmp_path: Path) -> None:
    whole = filmed().read_bytes()
    for name, data, what in (
        ("cut.mp4", whole[: len(whole) // 2], "cut short"),
        ("empty.mp4", b"", "is empty"),
        ("list.mp4", b"#EXTM3U\n#EXTINF:1\nhttp://127.0.0.1/a.ts\n", "no video that can be read"),
        ("other.mov", whole.replace(b"avc1", b"mp4v"), "of a kind that is not read"),
        ("bare.mov", whole.replace(b"vide", b"soun"), "is damaged"),
        ("noise.mp4", whole[:48] + np.random.default_rng(3).bytes(4000), ""),
    ):
        (tmp_path / name).write_bytes(data)
        assert what in refused(tmp_path / name).what
    assert "is not there" in refused(tmp_path / "none.mp4").what


def test_where_photos_are_asked_for_a_video_is_told() -> None:
    with pytest.raises(RefusedError, match=r"walk.mp4 is a video") as error:
        read_photo(filmed(), "walk.mp4")
    assert "job sheet" in error.value.cure


def test_a_folder_looked_at_tells_its_video(tmp_path: Path) -> None:
    (tmp_path / "walk.mp4").write_bytes(filmed().read_bytes())
    (tmp_path / "panel.toml").write_text(SHEET)
    (found,) = (one for one in check_folder(tmp_path) if "walk.mp4" in one.where)
    assert found.good
    assert found.sentence == "a video of 1.2 s, 36 frames of 320 x 240 in H.264"
    (tmp_path / "walk.mp4").write_bytes(filmed().read_bytes()[:500])
    assert any(not one.good and "walk.mp4" in one.where for one in check_folder(tmp_path))


def test_broken_files_end_in_words(tmp_path: Path) -> None:
    """Bytes changed anywhere: frames, or a refusal; never another error."""
    whole, rng = filmed().read_bytes(), np.random.default_rng(9)
    path = tmp_path / "walk.mp4"
    for _ in range(12):
        data = bytearray(whole)
        for at in rng.integers(0, len(data), 6):
            data[at] = rng.integers(256)
        head = whole.index(b"moov")
        data[int(rng.integers(head, len(data)))] ^= 0xFF
        path.write_bytes(bytes(data))
        with suppress(RefusedError):
            list(frames_of(path, path.name, open_video(path, path.name)))
