"""A shot in step with a television: whose screen it is, its photos judged as they come, and the job they make.

What belongs to it is kept with the job under ``more()["screen"]``, as plain values, so that a reload loses nothing.
"""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import surfscan
from surfscan.core.records import Photo
from surfscan.job.photos import read_photo
from surfscan.screen.remembered import keep_scale, scale_kept
from surfscan.screen.set_board import Scale, SetBoard
from surfscan.screen.shot import Shot
from surfscan.ui import job_files, limits, looks, session
from surfscan.ui.desk import FOLDER, PhotoFile, without_folder
from surfscan.ui.sets import SETS, SetSeen

__all__ = [
    "active",
    "board",
    "choose",
    "chosen",
    "fits",
    "lens_wanted",
    "measured",
    "remember",
    "restart",
    "retake",
    "shot",
    "show_on_set",
    "start",
    "take",
    "tell_lens",
    "told",
]

_HELD = "screen"


def _held() -> dict[str, Any]:
    held: dict[str, Any] = session.more().setdefault(_HELD, {})
    return held


def chosen() -> SetSeen | None:
    """The screen that somebody chose for this job, as it is now; None without one, or when it is gone."""
    number = (session.more().get(_HELD) or {}).get("set")
    return SETS.seen(number) if number else None


def choose(number: int) -> None:
    """Take this screen for the job, in place of another."""
    old = (session.more().get(_HELD) or {}).get("set")
    if old and old != number:
        SETS.leave(old, session.job_id())
    _held()["set"] = number
    SETS.take(number, session.job_id())


def measured(seen: SetSeen) -> Scale | None:
    """What a pixel of the screen measures, if anybody has told."""
    return scale_kept(seen.name, seen.glass)


def remember(seen: SetSeen, scale: Scale) -> None:
    """Keep it on this computer.

    Raises
    ------
    RefusedError
        When it can't be written.
    """
    keep_scale(seen.name, seen.glass, scale)


def start(seen: SetSeen, scale: Scale, pattern: str) -> None:
    """The job is shot before this screen: no photo is there yet."""
    made = SetBoard(*seen.size, scale, pattern)
    held = _held()
    held |= {
        "set": seen.number,
        "pattern": pattern,
        "size": list(seen.size),
        "pixel_mm": scale.pixel_mm,
        "u_rel": scale.u_rel,
        "shot": Shot(made.count).values(),
        "told": {},
    }
    SETS.take(seen.number, session.job_id())
    session.use_setup({"board": made.tables()}, "screen")
    session.job()["panel"].pop("size_mm", None)  # judged is what lies between the tags
    _keep([], [])


def active() -> bool:
    """Whether the job's photos are taken before a screen; one that is no longer is let go."""
    held = session.more().get(_HELD) or {}
    if "shot" not in held:
        return False
    if session.confirmed() != "screen":
        SETS.leave(held["set"], session.job_id())
        del session.more()[_HELD]
        return False
    return True


def board() -> SetBoard:
    """The screen as the board of this job."""
    held = _held()
    width, height = held["size"]
    return SetBoard(width, height, Scale(held["pixel_mm"], held["u_rel"]), held["pattern"])


def fits(seen: SetSeen) -> bool:
    """Whether the screen's picture has the size that it had when the shot began."""
    return list(seen.size) == _held()["size"]


def shot() -> Shot:
    """Where the job's shot is; from the beginning when its photos are no longer here."""
    found = Shot.of(_held()["shot"])
    if len(found.good) != len(session.photos()) + len(session.extras()):
        found = found.restart("the photos are no longer here: bring or take them again")
        _put(found)
    return found


def told(k: int) -> str:
    """What was seen in photo `k`."""
    return str(_held()["told"].get(str(k), ""))


def _put(found: Shot) -> None:
    _held()["shot"] = found.values()


def retake(k: int | None) -> None:
    """Somebody wants a photo again, or with None no longer."""
    found = shot()
    _put(found.keep() if k is None else found.retake(k))


def restart(said: str) -> None:
    """From the first photo, for this reason, with the screen's picture as it is now."""
    seen = chosen()
    held = _held()
    if seen is not None and seen.size != (0, 0):
        lens, camera = held.get("lens"), session.job().get("camera") or {}
        scale = measured(seen) or Scale(held["pixel_mm"], held["u_rel"])
        start(seen, scale, held["pattern"])
        held["lens"], session.job()["camera"] = lens, camera
    _put(Shot(board().count).restart(said))


def show_on_set(seen: SetSeen) -> None:
    """Tell the screen what to show for the photo that is wanted; nothing once all are there."""
    found, made = shot(), board()
    k = found.wanted
    if k is None:
        SETS.leave(seen.number, session.job_id())
        return
    if not seen.owner:
        SETS.take(seen.number, session.job_id())
    words = f"Photo {k + 1} of {made.count}: {made.words(k)}."
    if found.said:
        words = f"Once more, {words[0].lower()}{words[1:]} What to do: {found.said}."
    SETS.show(seen.number, session.job_id(), made.told(k), seen.size, words)


