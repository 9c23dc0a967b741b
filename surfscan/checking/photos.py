"""A job's photos: read two ahead, not too large together, all of one size."""

from __future__ import annotations

from collections import deque
from concurrent.futures import ThreadPoolExecutor

from surfscan.core.aside import end_aside
from surfscan.core.errors import RefusedError
from surfscan.core.records import Photo
from surfscan.job.photos import pixels_of, read_photo
from surfscan.job.sheet import Sheet
from surfscan.job.sheet_tables import PhotoSheet

__all__ = ["check_sizes", "read_photos"]

MOST_PIXELS = 500_000_000
"""Of all photos of a job together, which are held at once: 2.5 GB."""


def read_photos(sheet: Sheet, *, references: bool = False) -> list[Photo]:
    """The sheet's photos, or the reference of each."""

    def read(row: PhotoSheet) -> Photo:
        name = str(row.reference) if references else row.file
        return read_photo(sheet.folder / name, name, encoding=row.encoding)

    names = [str(row.reference) if references else row.file for row in sheet.photos]
    if len(names) > MOST_PIXELS // 100_000_000:  # fewer can't be too large together
        _see_total(sheet, names)
    photos = []
    with ThreadPoolExecutor(2) as pool:
        coming = deque(pool.submit(read, row) for row in sheet.photos[:2])
        for row in (*sheet.photos[2:], None, None)[: len(sheet.photos)]:  # two ahead, no more
            try:
                photos.append(coming.popleft().result())
            except KeyboardInterrupt:
                end_aside()  # or the pool would wait for a decoder that hangs
                raise
            if row is not None:
                coming.append(pool.submit(read, row))
    return photos


def _see_total(sheet: Sheet, names: list[str]) -> None:
    """Count the pixels that the photos' headers state, before any is decoded: they are held at once."""
    total = 0
    for k, name in enumerate(names, 1):
        total += pixels_of(sheet.folder / name, name)
        if total > MOST_PIXELS:
            raise RefusedError(
                "The photos are too large together",
                found=f"over {total / 1e6:.0f} megapixels in the first {k} of {len(names)}",
                allowed=f"up to {MOST_PIXELS / 1e6:.0f} megapixels in all",
                cure="save them smaller, 12 megapixels are plenty; or take fewer",
            )


def check_sizes(photos: list[Photo]) -> None:
    """One camera, one size: a cropped or shrunk photo has another focal length and another middle."""
    first = photos[0]
    for photo in photos[1:]:
        if photo.image.shape not in (first.image.shape, first.image.shape[::-1]):
            raise RefusedError(
                f"{photo.file} is not of the same size as {first.file}",
                found=f"{photo.image.shape[1]} x {photo.image.shape[0]} pixels",
                allowed=f"{first.image.shape[1]} x {first.image.shape[0]}, as the first",
                cure="take the photos of a job with one camera and setting, and do not crop them",
            )
