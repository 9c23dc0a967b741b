"""A job folder looked at before it is checked: are the photos there, good, and what the sheet says they are?

No height is computed; each photo is looked at as by `first_look`, then all of them side by side.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path

import numpy as np

from surfscan.core.errors import SurfscanError
from surfscan.core.records import Photo
from surfscan.job.file_kinds import PHOTO_ENDINGS
from surfscan.job.photos import read_photo
from surfscan.job.sheet import Sheet, load_sheet
from surfscan.job.tag_mirror import mirror_alike
from surfscan.job.video_file import VIDEO_ENDINGS, is_video
from surfscan.job.videos import open_video
from surfscan.look.first_look import FirstLook, look_at

__all__ = ["Finding", "check_folder", "photo_files", "seen_ways"]

_ENDINGS = (*PHOTO_ENDINGS, *VIDEO_ENDINGS)
_ZOOMED = 0.02  # EXIF focal lengths farther apart than this were taken with another zoom
_STOOD = 0.002  # of its distance: a camera on a stand is found in one place within this


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing about the folder.

    Attributes
    ----------
    where : str
        "photo 2, stripes-up.jpg", "photos 1 and 2", or "folder".
    good : bool
        Whether it may stay so.
    sentence, cure : str
    """

    where: str
    good: bool
    sentence: str
    cure: str = ""


def photo_files(folder: Path) -> list[str]:
    """Names of the photos in a folder, sorted."""
    if not folder.is_dir():
        return []
    return sorted(p.name for p in folder.iterdir() if p.suffix.lower() in _ENDINGS and p.is_file())


def check_folder(
    folder: Path | str, *, progress: Callable[[str, float], None] = lambda stage, fraction: None
) -> tuple[Finding, ...]:
    """Check a folder of photos against its sheet.

    Parameters
    ----------
    folder : path
        With `panel.toml`; photos may be missing.
    progress : callable, optional
        Told a stage and a fraction.

    Returns
    -------
    tuple of Finding
        For every photo at least one, what it is or what is wrong.

    Raises
    ------
    RefusedError
        When the sheet itself is refused.
    """
    folder = Path(folder)
    sheet = load_sheet(folder, need_photos=False)
    found: list[Finding] = []
    photos: dict[int, Photo] = {}
    looks: dict[int, FirstLook] = {}
    there = photo_files(folder)
    for k, row in enumerate(sheet.photos):
        progress(f"looking at photo {k + 1} of {len(sheet.photos)}", k / len(sheet.photos))
        where = f"photo {k + 1}, {row.file}"
        if not (folder / row.file).is_file():
            found.append(_missing(where, row.file, there))
            continue
        if is_video(row.file):
            found.append(_of_video(folder, row.file, where))
            continue
        try:
            photos[k] = read_photo(folder / row.file, row.file, encoding=row.encoding)
        except SurfscanError as error:
            found.append(_told(where, error))
            continue
        lacks = _focal_lacks(sheet, photos[k], where)
        if lacks:
            found.append(lacks)
            continue
        try:
            looks[k] = look_at(photos[k], sheet=sheet, row=k)
        except SurfscanError as error:
            found.append(_told(where, error))
            continue
        poor = [check for check in looks[k].checks if not check.good]
        found += [Finding(where, False, check.sentence, check.cure) for check in poor]
        if not poor:
            found.append(Finding(where, True, "; ".join(c.sentence for c in looks[k].checks)))
    found += _alike_in_a_mirror(sheet)
    found += _side_by_side(sheet, photos)
    found += _directions(sheet, photos, looks)
    found += _stands(sheet, looks)
    named = {row.file for row in sheet.photos} | {sheet.board.setup_photo if sheet.board else None}
    spare = [name for name in there if name not in named]
    if spare:
        shown = ", ".join(spare[:4]) + (" and more" if len(spare) > 4 else "")
        found.append(Finding("folder", True, f"not named in the sheet: {shown}"))
    return tuple(found)


def _alike_in_a_mirror(sheet: Sheet) -> list[Finding]:
    """Tags whose reflection reads as the tag itself."""
    if sheet.tags is None:
        return []
    alike = sorted(mirror_alike(sheet.tags.dictionary) & set(sheet.tags.centres_mm))
    if not alike:
        return []
    numbers = f"tag{'s' if len(alike) > 1 else ''} {', '.join(map(str, alike))} of {sheet.tags.dictionary}"
    what = f"{numbers}: a reflection reads as the tag itself, and may be taken for it"
    return [Finding("tags.centres_mm", False, what, "print tags of other numbers")]


def _of_video(folder: Path, file: str, where: str) -> Finding:
    """What a video's header says; its frames are looked at when it is checked."""
    try:
        header = open_video(folder / file, file)
    except SurfscanError as error:
        return _told(where, error)
    kind = {"h264": "H.264", "hevc": "HEVC"}[header.codec]
    size = f"{len(header.times_s)} frames of {header.width} x {header.height}"
    return Finding(where, True, f"a video of {header.times_s[-1]:.1f} s, {size} in {kind}")


def _missing(where: str, file: str, there: list[str]) -> Finding:
    same = [name for name in there if name.lower() == file.lower()]
    near = same or get_close_matches(file, there, n=1, cutoff=0.5)
    cure = (
        f"copy it there, or is it {near[0]}? Correct the name then (capitals count)"
        if near
        else "copy it there"
    )
    return Finding(where, False, "the photo is not there", cure)


def _told(where: str, error: SurfscanError) -> Finding:
    what = error.what.split(": ", 1)[-1].rstrip(".")
    return Finding(
        where, False, what + (f" (found {error.found.rstrip('.')})" if error.found else ""), error.cure
    )


