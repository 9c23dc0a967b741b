"""Which frames of a video become photos of a sweep: sharp ones, from well-spread places.

Every frame is decoded, looked at for tags and sharpness, and dropped. From the tags it is told how the camera moved
and how long a read-out takes (`surfscan.optics.shutter`); then the few frames that show most are decoded again.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterator, Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace

import numpy as np

from surfscan.checking.film import Film, Fit, Still, film_fit
from surfscan.checking.film_choice import choose
from surfscan.checking.stations import camera_of
from surfscan.core.aside import end_aside
from surfscan.core.errors import RefusedError
from surfscan.core.photo_limits import THRESHOLDS
from surfscan.core.records import Camera, Photo, TagSeen
from surfscan.job.photo_quality import edge_blur
from surfscan.job.sheet import Sheet
from surfscan.job.sheet_tables import PhotoSheet
from surfscan.job.tags import find_tags
from surfscan.job.video_file import is_video
from surfscan.job.videos import Frame, digest, frame_photo, frames_of, open_video
from surfscan.optics.shutter import Moment, fit_readout
from surfscan.optics.steadiness import lens_drift
from surfscan.optics.survey import Shot, survey_tags

__all__ = ["film_photos"]

LEFT_OUT = (
    "fewer than three tags in them or beside them",
    "blurred",
    "misread, or showing what another shows as well",
)
"""Why frames are not used."""

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

MISREAD = 2.5
"""Misfit of a frame's tags, against the usual one, past which one of them was misread."""

STEADY_S = 0.1
"""Time between frames that are held against each other for stabilisation."""

STEADY_FRAMES = 80

MOST_DRIFT = 3.0
"""Variance of the lens against what corners explain: 0.6 to 0.7 of rendered walks, also with tags laid 0.5 mm off;
4, 7 and more with frames shifted by 4, 10 and 40 px (`tests/bench/FIGURES.md`)."""

Tell = Callable[[str, float], None]


def film_photos(sheet: Sheet, tell: Tell, *, why: str = "") -> tuple[Sheet, Mapping[str, Still]]:
    """Choose the frames of a sheet's videos, as photos of a sweep.

    Parameters
    ----------
    sheet : Sheet
    tell : callable
        Told what goes on, and a share from 0 to 1.
    why : str
        Why the sheet gives no scale, where it gives none.

    Returns
    -------
    Sheet
        With an entry for each frame in place of each video.
    mapping of str to Still
        Those frames by name.

    Raises
    ------
    RefusedError
        A video that can't be read or used, or shows no tags, or one of a job without a scale.
    """
    if why:
        raise RefusedError(
            "A video needs a job that has a scale",
            found=why,
            allowed="tags, and where the board stands",
            cure="add them to the sheet, or look at photos instead",
        )
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


def _chosen(sheet: Sheet, row: PhotoSheet, tell: Tell) -> list[Still]:
    """A video's frames that are worth reading."""
    path = sheet.folder / row.file
    film = Film(row.file, "", open_video(path, row.file), row)
    film.sha256 = digest(path)
    _look_through(film, sheet, lambda share: tell(f"decoding {row.file}", 0.8 * share))
    camera, _ = camera_of(sheet, film.as_photo())
    tell(f"finding how the camera moved in {row.file}", 0.8)
    placed = _with_places(sheet, film, camera)
    fit = film_fit(placed, film, camera)
    whole = [k for k in range(len(film.moments)) if film.still(k, camera) is not None]
    if len(whole) < LEAST_SEEN:
        raise _no_tags(film, len(whole))
    film.readout = fit_readout(
        film.moments,
        _spread(whole, FITTED),
        clock=film.clock(camera),
        interval_s=film.header.interval_s,
        fit=fit,
    )
    _check_steady(placed, film, camera, whole, fit)
    tell(f"choosing frames of {row.file}", 0.9)
    sharp = [k for k in whole if not _is_blurred(film, k)]
    # How the camera was going is told from both sides.
    amid = [k for k in sharp if k - 1 in whole and k + 1 in whole]
    fits = {k: fit(film.still(k, camera) or []) for k in _spread(amid, LOOKED_AT)}
    good = {k: found for k, found in fits.items() if found is not None}
    usual = float(np.median([found.pose.reprojection_px for found in good.values()])) if good else 0.0
    candidates = {k: found for k, found in good.items() if found.pose.reprojection_px <= MISREAD * usual}
    if not candidates:
        raise _no_tags(film, len(amid))
    picks = choose(sheet, candidates, blur_px={k: film.blur_px[k] for k in candidates})
    film.left_out = {
        LEFT_OUT[0]: film.frames - len(whole),
        LEFT_OUT[1]: len(whole) - len(sharp),
        LEFT_OUT[2]: len(sharp) - len(picks),
    }
    again = frames_of(path, row.file, film.header, [film.numbers[k] for k in picks])
    return [
        Still(f"{row.file} at {film.moments[k].time_s:.2f} s", film, k, frame)
        for k, frame in zip(picks, again, strict=False)
    ]


