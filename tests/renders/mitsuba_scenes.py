"""Render the fixture jobs with Mitsuba 3, a general-purpose physically based renderer.

This script shares no code with the package: shapes, camera, board, tags, noise and sheet are written out
here once more, so that a mistake in the package's own renderer can't hide in its own test photos.

    python tests/renders/mitsuba_scenes.py [--variant llvm_ad_mono] [--out fixtures/jobs] NAME...

The panel is a triangle mesh with the exact normals at its vertices, under a smooth (or rough) dielectric
coat on a diffuse base; the board is a textured area light; the tags are part of the base's texture. The
reflection and the diffuse base are rendered apart and added, which the coated material allows, because
the reflection is then free of sampling noise.
"""

from __future__ import annotations

import argparse
import json
import time
from pathlib import Path

import cv2  # only for the tags' bits
import mitsuba as mi
import numpy as np
from PIL import Image
from scene_table import SCENES, complete, ring, slow_waves, total
from scipy.ndimage import gaussian_filter

TEXEL = 6  # texels per mm of the panel's texture
PAPER, TONER = 0.60, 0.04


# --- the scene for the renderer ------------------------------------------------------------------------


def lattice(parts, across, along, without=()):
    """Vertices, exact normals and triangles over lines of x and y, less the cells in boxes (left, right, low, high)."""
    nx, ny = len(across), len(along)
    x, y = np.meshgrid(across, along)
    z, p, q = total(parts, x, y)
    n = np.stack([-p, -q, np.ones_like(p)], -1)
    n /= np.linalg.norm(n, axis=-1, keepdims=True)
    there = np.ones((ny - 1, nx - 1), bool)
    for left, right, low, high in without:
        there[low:high, left:right] = False
    i = (np.arange(ny - 1)[:, None] * nx + np.arange(nx - 1))[there]
    faces = np.concatenate([np.stack([i, i + 1, i + nx], -1), np.stack([i + 1, i + nx + 1, i + nx], -1)])
    return np.stack([x, y, z], -1).reshape(-1, 3), n.reshape(-1, 3), faces


def mesh(s):
    """The panel as a mesh with exact vertex normals and texture places from x and y; fine where a small fault is."""
    (w, h), step = s["size"], s["step"]
    across, along = (np.linspace(-v / 2, v / 2, round(v / step) + 1) for v in (w, h))
    boxes = []
    for small in s.get("small", ()):
        (x, y), reach = small["at"], small["reach"]
        ends = [
            np.clip(
                [np.floor((v - reach - line[0]) / step), np.ceil((v + reach - line[0]) / step)],
                0,
                len(line) - 1,
            )
            for v, line in ((x, across), (y, along))
        ]
        boxes.append(tuple(int(v) for pair in ends for v in pair))
    pieces = [lattice(s["parts"], across, along, boxes)]
    for (left, right, low, high), small in zip(boxes, s.get("small", ()), strict=True):
        fine = [
            np.linspace(line[a], line[b], max(2, round((line[b] - line[a]) / small["step"])) + 1)
            for line, a, b in ((across, left, right), (along, low, high))
        ]
        pieces.append(lattice(s["parts"] + small["parts"], *fine))
    starts = np.cumsum([0] + [len(piece[0]) for piece in pieces])
    places, n = (np.concatenate([piece[k] for piece in pieces]) for k in (0, 1))
    faces = np.concatenate([piece[2] + start for piece, start in zip(pieces, starts, strict=False)])
    props = mi.Properties()
    props["bsdf"] = mi.load_dict(s["bsdf"])
    m = mi.Mesh(
        "panel", len(places), len(faces), has_vertex_normals=True, has_vertex_texcoords=True, props=props
    )
    params = mi.traverse(m)
    params["vertex_positions"] = (places - [0, 0, s["sag"]]).ravel().astype(np.float32)
    params["vertex_normals"] = n.ravel().astype(np.float32)
    params["vertex_texcoords"] = (places[:, :2] / [w, h] + 0.5).ravel().astype(np.float32)
    params["faces"] = faces.ravel().astype(np.uint32)
    params.update()
    return m


