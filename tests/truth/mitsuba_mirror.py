"""A flat or dented mirror, its tags and a board, photographed by an independent renderer (Mitsuba 3).

Nothing of the package is used here. All that can be seen shines by itself (tags and board are textured lights) or
mirrors (a smooth coat on black), so that a few stratified samples a pixel give a picture without sampling noise
but that of edges.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import cv2
import mitsuba
import numpy as np

__all__ = ["Height", "lying", "photograph", "photograph_distorted", "stripes_texture", "tag_patch"]

Height = Callable[[np.ndarray, np.ndarray], tuple[np.ndarray, np.ndarray, np.ndarray]]
"""z, dz/dx and dz/dy at places (x, y), mm."""


def tag_patch(tag: int, texels_per_cell: int = 16, *, dictionary: str = "4x4_50") -> np.ndarray:
    """A tag with one white cell around it, row 0 at the top, 1 white."""
    family = cv2.aruco.getPredefinedDictionary(getattr(cv2.aruco, f"DICT_{dictionary.upper()}"))
    bits = (cv2.aruco.generateImageMarker(family, tag, _cells(dictionary)) > 127).astype(np.float32)
    return np.kron(np.pad(bits, 1, constant_values=1.0), np.ones((texels_per_cell, texels_per_cell)))


def _cells(dictionary: str) -> int:
    return int(dictionary[0]) + 2


def stripes_texture(
    size_mm: tuple[float, float],
    period_mm: float,
    varies: str,
    *,
    tags: dict[int, tuple[float, float]] | None = None,
    tag_side_mm: float = 90.0,
    texels_per_mm: float = 1.0,
    dictionary: str = "4x4_50",
) -> np.ndarray:
    """Smooth stripes (across, up or crossed) with tags over them, row 0 at the board's lower edge, 0.05 to 1."""
    w, h = size_mm
    nx, ny = round(w * texels_per_mm), round(h * texels_per_mm)
    a, b = (np.arange(nx) + 0.5) / texels_per_mm, (np.arange(ny) + 0.5) / texels_per_mm
    waves = [np.cos(2 * np.pi * s / period_mm) for s in (a[None], b[:, None])]
    wave = {"across": waves[0], "up": waves[1], "crossed": 0.5 * (waves[0] + waves[1])}[varies]
    out = np.broadcast_to(0.525 + 0.475 * wave, (ny, nx)).copy()
    for tag, (ca, cb) in (tags or {}).items():
        reach = tag_side_mm * (1 + 2 / _cells(dictionary)) / 2
        patch = tag_patch(tag, dictionary=dictionary)[
            ::-1
        ]  # its row 0 is the upper edge, the texture's the lower one
        side = round(2 * reach * texels_per_mm)
        left, low = (round((c + half / 2 - reach) * texels_per_mm) for c, half in ((ca, w), (cb, h)))
        out[low : low + side, left : left + side] = 0.05 + 0.95 * cv2.resize(
            patch, (side, side), interpolation=cv2.INTER_AREA
        )
    return out


def lying(x: float, y: float, turn_deg: float, height: Height | None) -> np.ndarray:
    """(3, 4): axes and middle of a tag that lies on a shape, turned anticlockwise by so many degrees."""
    z, p, q = (0.0, 0.0, 0.0) if height is None else (float(v) for v in height(np.array(x), np.array(y)))
    t = np.radians(turn_deg)
    normal = np.array([-p, -q, 1.0]) / np.sqrt(1 + p * p + q * q)
    along = np.array([np.cos(t), np.sin(t), p * np.cos(t) + q * np.sin(t)])
    along /= np.linalg.norm(along)
    return np.column_stack([along, np.cross(normal, along), normal, [x, y, z]])


