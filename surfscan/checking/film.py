"""A video of a walk past the panel, turned into photos of a sweep: sharp frames from well-spread places.

Every frame is decoded, looked at for tags and sharpness, and dropped. From the tags it is told how the camera moved and
how long a read-out takes (`surfscan.optics.shutter`); then the few frames that show most of the panel are decoded again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from functools import lru_cache
from typing import Any

import numpy as np

from surfscan.checking.film_choice import choose
from surfscan.checking.stations import camera_of
from surfscan.core.aside import end_aside
from surfscan.core.errors import RefusedError
from surfscan.core.photo_limits import THRESHOLDS
from surfscan.core.records import Array, Camera, Photo, TagSeen
from surfscan.job.photo_quality import edge_blur
from surfscan.job.sheet import Sheet
from surfscan.job.sheet_tables import PhotoSheet
from surfscan.job.tags import find_tags
from surfscan.job.video_file import VideoHeader, is_video
from surfscan.job.photos import read_photo
from surfscan.job.videos import Frame, digest, frame_photo, frames_of, open_video
from surfscan.optics.pose import PoseFit, pose_from_tags
from surfscan.optics.shutter import Clock, Moment, Readout, fit_readout, still_tags, swayed
from surfscan.optics.survey import Shot, survey_tags
from surfscan.reading.station import Station

__all__ = ["Film", "Still", "film_photos", "has_video", "photo_of", "stand_still"]

LEAST_SEEN = 12
"""Frames with tags that a video must have."""

FITTED = 40
"""Frames that the read-out time is fitted to."""

SURVEYED = 12
"""Frames that tell where the tags lie, before that."""

LOOKED_AT = 120
"""Most frames among which is chosen."""

NEAR_S = 0.4
"""Frames within that are held against each other for sharpness."""

BLURRED = 1.35
"""Blur against the sharpest of those past which a frame is left out, where it is over a pixel."""

Tell = Callable[[str, float], None]
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
    readout: Readout = field(default_factory=lambda: Readout(0.0, 0.0, 0))
    left_out: dict[str, int] = field(default_factory=dict)

    def clock(self, camera: Camera) -> Clock:
        """When the places of a frame are read: stored rows one after another."""
        axis, sign = {0: (1, 1), 90: (0, -1), 180: (1, -1), 270: (0, 1)}[self.header.turn_deg]
        return Clock(axis, sign, camera.centre_px[axis], float(self.header.height))

    def as_photo(self) -> Photo:
        """A photo of its size and name, without a picture."""
        return Photo(
            self.file,
            self.sha256,
            np.broadcast_to(np.float32(0), self.shape),
            np.broadcast_to(np.bool_(False), self.shape),
        )

    def told(self) -> dict[str, Any]:
        """For `result.json`."""
        return {
            "file": self.file,
            "codec": self.header.codec,
            "frames": self.frames,
            "seconds": self.header.times_s[-1],
            "frames_used": self.frames - sum(self.left_out.values()),
            "left_out": dict(self.left_out),
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
        film = self.film
        still = still_tags(
            film.moments,
            self.number,
            clock=film.clock(camera),
            readout_s=film.readout.time_s,
            interval_s=film.header.interval_s,
        )
        assert still is not None  # or it would not have been chosen
        return still[0]


def has_video(sheet: Sheet) -> bool:
    """Whether a sheet names a video."""
    return any(is_video(row.file) for row in sheet.photos)


def film_photos(sheet: Sheet, tell: Tell) -> tuple[Sheet, Mapping[str, Still]]:
    """Choose the frames of a sheet's videos, as photos of a sweep.

    Parameters
    ----------
    sheet : Sheet
    tell : callable
        Told what goes on, and a share from 0 to 1.

    Returns
    -------
    Sheet
        With an entry for each frame in place of each video.
    mapping of str to Still
        Those frames by name.

    Raises
    ------
    RefusedError
        A video that can't be read or used, or shows no tags.
    """
    rows: list[PhotoSheet] = []
    stills: dict[str, Still] = {}
    count = sum(is_video(row.file) for row in sheet.photos)
    done = 0
    for row in sheet.photos:
        if not is_video(row.file):
            rows.append(row)
            continue

        def part(words: str, share: float, done: int = done) -> None:
            tell(words, (done + share) / count)

        for still in _chosen(sheet, row, part):
            rows.append(row.model_copy(update={"file": still.name}))
            stills[still.name] = still
        done += 1
    return sheet.model_copy(update={"photos": tuple(rows)}), stills


def photo_of(sheet: Sheet, row: PhotoSheet, stills: Mapping[str, Still]) -> Photo:
    """The photo of an entry: a file's, or a chosen frame's."""
    still = stills.get(row.file)
    return still.photo() if still else read_photo(sheet.folder / row.file, row.file, encoding=row.encoding)


def _chosen(sheet: Sheet, row: PhotoSheet, tell: Tell) -> list[Still]:
    path = sheet.folder / row.file
    film = Film(row.file, "", open_video(path, row.file), row)
    film.sha256 = digest(path)
    _look_through(film, sheet, lambda share: tell(f"decoding {row.file}", 0.8 * share))
    camera, _ = camera_of(sheet, film.as_photo())
    tell(f"finding how the camera moved in {row.file}", 0.8)
    fit = _fit(_with_places(sheet, film, camera), film, camera)
    clock, interval = film.clock(camera), film.header.interval_s
    whole = [
        k
        for k in range(len(film.moments))
        if still_tags(film.moments, k, clock=clock, readout_s=0.0, interval_s=interval) is not None
    ]
    if len(whole) < LEAST_SEEN:
        raise _no_tags(film, len(whole))
    film.readout = fit_readout(
        film.moments, _spread(whole, FITTED), clock=clock, interval_s=interval, fit=fit
    )
    sharp = [k for k in whole if not _is_blurred(film, k)]
    tell(f"choosing frames of {row.file}", 0.9)
    candidates = {}
    for k in _spread(sharp, LOOKED_AT):
        still = still_tags(
            film.moments, k, clock=clock, readout_s=film.readout.time_s, interval_s=interval
        )
        found = None if still is None else fit(still[0])
        if found is not None:
            candidates[k] = found
    if not candidates:
        raise _no_tags(film, 0)
    picks = choose(sheet, candidates, blur_px={k: film.blur_px[k] for k in candidates})
    film.left_out = {
        reason: number
        for reason, number in {
            "fewer than three tags in it or its neighbours": film.frames - len(whole),
            "blurred": len(whole) - len(sharp),
            "shows nothing that another does not show as well": len(sharp) - len(picks),
        }.items()
        if number
    }
    wanted = [film.numbers[k] for k in picks]
    stills = []
    for k, frame in zip(picks, frames_of(path, row.file, film.header, wanted), strict=False):
        stills.append(Still(f"{row.file} at {film.moments[k].time_s:.2f} s", film, k, frame))
    return stills


def _look_through(film: Film, sheet: Sheet, tell: Callable[[float], None]) -> None:
    """Decode all frames, and keep where their tags are and how sharp these are."""

    def look(frame: Frame) -> tuple[Frame, list[TagSeen], float]:
        photo = frame_photo(frame, film.file, encoding=film.row.encoding)
        tags = _panel_tags(sheet, photo)
        blur = edge_blur(photo, tags) if tags else (np.nan, np.nan)
        return replace(frame, grey=frame.grey[:0]), tags, float(np.max(blur))

    many = len(film.header.times_s)
    for frame, tags, blur in _ahead(frames_of(sheet.folder / film.row.file, film.file, film.header), look, film):
        film.frames += 1
        if tags:
            film.moments.append(Moment(frame.time_s, tuple(tags)))
            film.numbers.append(frame.number)
            film.blur_px.append(blur)
        tell(film.frames / many)


def _ahead(
    frames: Iterator[Frame], look: Callable[[Frame], tuple[Frame, list[TagSeen], float]], film: Film
) -> Iterator[tuple[Frame, list[TagSeen], float]]:
    """Look at frames while the next are decoded; few are held at a time."""
    with ThreadPoolExecutor(2) as pool:
        coming: deque[Future[tuple[Frame, list[TagSeen], float]]] = deque()
        try:
            for frame in frames:
                film.shape = (frame.grey.shape[0], frame.grey.shape[1])
                coming.append(pool.submit(look, frame))
                if len(coming) > 4:
                    yield coming.popleft().result()
            while coming:
                yield coming.popleft().result()
        except KeyboardInterrupt:
            end_aside()
            raise


def _panel_tags(sheet: Sheet, photo: Photo) -> list[TagSeen]:
    """The panel's tags in a frame, each once."""
    assert sheet.tags is not None  # the sheet was asked before
    known = sheet.tags.centres_mm
    board = None if sheet.board is None else sheet.board.tags
    others = set() if board is None else set(board.centres_mm)
    found = find_tags(photo, dictionary=sheet.tags.dictionary)
    ids = [tag.id for tag in found]
    return [
        tag
        for tag in found
        if ids.count(tag.id) == 1 and (tag.id in known if known else tag.id not in others)
    ]