def take(data: bytes, name: str) -> None:
    """Judge the photo that was wanted; a good one is the job's, and the screen moves on.

    Raises
    ------
    RefusedError
        With the cure: the photo was not taken up, and the screen stays.
    """
    found, seen = shot(), chosen()
    k = found.wanted
    if k is None:
        return
    try:
        if seen is None or seen.owner != session.job_id() or not seen.shows:
            raise surfscan.RefusedError(
                "The screen did not show the picture for this photo yet",
                found="no word of it from the screen",
                allowed="a photo taken while the screen shows what it is for",
                cure="wait until the screen shows it, and take the photo then",
            )
        _judge(data, name, k)
    except surfscan.SurfscanError as error:
        _put(found.took(cure=looks.in_words(error.cure.rstrip(".")) or "take it again"))
        raise
    _put(found.took())


def _judge(data: bytes, name: str, k: int) -> None:
    """See whether photo `k` is good, and make it the job's."""
    taken = session.photos()
    others = [photo for j, photo in enumerate([*session.extras(), *taken]) if j != k]
    limits.check_total([len(data), *(len(photo.data) for photo in others)])
    shown = limits.shown_name(name)
    limits.check_photo(data, shown)
    digest = hashlib.sha256(data).hexdigest()
    if digest in {photo.sha256 for photo in others}:
        raise surfscan.RefusedError(
            "This photo is there already",
            found=shown,
            allowed="a new photo for each picture of the screen",
            cure="take a new photo now: the screen shows another picture",
        )
    ending = limits.file_ending(data)
    photo = PhotoFile(f"set-up{ending}" if k == 0 else f"photo-{k}{ending}", shown, digest, data)
    with tempfile.TemporaryDirectory(prefix=FOLDER) as folder:
        for each in (photo, *session.extras()):
            (Path(folder) / each.file).write_bytes(each.data)
        without_folder(lambda: (_set_up if k == 0 else _panel)(photo, k, Path(folder)), folder)


def _read(photo: PhotoFile, folder: Path) -> Photo:
    """The photo under its name in the sheet; without a focal length nothing can be told from it."""
    read = replace(read_photo(folder / photo.file, photo.shown), file=photo.file)
    if read.focal_px is None and not session.job().get("camera"):
        _held()["lens"] = True
        raise surfscan.RefusedError(
            "The photo does not say the focal length of its lens",
            found="a photo without its EXIF, as messengers and edits leave it",
            allowed="the photo as the camera made it, or the focal length typed",
            cure="bring the photo straight from the camera, or type the focal length below",
        )
    return read


def lens_wanted() -> bool:
    """Whether a photo came without the focal length of its lens."""
    return bool(_held().get("lens"))


def tell_lens(focal_35mm: float) -> None:
    """The focal length of the job's lens, as for 35 mm film."""
    session.job()["camera"] = {"focal_35mm": focal_35mm}


def _set_up(photo: PhotoFile, k: int, folder: Path) -> None:
    from surfscan.screen.judging import judge_setup, kit_seen, set_tables

    made = board()
    read = _read(photo, folder)
    kit = kit_seen(read)
    table = {**made.tables(), "setup_photo": photo.file}
    tables = {**session.job(), **set_tables(kit, table, u_rel=made.scale.u_rel)}
    found = judge_setup(read, _sheet(tables, session.photos()))
    session.job().update(set_tables(kit, table, u_rel=made.scale.u_rel, far_mm=found.far_mm))
    _held()["told"][str(k)] = found.words
    _keep(session.photos(), [photo])


def _panel(photo: PhotoFile, k: int, folder: Path) -> None:
    from surfscan.screen.judging import judge_photo

    taken = [*session.photos()]
    taken[k - 1 : k] = [photo]
    setup = session.extras()[0]
    photos = [_read(one, folder) for one in (photo, setup)]
    checks = judge_photo(photos[0], photos[1], _sheet(session.job(), taken), k - 1)
    poor = [check for check in checks if not check.good]
    if poor:
        raise surfscan.RefusedError(
            "; ".join(looks.in_words(check.sentence) for check in poor),
            found=photo.shown,
            allowed="a photo that can be measured",
            cure="; ".join(dict.fromkeys(looks.in_words(check.cure) for check in poor if check.cure)),
        )
    _held()["told"][str(k)] = "; ".join(looks.in_words(check.sentence) for check in checks)
    _keep(taken, session.extras())


def _sheet(tables: dict[str, Any], taken: list[PhotoFile]) -> surfscan.Sheet:
    """The job's sheet as it will be once all photos are there."""
    made = board()
    names = [taken[j].file if j < len(taken) else f"photo-{j + 1}.jpg" for j in range(made.count - 1)]
    return job_files.checked_sheet(job_files.sheet_text({**tables, "photo": made.rows(names)}))


def _keep(taken: list[PhotoFile], more: list[PhotoFile]) -> None:
    session.job()["photo"] = board().rows([photo.file for photo in taken])
    session.keep_photos(taken, more)
    session.forget_result()