def _focal_lacks(sheet: Sheet, photo: Photo, where: str) -> Finding | None:
    camera = sheet.camera
    given = camera.focal_px or camera.focal_35mm or camera.lens_file
    if (
        given
        or photo.focal_px is not None
        or (all(row.corners_px is None for row in sheet.photos) and not sheet.tags)
    ):
        return None
    cure = "give camera.focal_35mm, which phone makers publish (often 24 to 28), or send the photo as the phone made it"
    return Finding(where, False, "it has no EXIF focal length, and the sheet gives none", cure)


def _side_by_side(sheet: Sheet, photos: dict[int, Photo]) -> list[Finding]:
    """Sizes, doubles and zooms."""
    found, numbers = [], sorted(photos)
    for i, k in enumerate(numbers):
        for other in numbers[:i]:
            if photos[k].sha256 == photos[other].sha256:
                pair = f"photos {other + 1} and {k + 1}"
                found.append(Finding(pair, False, "they are the same photo twice", "copy the other one"))
    if numbers:
        first = photos[numbers[0]]
        for k in numbers[1:]:
            pair = f"photos {numbers[0] + 1} and {k + 1}"
            size, other_size = (p.image.shape[::-1] for p in (first, photos[k]))
            if size != other_size:
                found.append(
                    Finding(
                        pair, False, f"their sizes differ: {size[0]} x {size[1]} and {other_size[0]} x {other_size[1]}",
                        "take all with one camera, held the same way, and send them as they are",
                    )
                )  # fmt: skip
            elif first.focal_px and photos[k].focal_px:
                ratio = photos[k].focal_px / first.focal_px  # type: ignore[operator]
                if abs(ratio - 1) > _ZOOMED:
                    cure = "take all without zoom"
                    found.append(Finding(pair, False, f"the second was zoomed by {ratio:.2f}", cure))
    return found


def seen_ways(folder: Path) -> list[str] | None:
    """Which way the stripes run in each photo of a job of two, as they are seen.

    Parameters
    ----------
    folder : Path
        With `panel.toml` and both photos.

    Returns
    -------
    list of "across" and "up", or None
        None where it can't be told, or where the job is another one.

    Raises
    ------
    RefusedError
        When the sheet or a photo is refused.
    """
    sheet = load_sheet(folder)
    if sheet.board is None or sheet.board.pattern != "stripes" or len(sheet.photos) != 2:
        return None
    photos = {
        k: read_photo(folder / row.file, row.file, encoding=row.encoding)
        for k, row in enumerate(sheet.photos)
    }
    try:
        looks = {k: look_at(photo, sheet=sheet, row=k) for k, photo in photos.items()}
    except SurfscanError:  # the check will say so
        return None
    return _ways(sheet, photos, looks)


def _ways(sheet: Sheet, photos: dict[int, Photo], looks: dict[int, FirstLook]) -> list[str] | None:
    """The direction of each of two photos of stripes, by looking again the other way where the sheet's is not seen."""
    if (
        sheet.board is None
        or sheet.board.pattern != "stripes"
        or len(sheet.photos) != 2
        or set(looks) != {0, 1}
    ):
        return None
    ways: list[str] = []
    for k, row in enumerate(sheet.photos):
        checks = {c.name: c.good for c in looks[k].checks}
        if "stripes" not in checks or row.varies is None:
            return None
        way: str = row.varies
        if not checks["stripes"]:
            other = "up" if row.varies == "across" else "across"
            rows = tuple(
                each.model_copy(update={"varies": other}) if j == k else each
                for j, each in enumerate(sheet.photos)
            )
            turned = look_at(photos[k], sheet=sheet.model_copy(update={"photos": rows}), row=k)
            if any(c.name == "stripes" and (c.good or "fine" in c.sentence) for c in turned.checks):
                way = other
        ways.append(way)
    return ways


def _directions(sheet: Sheet, photos: dict[int, Photo], looks: dict[int, FirstLook]) -> list[Finding]:
    """Two photos of stripes that show one direction, or are swapped."""
    ways = _ways(sheet, photos, looks)
    if ways is None:
        return []
    if ways[0] == ways[1]:
        cure = "turn the board by 90 degrees in its place and take the other photo"
        return [Finding("photos 1 and 2", False, f"these two show the same direction, {ways[0]}", cure)]
    if ways != [row.varies for row in sheet.photos]:
        return [Finding("photos 1 and 2", False, "the two are swapped", "swap `varies` of the two photos")]
    return []


def _stands(sheet: Sheet, looks: dict[int, FirstLook]) -> list[Finding]:
    """A series needs a camera that does not move."""
    series = any(row.lamp_mm is not None for row in sheet.photos) or (
        sheet.board is not None and sheet.board.pattern == "stepped"
    )
    posed = {k: look.station.fit.pose.centre_mm for k, look in looks.items() if look.station is not None}
    if not series or len(posed) < 2:
        return []
    middle = np.median(np.array(list(posed.values())), axis=0)
    reach = float(np.linalg.norm(middle))
    moved = {k: float(np.linalg.norm(place - middle)) for k, place in posed.items()}
    worst = max(moved, key=lambda k: moved[k])
    if moved[worst] <= max(_STOOD * reach, 1.0):
        return []
    return [
        Finding(
            f"photo {worst + 1}, {sheet.photos[worst].file}", False,
            f"the camera stood {moved[worst]:.0f} mm from where it stood for the others",
            "put the phone on a stand and take the whole series again",
        )
    ]  # fmt: skip