def _look_through(film: Film, sheet: Sheet, tell: Callable[[float], None]) -> None:
    """Decode all frames, and keep where their tags are and how sharp these are."""

    def look(frame: Frame) -> tuple[Frame, list[TagSeen], float]:
        photo = frame_photo(frame, film.file, encoding=film.row.encoding)
        tags = _panel_tags(sheet, photo)
        blur = edge_blur(photo, tags) if tags else (np.nan, np.nan)
        return replace(frame, grey=frame.grey[:0]), tags, float(np.max(blur))

    many = len(film.header.times_s)
    for frame, tags, blur in _ahead(
        frames_of(sheet.folder / film.row.file, film.file, film.header), look, film
    ):
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
    shots = []
    for k in _spread(list(range(1, len(film.moments) - 1)), SURVEYED):
        still = film.still(k, camera)
        if still is not None:
            shots.append(Shot(f"{film.file} {k}", film.shape[1], camera, tuple(still)))
    if not shots:
        raise _no_tags(film, 0)
    found = survey_tags(shots, side_mm=sheet.tags.side_mm, u_focal_rel=camera.u_focal_rel)
    places = {tag: tuple(float(v) for v in c) for tag, c in zip(found.ids, found.centres_mm, strict=True)}
    flat = {tag: (c[0], c[1]) for tag, c in places.items()}
    heights = {tag: c[2] for tag, c in places.items()}
    tags = sheet.tags.model_copy(update={"centres_mm": flat, "heights_mm": heights})
    return sheet.model_copy(update={"tags": tags})


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


def _check_steady(sheet: Sheet, film: Film, camera: Camera, whole: list[int], fit: Fit) -> None:
    """Refuse a stabilised video.

    Raises
    ------
    RefusedError
    """
    assert sheet.tags is not None
    picks = whole[:: max(1, round(STEADY_S / film.header.interval_s))][:STEADY_FRAMES]
    stills = [still for still in (film.still(k, camera) for k in picks) if still]
    found = [(still, placed) for still in stills if (placed := fit(still)) is not None]
    drift = lens_drift(found, centres_mm=sheet.tags.places_mm, side_mm=sheet.tags.side_mm, camera=camera)
    if drift > MOST_DRIFT:
        raise RefusedError(
            f"{film.file} looks stabilised: its frames do not come from one fixed lens",
            found=f"a lens that wanders from frame to frame by {drift**0.5:.1f} times what the tags' corners explain",
            allowed=f"up to {MOST_DRIFT**0.5:.1f} times",
            cure="switch off the camera's video stabilisation ('steady', 'action', 'enhanced'), do not crop or edit "
            "the file, and film again; or take photos",
        )


def _no_tags(film: Film, usable: int) -> RefusedError:
    return RefusedError(
        f"{film.file}: too few frames show where the camera was",
        found=f"tags in {len(film.moments)} of {film.frames} frames, three and more beside each other in {usable}",
        allowed=f"three of the panel's tags in at least {LEAST_SEEN} frames and their neighbours",
        cure="keep the whole panel in the picture while you walk, hold the phone steady, and add light so that "
        "frames are sharp",
    )