def photograph(
    *,
    eye: np.ndarray,
    target: np.ndarray,
    pixels: tuple[int, int],
    focal_px: float,
    panel_mm: tuple[float, float],
    height: Height | None,
    z_mm: float,
    tags: dict[int, tuple[float, ...]],
    tag_side_mm: float,
    board: dict[str, Any],
    texture: np.ndarray,
    tag_light: float = 0.3,
    spp: int = 16,
    dictionary: str = "4x4_50",
) -> np.ndarray:
    """One photo in linear light, (H, W) float32.

    `board` holds centre, across, up, size (mm) and sag: the bulge sag * (1 - (2a/width)^2) towards its front.
    The mirror lies at `z_mm` over the plane of the tags; `height` is its shape over that. A tag is (x, y), flat in the
    plane, or (x, y, turn in degrees), lying on the shape.
    """
    mi: Any = mitsuba
    mi.set_variant("scalar_rgb")
    scene: dict[str, Any] = {"type": "scene", "mirror": _mirror(mi, panel_mm, height, z_mm)}
    scene["board"] = _board(mi, board, texture)
    for tag, (x, y, *turn) in tags.items():
        reach = tag_side_mm * (1 + 2 / _cells(dictionary)) / 2
        place = np.diag([reach, reach, 1.0, 1.0])
        place[:3, 3] = [x, y, 0.01 if z_mm == 0 else 0.0]
        if turn:
            place[:3, 3] = 0.0
            place[:3] = lying(x, y, turn[0], height) @ place
            place[:3, 3] += 0.05 * place[:3, 2]
        scene[f"tag{tag}"] = {
            "type": "rectangle",
            "to_world": mi.ScalarTransform4f(place),
            "light": _light(mi, tag_light * (0.05 + 0.95 * tag_patch(tag, dictionary=dictionary)[::-1])),
        }
    scene["sensor"] = {
        "type": "perspective",
        "fov": float(np.rad2deg(2 * np.arctan(pixels[0] / 2 / focal_px))),
        "fov_axis": "x",
        "near_clip": 10.0,
        "far_clip": 20000.0,
        "to_world": mi.ScalarTransform4f().look_at(
            origin=[float(v) for v in eye], target=[float(v) for v in target], up=[0.0, 1.0, 0.0]
        ),
        "film": {
            "type": "hdrfilm",
            "width": pixels[0],
            "height": pixels[1],
            "rfilter": {"type": "box"},
            "pixel_format": "luminance",
        },
        "sampler": {"type": "stratified", "sample_count": spp},
    }
    direct = mi.load_dict({"type": "direct", "emitter_samples": 0, "bsdf_samples": 1})
    picture: np.ndarray = np.array(mi.render(mi.load_dict(scene), integrator=direct, seed=7))[..., 0]
    return picture


def photograph_distorted(k1: float, **scene: Any) -> np.ndarray:
    """The same by a lens with radial distortion k1 (OpenCV's sense), resampled from a picture twice as fine."""
    width, height = scene["pixels"]
    focal, fine = scene["focal_px"], 2
    margin = 1.15  # a barrel shows more than the pinhole
    wide = (round(width * fine * margin), round(height * fine * margin))
    ideal = photograph(**{**scene, "pixels": wide, "focal_px": focal * fine})
    c, r = np.meshgrid(
        (np.arange(width * fine) + 0.5) / fine - 0.5, (np.arange(height * fine) + 0.5) / fine - 0.5
    )
    xd, yd = (c - (width - 1) / 2) / focal, (r - (height - 1) / 2) / focal
    x, y = xd, yd
    for _ in range(40):
        scale = 1 + k1 * (x * x + y * y)
        x, y = xd / scale, yd / scale
    column = (x * focal * fine + (wide[0] - 1) / 2).astype(np.float32)
    row = (y * focal * fine + (wide[1] - 1) / 2).astype(np.float32)
    seen = cv2.remap(ideal.astype(np.float32), column, row, cv2.INTER_CUBIC)
    return np.asarray(cv2.resize(seen, (width, height), interpolation=cv2.INTER_AREA))