def base_texture(s):
    """Reflectance of base and paper, and where paper is; row 0 is the panel's lower edge."""
    w, h = s["size"]
    nx, ny = w * TEXEL, h * TEXEL
    x, y = (np.arange(nx) + 0.5) / TEXEL - w / 2, (np.arange(ny) + 0.5) / TEXEL - h / 2
    base = np.full((ny, nx), s["albedo"], dtype=np.float32)
    for px, py, pw, ph, albedo in s["patches"]:
        base[(2 * (x - px) / pw) ** 2 + (2 * (y[:, None] - py) / ph) ** 2 < 1] = albedo
    paper = np.zeros((ny, nx), dtype=np.float32)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_4X4_50)
    fine = 4  # samples per texel and direction at the tags' edges
    for tag, (cx, cy) in s["tags"].items():
        reach = s["side"] / 2 + s["border"]
        cols = np.flatnonzero(np.abs(x - cx) < reach + 1)
        rows = np.flatnonzero(np.abs(y - cy) < reach + 1)
        sub = (np.arange(fine) + 0.5) / fine - 0.5
        dx = ((x[cols] - cx)[:, None] + sub / TEXEL).ravel()
        dy = ((y[rows] - cy)[:, None] + sub / TEXEL).ravel()
        _, p, q = (float(v) for v in total(s["parts"], np.float64(cx), np.float64(cy)))
        # flat paper in the tangent plane: distances along it from those over x and y
        t1 = np.array([1, 0, p]) / np.hypot(1, p)
        t2 = np.cross([-p, -q, 1], t1) / np.sqrt(1 + p * p + q * q)
        dz = p * dx + q * dy[:, None]
        u, v = (t[0] * dx + t[1] * dy[:, None] + t[2] * dz for t in (t1, t2))
        on = (np.abs(u) <= reach) & (np.abs(v) <= reach)
        value = np.full(u.shape, PAPER)
        if tag not in s["covered"]:
            bits = cv2.aruco.generateImageMarker(dictionary, tag, 6)
            i, j = (
                np.floor((0.5 - v / s["side"]) * 6).astype(int),
                np.floor((u / s["side"] + 0.5) * 6).astype(int),
            )
            ok = (i >= 0) & (i < 6) & (j >= 0) & (j < 6)
            value = np.where(ok & (bits[np.clip(i, 0, 5), np.clip(j, 0, 5)] == 0), TONER, PAPER)
        cells = (len(rows), fine, len(cols), fine)
        share = on.reshape(cells).mean((1, 3))
        place = np.ix_(rows, cols)
        base[place] = np.where(
            share > 0, (value * on).reshape(cells).mean((1, 3)) / np.maximum(share, 1e-9), base[place]
        )
        paper[place] = np.maximum(paper[place], share)
    return base, paper


def texture(array, **kw):
    """A raw bitmap texture; its first row is at the lower edge (v = 0)."""
    bitmap = mi.Bitmap(np.ascontiguousarray(array[:, :, None].astype(np.float32)))
    return {"type": "bitmap", "bitmap": bitmap, "raw": True, "wrap_mode": "clamp", **kw}


def board_texture(s, shot):
    """Radiance over the board, row 0 at its lower edge."""
    (w, h), fine = s["board"]["size"], 10
    span = s["bright"] - s["dark"]
    if s["pattern"] == "dots":
        d, fine = shot["period"], 3
        a, b = (
            (np.arange(w * fine) + 0.5) / fine - w / 2,
            ((np.arange(h * fine) + 0.5) / fine - h / 2)[:, None],
        )
        r = np.hypot(a - d * np.round(a / d), b - d * np.round(b / d))
        return s["dark"] + span * np.clip((s["radius"] - r) * fine + 0.5, 0, 1)
    if s["pattern"] == "crossed":
        fine = 5
        waves = [np.cos(2 * np.pi * (np.arange(v * fine) + 0.5) / fine / shot["period"]) for v in (w, h)]
        a, b = ((t > 0) if s["square"] else 0.5 + 0.5 * t for t in waves)
        return (s["dark"] + span * 0.5 * (a[None, :].astype(np.float32) + b[:, None])).astype(np.float32)
    side = w if shot["varies"] == "across" else h
    at = (np.arange(side * fine) + 0.5) / fine
    wave = np.cos(2 * np.pi * at / shot["period"] + np.deg2rad(shot["phase"]))
    line = s["dark"] + span * ((wave > 0) if s["square"] and s["pattern"] == "stripes" else 0.5 + 0.5 * wave)
    return np.tile(line, (2, 1)) if shot["varies"] == "across" else np.tile(line[:, None], (1, 2))


