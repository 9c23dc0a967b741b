"""One pose for a series that a fixed camera took, or the photo that moved."""

from __future__ import annotations

import numpy as np

from surfscan.core.errors import RefusedError
from surfscan.core.reading import View
from surfscan.core.records import Pose
from surfscan.optics.lens import project

__all__ = ["common_pose"]

MOVED_PX = 1.5
"""Most that the panel may have shifted between two photos, at 1600 pixels of photo width: tags are found to a
few tenths of a pixel, and a shift of a cell would turn an albedo's edge into a ridge."""


def common_pose(views: list[View], *, size_mm: tuple[float, float]) -> Pose:
    """Average the poses of photos taken with a fixed camera.

    Parameters
    ----------
    views : list of View
    size_mm : (width, height)
        Of the panel, whose corners must stay put.

    Returns
    -------
    Pose

    Raises
    ------
    RefusedError
        When a photo's own pose shifts the panel against the others.
    """
    rotations = np.stack([view.pose.rotation for view in views])
    u, _, vt = np.linalg.svd(np.median(rotations, axis=0))
    shift = np.median([view.pose.shift_mm for view in views], axis=0)
    first = views[0].pose
    middle = Pose(u @ vt, shift, first.covariance / len(views), first.reprojection_px)
    w, h = size_mm[0] / 2, size_mm[1] / 2
    x, y = np.array([-w, w, w, -w]), np.array([-h, -h, h, h])
    fixed = np.stack(project(x, y, 0.0, camera=views[0].camera, pose=middle))
    for view in views:
        width = view.photo.image.shape[1]
        if view.photo.image.shape != views[0].photo.image.shape:
            raise RefusedError(
                f"{view.photo.file}: not of the same size as {views[0].photo.file}",
                found="{1} x {0}".format(*view.photo.image.shape),
                allowed="{1} x {0}".format(*views[0].photo.image.shape),
                cure="take all lamp photos with the same camera, on a stand",
            )
        own = np.stack(project(x, y, 0.0, camera=view.camera, pose=view.pose))
        moved = float(np.sqrt(np.mean(np.sum((own - fixed) ** 2, 0))))
        limit = MOVED_PX * max(1.0, width / 1600)
        if not moved <= limit:
            raise RefusedError(
                f"{view.photo.file}: the camera or the panel moved between the lamp photos",
                found=f"the panel shifted by {moved:.1f} px",
                allowed=f"{limit:.1f} px",
                cure="put the camera on a stand, move only the lamp, and shoot the series again",
            )
    w_mean = [view.pose for view in views]
    u, _, vt = np.linalg.svd(np.mean([p.rotation for p in w_mean], axis=0))
    return Pose(
        u @ vt,
        np.mean([p.shift_mm for p in w_mean], axis=0),
        first.covariance / len(views),
        float(np.mean([p.reprojection_px for p in w_mean])),
    )