def _light(mi: Any, radiance: np.ndarray) -> dict[str, Any]:
    bitmap = mi.Bitmap(np.ascontiguousarray(radiance[..., None].astype(np.float32)))
    return {
        "type": "area",
        "radiance": {"type": "bitmap", "bitmap": bitmap, "raw": True, "filter_type": "bilinear"},
    }


def _grid_mesh(mi: Any, name: str, x: np.ndarray, y: np.ndarray, props: Any) -> tuple[Any, Any]:
    ny, nx = x.shape
    mesh = mi.Mesh(
        name,
        nx * ny,
        2 * (nx - 1) * (ny - 1),
        has_vertex_normals=True,
        has_vertex_texcoords=True,
        props=props,
    )
    i = (np.arange(ny - 1)[:, None] * nx + np.arange(nx - 1)).ravel()
    faces = np.concatenate([np.stack([i, i + 1, i + nx], -1), np.stack([i + 1, i + nx + 1, i + nx], -1)])
    params = mi.traverse(mesh)
    params["faces"] = faces.ravel().astype(np.uint32)
    return mesh, params


def _mirror(mi: Any, size: tuple[float, float], height: Height | None, z_mm: float) -> Any:
    coat = {"type": "plastic", "int_ior": 1.5, "ext_ior": 1.0, "diffuse_reflectance": 0.0}
    w, h = size
    if height is None:
        place = np.diag([w / 2, h / 2, 1.0, 1.0])
        place[2, 3] = z_mm
        return {"type": "rectangle", "to_world": mi.ScalarTransform4f(place), "bsdf": coat}
    x, y = np.meshgrid(np.linspace(-w / 2, w / 2, int(w) + 1), np.linspace(-h / 2, h / 2, int(h) + 1))
    z, p, q = height(x, y)
    props = mi.Properties()
    props["bsdf"] = mi.load_dict(coat)
    mesh, params = _grid_mesh(mi, "mirror", x, y, props)
    normals = np.stack([-p, -q, np.ones_like(p)], -1)
    normals /= np.linalg.norm(normals, axis=-1, keepdims=True)
    params["vertex_positions"] = np.stack([x, y, z + z_mm], -1).ravel().astype(np.float32)
    params["vertex_normals"] = normals.ravel().astype(np.float32)
    params["vertex_texcoords"] = np.zeros((x.size, 2), np.float32).ravel()
    params.update()
    return mesh


def _board(mi: Any, board: dict[str, Any], texture: np.ndarray) -> Any:
    w, h = board["size"]
    normal = np.cross(board["across"], board["up"])
    if not board.get("sag"):
        place = np.eye(4)
        place[:3, 0], place[:3, 1] = board["across"] * w / 2, board["up"] * h / 2
        place[:3, 2], place[:3, 3] = normal, board["centre"]
        return {"type": "rectangle", "to_world": mi.ScalarTransform4f(place), "light": _light(mi, texture)}
    a, b = np.meshgrid(np.linspace(-w / 2, w / 2, 301), np.linspace(-h / 2, h / 2, 11))
    props = mi.Properties()
    props["emitter"] = mi.load_dict(_light(mi, texture))
    props["bsdf"] = mi.load_dict({"type": "diffuse", "reflectance": 0.0})
    mesh, params = _grid_mesh(mi, "board", a, b, props)
    bulge = -board["sag"] * (2 * a / w) ** 2
    points = (
        board["centre"]
        + a[..., None] * board["across"]
        + b[..., None] * board["up"]
        + bulge[..., None] * normal
    )
    params["vertex_positions"] = points.ravel().astype(np.float32)
    params["vertex_normals"] = np.broadcast_to(normal, points.shape).ravel().astype(np.float32)
    params["vertex_texcoords"] = np.stack([a / w + 0.5, b / h + 0.5], -1).ravel().astype(np.float32)
    params.update()
    return mesh