def rectangle(b, radiance):
    """The board as a light that shines to the side of across x up."""
    place = np.eye(4)
    place[:3, 0], place[:3, 1] = b["across"] * b["size"][0] / 2, b["up"] * b["size"][1] / 2
    place[:3, 2], place[:3, 3] = np.cross(b["across"], b["up"]), b["centre"]
    return {
        "type": "rectangle",
        "to_world": mi.ScalarTransform4f(place),
        "bsdf": {"type": "diffuse", "reflectance": 0.0},
        "light": {"type": "area", "radiance": radiance},
    }


def camera(s, eye, up):
    """Perspective camera whose principal point is the picture's middle."""
    w, h = s["pixels"]
    place = mi.ScalarTransform4f().look_at(
        origin=[float(v) for v in eye], target=[float(v) for v in s["target"]], up=[float(v) for v in up]
    )
    return {
        "type": "perspective",
        "fov": float(np.rad2deg(2 * np.arctan(w / 2 / s["focal"]))),
        "fov_axis": "x",
        "near_clip": 10.0,
        "far_clip": 10000.0,
        "to_world": place,
        "film": {
            "type": "hdrfilm",
            "width": w,
            "height": h,
            "rfilter": {"type": "box"},
            "pixel_format": "luminance",
        },
        "sampler": {"type": "independent", "sample_count": 4},
    }