def _spread(numbers: list[int], most: int) -> list[int]:
    """At most so many of them, evenly."""
    if len(numbers) <= most:
        return numbers
    return [numbers[round(k)] for k in np.linspace(0, len(numbers) - 1, most)]


def _with_places(sheet: Sheet, film: Film, camera: Camera) -> Sheet:
    """A sheet whose tags have places: its own, or a first survey from some frames."""
    assert sheet.tags is not None
    if not sheet.tags.surveyed:
        return sheet
    clock = film.clock(camera)
    shots = []
    for k in _spread(list(range(1, len(film.moments) - 1)), SURVEYED):
        still = still_tags(
            film.moments, k, clock=clock, readout_s=0.015, interval_s=film.header.interval_s
        )
        if still is not None:
            shots.append(Shot(f"{film.file} {k}", film.shape[1], camera, tuple(still[0])))
    if not shots:
        raise _no_tags(film, 0)
    found = survey_tags(shots, side_mm=sheet.tags.side_mm, u_focal_rel=camera.u_focal_rel)
    places = {tag: tuple(float(v) for v in c) for tag, c in zip(found.ids, found.centres_mm, strict=True)}
    flat = {tag: (c[0], c[1]) for tag, c in places.items()}
    heights = {tag: c[2] for tag, c in places.items()}
    tags = sheet.tags.model_copy(update={"centres_mm": flat, "heights_mm": heights})
    return sheet.model_copy(update={"tags": tags})


