"""A video, and the frames of it that are photos of a sweep: where each was taken from, how the camera moved in it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Any

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.records import Array, Camera, Photo, TagSeen
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet
from surfscan.job.sheet_tables import PhotoSheet
from surfscan.job.video_file import VideoHeader, is_video
from surfscan.job.videos import Frame, frame_photo
from surfscan.optics.pose import PoseFit, pose_from_tags
from surfscan.optics.shutter import PRIOR_S, Clock, Moment, Readout, still_tags, swayed
from surfscan.reading.station import Station

__all__ = ["Film", "Fit", "Still", "film_fit", "has_video", "photo_of", "stand_still"]

NEAR = 0.05
"""Share of a frame's width within which tags must be where they were for a pose to start from theirs: from farther off
it may end in the other of the two poses that a plane has."""

Fit = Callable[[list[TagSeen]], PoseFit | None]


@dataclass(slots=True)
class Film:
    """One video: what its frames showed.

    Attributes
    ----------
    file, sha256 : str
    header : VideoHeader
    row : PhotoSheet
        Its entry in the sheet.
    moments : list of Moment
        Of the frames that show tags.
    numbers : list of int
        Their numbers in the video.
    blur_px : list of float
        Of their tags' sides; NaN where not known.
    frames : int
        How many were decoded.
    shape : tuple of int
        (H, W) upright.
    readout : Readout
    left_out : dict of str to int
        How many frames were not used, by reason.
    known : list of (dict, PoseFit)
        Middles of the tags, px, and poses that others may start from.
    """

    file: str
    sha256: str
    header: VideoHeader
    row: PhotoSheet
    moments: list[Moment] = field(default_factory=list)
    numbers: list[int] = field(default_factory=list)
    blur_px: list[float] = field(default_factory=list)
    frames: int = 0
    shape: tuple[int, int] = (0, 0)
    readout: Readout = field(default_factory=lambda: Readout(*PRIOR_S, 0))
    left_out: dict[str, int] = field(default_factory=dict)
    known: list[tuple[dict[int, Array], PoseFit]] = field(default_factory=list)

    def clock(self, camera: Camera) -> Clock:
        """When the places of a frame are read: stored rows one after another."""
        axis, sign = {0: (1, 1), 90: (0, -1), 180: (1, -1), 270: (0, 1)}[self.header.turn_deg]
        return Clock(axis, sign, camera.centre_px[axis], float(self.header.height))

    def still(self, k: int, camera: Camera) -> list[TagSeen] | None:
        """A moment's tags as they were when its middle was read; None where too few are followed."""
        found = still_tags(
            self.moments,
            k,
            clock=self.clock(camera),
            readout_s=self.readout.time_s,
            interval_s=self.header.interval_s,
        )
        return None if found is None else found[0]

    def as_photo(self) -> Photo:
        """A photo of its size and name, without a picture."""
        return Photo(
            self.file,
            self.sha256,
            np.broadcast_to(np.float32(0), self.shape),
            np.broadcast_to(np.bool_(False), self.shape),
        )

    def told(self, stills: Mapping[str, Still]) -> dict[str, Any]:
        """For `result.json`; `stills` are all that were chosen."""
        return {
            "file": self.file,
            "codec": self.header.codec,
            "frames": self.frames,
            "seconds": self.header.times_s[-1],
            "frames_used": self.frames - sum(self.left_out.values()),
            "left_out": {why: count for why, count in self.left_out.items() if count},
            "numbers": {name: one.frame.number for name, one in stills.items() if one.film is self},
            "readout_ms": 1e3 * self.readout.time_s,
            "readout_u95_ms": 2e3 * self.readout.u_s,
            "readout_from_frames": self.readout.frames,
        }


@dataclass(frozen=True, slots=True)
class Still:
    """A frame that was chosen.

    Attributes
    ----------
    name : str
        The photo's name from here on.
    film : Film
    number : int
        Of its moment.
    frame : Frame
    """

    name: str
    film: Film
    number: int
    frame: Frame

    def photo(self) -> Photo:
        """The frame in linear light."""
        encoding = self.film.row.encoding
        return frame_photo(self.frame, self.name, encoding=encoding, sha256=self.film.sha256)

    def tags(self, camera: Camera) -> list[TagSeen]:
        """Its tags as they were when its middle was read."""
        return self.film.still(self.number, camera) or []


def has_video(sheet: Sheet) -> bool:
    """Whether a sheet names a video."""
    return any(is_video(row.file) for row in sheet.photos)


def photo_of(sheet: Sheet, row: PhotoSheet, stills: Mapping[str, Still]) -> Photo:
    """The photo of an entry: a file's, or a chosen frame's."""
    still = stills.get(row.file)
    return still.photo() if still else read_photo(sheet.folder / row.file, row.file, encoding=row.encoding)


def film_fit(sheet: Sheet, film: Film, camera: Camera) -> Fit:
    """From tags to a pose, remembered; None where none fits."""
    assert sheet.tags is not None
    table = sheet.tags

    known = film.known

    @lru_cache(maxsize=512)
    def remembered(key: tuple[tuple[int, bytes], ...]) -> PoseFit | None:
        tags = [TagSeen(tag, np.frombuffer(corners).reshape(4, 2)) for tag, corners in key]
        try:
            found = pose_from_tags(
                tags,
                centres_mm=table.places_mm,
                side_mm=table.side_mm,
                camera=camera,
                file=film.file,
                width_px=film.shape[1],
                near=_nearest({t.id: t.corners_px.mean(0) for t in tags}, known, NEAR * film.shape[1]),
            )
        except RefusedError:
            return None
        # A fit that is worse than others may be stuck: nothing is to start from it.
        best = min((other.pose.reprojection_px for _, other in known), default=np.inf)
        if found.pose.reprojection_px <= 3 * best + 0.1:
            known.append(({t.id: t.corners_px.mean(0) for t in tags}, found))
        return found

    def fit(tags: list[TagSeen]) -> PoseFit | None:
        return remembered(tuple((t.id, np.asarray(t.corners_px, float).tobytes()) for t in tags))

    return fit


def _nearest(
    middles: dict[int, Array], known: list[tuple[dict[int, Array], PoseFit]], within_px: float
) -> PoseFit | None:
    """The fit of the frame whose tags are where these are, as near as can be; None when all are farther off."""
    best, least = None, within_px
    for others, found in known:
        if all(tag in others for tag in middles):
            off = max(float(np.abs(at - others[tag]).max()) for tag, at in middles.items())
            if off < least:
                best, least = found, off
    return best


def stand_still(sheet: Sheet, still: Still, photo: Photo, camera: Camera, source: str) -> Station:
    """Where a chosen frame was taken from, and how the camera moved in it.

    Raises
    ------
    RefusedError
        When its neighbours do not tell that.
    """
    film = still.film
    found = swayed(
        film.moments,
        still.number,
        clock=film.clock(camera),
        readout=film.readout,
        interval_s=film.header.interval_s,
        camera=camera,
        fit=film_fit(sheet, film, camera),
    )
    if found is None:
        raise RefusedError(
            f"{still.name}: how the camera moved in it is not known",
            found="no pose in the frames about it",
            allowed="three tags in the frames before and after",
            cure="walk more slowly",
        )
    return Station(photo, camera, found, film.moments[still.number].tags, source)