def expose(scene, integrator, spp, seed, lanes=8_000_000):
    """Mean of several passes, each small enough for the memory."""
    w, h = scene.sensors()[0].film().size()
    each = int(max(1, min(spp, lanes // (w * h))))
    passes = -(-spp // each)
    kind = mi.load_dict(integrator)
    add = np.zeros((h, w))
    for k in range(passes):
        add += np.array(mi.render(scene, integrator=kind, spp=each, seed=1000 * seed + k))[..., 0]
    return add / passes


def layers(s, reflect):
    """The panel's material: only its coat's reflection, or only its diffuse base."""
    if s["pattern"] == "lamp":
        return {"type": "diffuse", "reflectance": texture(s["texture"][0])}
    base, paper = s["texture"]
    if reflect:
        coat = {"type": "plastic", "int_ior": 1.5, "ext_ior": 1.0, "diffuse_reflectance": 0.0}
        if s["alpha"] > 0:
            coat = {**coat, "type": "roughplastic", "alpha": s["alpha"], "distribution": "beckmann"}
        matt = {"type": "diffuse", "reflectance": 0.0}
    else:
        coat = {
            "type": "plastic",
            "int_ior": 1.5,
            "ext_ior": 1.0,
            "specular_reflectance": 0.0,
            "diffuse_reflectance": texture(base),
        }
        matt = {"type": "diffuse", "reflectance": texture(base)}
    return {"type": "blendbsdf", "weight": texture(paper), "a": coat, "b": matt}


def photo(s, shot, spp):
    """One photo in linear light."""
    sensor = camera(s, shot["eye"], shot["up"])
    env = {"type": "constant", "radiance": s["env"]}
    seed = s["seed"] * 100 + shot["index"]
    if s["pattern"] == "lamp":
        s["bsdf"] = layers(s, False)
        lamp = {
            "type": "point",
            "position": [float(v) for v in shot["lamp"]],
            "intensity": float(np.pi * s["power"]),
        }
        kind = {"type": "direct", "emitter_samples": 1, "bsdf_samples": 0}
        # one light at a time: choosing between lights at random would be noise
        each = [
            mi.load_dict({"type": "scene", "panel": mesh(s), "sensor": sensor, "light": one})
            for one in (lamp, env)
        ]
        return expose(each[0], kind, spp, seed) + expose(each[1], kind, spp, seed + 50)
    # the base is lit by the board's mean: stripes of some centimetres can't be told apart in diffuse light
    tex = board_texture(s, shot)
    key = (tuple(shot["eye"]), round(float(tex.mean()), 2))
    if key not in s["cache"]:
        s["bsdf"] = layers(s, False)
        scene = mi.load_dict(
            {
                "type": "scene",
                "panel": mesh(s),
                "sensor": sensor,
                "env": env,
                "board": rectangle(s["board"], float(tex.mean())),
            }
        )
        s["cache"][key] = expose(
            scene,
            {"type": "direct", "emitter_samples": 2, "bsdf_samples": 1, "hide_emitters": True},
            spp,
            seed,
        )
    s["bsdf"] = layers(s, True)
    scene = mi.load_dict(
        {
            "type": "scene",
            "panel": mesh(s),
            "sensor": sensor,
            "env": env,
            "board": rectangle(s["board"], texture(tex)),
        }
    )
    kind = {"type": "direct", "emitter_samples": 0 if s["alpha"] == 0 else 1, "bsdf_samples": 1}
    return s["cache"][key] + expose(scene, kind, spp if s["alpha"] == 0 else 3 * spp, seed + 50)


def shots(s):
    """The photos of a scene, in the sheet's order."""
    eyes, ups, found = s["eyes"], s["ups"], []
    if s["pattern"] == "stripes":
        for k, varies in enumerate(("across", "up")):
            found.append(
                {
                    "file": f"stripes-{varies}.jpg",
                    "varies": varies,
                    "eye": eyes[min(k, len(eyes) - 1)],
                    "up": ups[min(k, len(ups) - 1)],
                    "period": s["board"]["period"],
                    "phase": 0.0,
                }
            )
    elif s["pattern"] == "crossed":
        for k, eye in enumerate(eyes):
            name = "crossed.jpg" if len(eyes) == 1 else f"crossed-{k + 1}.jpg"
            up, period = ups[min(k, len(ups) - 1)], s["board"]["period"]
            found.append({"file": name, "eye": eye, "up": up, "period": period, "phase": 0.0})
    elif s["pattern"] == "dots":
        found.append(
            {"file": "dots.jpg", "eye": eyes[0], "up": ups[0], "period": s["board"]["period"], "phase": 0.0}
        )
    elif s["pattern"] == "stepped":
        for varies in ("across", "up"):
            for period in s["periods"]:
                for k in range(s["steps"]):
                    found.append(
                        {
                            "file": f"{varies}-{period}-{k}.jpg",
                            "varies": varies,
                            "eye": eyes[0],
                            "up": ups[0],
                            "period": period,
                            "phase": 360.0 * k / s["steps"],
                        }
                    )
    else:
        for k, lamp in enumerate(s["lamps"]):
            found.append({"file": f"lamp-{k + 1}.jpg", "eye": eyes[0], "up": ups[0], "lamp": lamp})
    return [{**shot, "index": k} for k, shot in enumerate(found)]


# --- from light to files --------------------------------------------------------------------------------


def develop(linear, rng, well, lens=0.45, read=4.0):
    """Lens blur, shot and read noise, sRGB (IEC 61966-2-1), 8 bits."""
    light = gaussian_filter(linear, lens) * well
    light = light + rng.standard_normal(light.shape) * np.sqrt(np.maximum(light, 0) + read**2)
    c = np.clip(light / well, 0, 1)
    value = np.where(c <= 0.0031308, 12.92 * c, 1.055 * c ** (1 / 2.4) - 0.055)
    return np.round(255 * value).astype(np.uint8)


def row(values):
    return "[" + ", ".join(f"{float(v):.8g}" for v in values) + "]"


def sheet(s, taken):
    lines = [
        "[panel]",
        f'name = "{s["title"]}"',
        f'stage = "{s["stage"]}"',
        f"size_mm = {row(s['size'])}",
        "",
        "[tags]",
        'dictionary = "4x4_50"',
        "side_mm = 36",
        "[tags.centres_mm]",
    ]
    lines += [f"{k} = {row(v)}" for k, v in s["tags"].items()] + ["", "[camera]", f"focal_px = {s['focal']}"]
    if s["board"]:
        b = s["board"]
        lines += [
            "",
            "[board]",
            f'pattern = "{s["pattern"]}"',
            f"period_mm = {b['period']}",
            f"centre_mm = {row(b['centre'])}",
            f"across = {row(b['across'])}",
            f"up = {row(b['up'])}",
            f"size_mm = {row(b['size'])}",
        ]
    for shot in taken:
        lines += ["", "[[photo]]", f'file = "{shot["file"]}"']
        if s["pattern"] in ("stripes", "stepped"):
            lines += [f'varies = "{shot["varies"]}"']
        if s["pattern"] == "stepped":
            lines += [f"period_mm = {shot['period']}", f"phase_deg = {shot['phase']:.1f}"]
        if s["pattern"] == "lamp":
            lines += [f"lamp_mm = {row(shot['lamp'])}"]
    low, high, filler = s["limits"]
    lines += ["", "[limits]", f"low_mm = {low}", f"high_mm = {high}", f"filler_depth_mm = {filler}"]
    return "\n".join(lines) + "\n"


def truth(s, folder, step=2.0):
    w, h = s["size"]
    x, y = (np.linspace(-v / 2, v / 2, round(v / step) + 1) for v in (w, h))
    bent = total(s["faults"] + slow_waves(s["seed"], s["waves"]), x[None], y[:, None])[0]
    form = total(s["form"], x[None], y[:, None])[0] - s["sag"]
    np.savez_compressed(
        folder / "truth.npz",
        x_mm=x,
        y_mm=y,
        deviation_mm=bent.astype(np.float32),
        form_mm=form.astype(np.float32),
    )
    made = []
    for function, kw in s["faults"]:
        one = {
            "kind": "low" if kw["peak"] < 0 else "high",
            "x_mm": kw["at"][0],
            "y_mm": kw["at"][1],
            "depth_mm": abs(kw["peak"]),
        }
        if function is ring:
            made.append({**one, "w": 2 * kw["radius"], "h": 2 * kw["radius"], "ring": True})
        else:
            made.append({**one, "w": kw["w"], "h": kw["h"] or kw["w"]})
    (folder / "truth.json").write_text(json.dumps({"spots": made}, indent=1) + "\n")


def make(name, out, spp):
    """Render one scene and write its job folder."""
    started = time.perf_counter()
    s = complete(name)
    s["texture"], s["cache"] = base_texture(s), {}
    folder = out / name
    folder.mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(s["seed"])
    taken = shots(s)
    for shot in taken:
        linear = photo(s, shot, spp)
        grey = develop(linear, rng, s["well"])
        Image.fromarray(np.repeat(grey[..., None], 3, axis=2)).save(
            folder / shot["file"], quality=s["quality"]
        )
    (folder / "panel.toml").write_text(sheet(s, taken))
    truth(s, folder)
    print(f"{name}: {len(taken)} photos, {time.perf_counter() - started:.0f} s", flush=True)


def main():
    parser = argparse.ArgumentParser(description="Render fixture jobs.")
    parser.add_argument("names", nargs="+", choices=[*SCENES, "all"])
    parser.add_argument("--out", type=Path, default=Path("fixtures/jobs"))
    parser.add_argument("--variant", default="llvm_ad_mono")
    parser.add_argument("--spp", type=int, default=64)
    options = parser.parse_args()
    mi.set_variant(options.variant)
    for name in SCENES if "all" in options.names else options.names:
        make(name, options.out, options.spp)


if __name__ == "__main__":
    main()