def _fit(sheet: Sheet, film: Film, camera: Camera) -> Fit:
    """From tags to a pose, remembered; None where none fits."""
    assert sheet.tags is not None
    table = sheet.tags

    @lru_cache(maxsize=512)
    def remembered(key: tuple[tuple[int, bytes], ...]) -> PoseFit | None:
        tags = [TagSeen(tag, np.frombuffer(corners).reshape(4, 2)) for tag, corners in key]
        try:
            return pose_from_tags(
                tags,
                centres_mm=table.places_mm,
                side_mm=table.side_mm,
                camera=camera,
                file=film.file,
                width_px=film.shape[1],
            )
        except RefusedError:
            return None

    def fit(tags: list[TagSeen]) -> PoseFit | None:
        return remembered(tuple((t.id, np.asarray(t.corners_px, float).tobytes()) for t in tags))

    return fit


def _is_blurred(film: Film, k: int) -> bool:
    own = film.blur_px[k]
    near = [
        blur
        for moment, blur in zip(film.moments, film.blur_px, strict=True)
        if abs(moment.time_s - film.moments[k].time_s) <= NEAR_S and np.isfinite(blur)
    ]
    if not np.isfinite(own) or not near:
        return True
    return own > THRESHOLDS["blur_px"] or (own > 1.0 and own > BLURRED * min(near))


def _no_tags(film: Film, usable: int) -> RefusedError:
    return RefusedError(
        f"{film.file}: too few frames show where the camera was",
        found=f"tags in {len(film.moments)} of {film.frames} frames, three and more beside each other in {usable}",
        allowed=f"three of the panel's tags in at least {LEAST_SEEN} frames and their neighbours",
        cure="keep the whole panel in the picture while you walk, hold the phone steady, and add light so that "
        "frames are sharp",
    )


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
        fit=_fit(sheet, film, camera),
    )
    if found is None:
        raise RefusedError(
            f"{still.name}: how the camera moved in it is not known",
            found="no pose in the frames about it",
            allowed="three tags in the frames before and after",
            cure="walk more slowly",
        )
    return Station(photo, camera, found, film.moments[still.number].tags, source)
