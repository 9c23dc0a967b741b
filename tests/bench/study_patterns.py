"""Which pattern carries both directions in one photo: sums, products, or a colour for each direction.

    python tests/bench/study_patterns.py [--repeats 6]

A piece of a photo as a mirror shows the board: both coordinates run linearly, but for what a surface shifts them by. It
goes through a colour camera (mosaic of red, green and blue, shot noise of 8,000 electrons, eight bits, JPEG with halved
colour) and is read by one way for all patterns, that of `phase/lockin.py`: the pattern is drawn where both coordinates
are thought to be, and what is left is fitted, under a Gaussian window, by a level and both shifts at once; eight
rounds. Printed: the shifts' noise in thousandths of a period (root mean square difference of two photos, over the
square root of 2), the error of a spot two and three periods wide (its greatest shift, %), and the error within a stripe
of an edge of what is seen, over that inside.
"""

from __future__ import annotations

import argparse
from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np

SIDE, PERIOD = 300, 12.0
WINDOW = 0.45
ROUNDS = 8
FULL_WELL = 8000.0


@dataclass(frozen=True)
class Camera:
    """What lies between the board and the pixels."""

    blur: float = 0.06
    """Standard deviation of the blur, periods: 0.06 is a lens, more a satin surface."""
    quality: int = 95
    ground: tuple[float, float, float] = (0.05, 0.05, 0.05)
    """What the coat's own colour adds to blue, green and red."""
    square: bool = True
    period: float = PERIOD


PATTERNS = ("two photos", "sum", "checker", "squares", "colour")


def wave(phase: Any, camera: Camera, *, soft: float = 0.0) -> Any:
    """Brightness of stripes -1 to 1, blurred as the photo is, and its derivative by the phase."""
    if not camera.square:
        fall = np.exp(-0.5 * (2 * np.pi * np.hypot(camera.blur, soft)) ** 2)
        return fall * np.cos(phase), -fall * np.sin(phase)
    value, slope = np.zeros_like(phase), np.zeros_like(phase)
    for k in (1, 3, 5, 7, 9, 11):
        part = (
            4
            / (np.pi * k)
            * (-1) ** ((k - 1) // 2)
            * np.exp(-0.5 * (2 * np.pi * k * np.hypot(camera.blur, soft)) ** 2)
        )
        value += part * np.cos(k * phase)
        slope -= part * k * np.sin(k * phase)
    return value, slope


def board(pattern: str, s: Any, t: Any, camera: Camera) -> list[tuple[Any, Any, Any]]:
    """Pictures of a pattern with their derivatives by both phases; light 0 to 1."""
    (a, da), (b, db) = wave(s, camera), wave(t, camera)
    none = np.zeros_like(a)
    if pattern in ("two photos", "colour"):
        return [(0.5 + 0.5 * a, 0.5 * da, none), (0.5 + 0.5 * b, none, 0.5 * db)]
    if pattern == "sum":
        return [(0.5 + 0.25 * (a + b), 0.25 * da, 0.25 * db)]
    if pattern == "checker":  # the blur of a product of two directions is the product of their blurs
        return [(0.5 + 0.5 * a * b, 0.5 * da * b, 0.5 * a * db)]
    return [((0.5 + 0.5 * a) * (0.5 + 0.5 * b), 0.5 * da * (0.5 + 0.5 * b), (0.5 + 0.5 * a) * 0.5 * db)]


def photograph(channels: list[Any], camera: Camera, rng: np.random.Generator) -> Any:
    """Blue, green and red (H, W, 3), linear light, as a camera's JPEG has them."""
    scene = np.stack([0.8 * channels[k] + camera.ground[k] for k in range(3)], -1)
    mosaic = np.empty(scene.shape[:2])
    for row, column, channel in ((0, 0, 0), (0, 1, 1), (1, 0, 1), (1, 1, 2)):
        mosaic[row::2, column::2] = scene[row::2, column::2, channel]
    mosaic = np.clip(rng.normal(mosaic, np.sqrt(np.maximum(mosaic, 1e-4) / FULL_WELL)), 0, 1)
    colour = (
        cv2.demosaicing((mosaic * 65535).astype(np.uint16), cv2.COLOR_BayerBGGR2BGR_EA).astype(float) / 65535
    )
    coded = np.rint(255 * np.where(colour < 0.0031308, 12.92 * colour, 1.055 * colour ** (1 / 2.4) - 0.055))
    _, file = cv2.imencode(
        ".jpg",
        np.clip(coded, 0, 255).astype(np.uint8),
        [
            cv2.IMWRITE_JPEG_QUALITY,
            camera.quality,
            cv2.IMWRITE_JPEG_SAMPLING_FACTOR,
            cv2.IMWRITE_JPEG_SAMPLING_FACTOR_420,
        ],
    )
    back = cv2.imdecode(file, cv2.IMREAD_COLOR).astype(float) / 255
    return np.where(back < 0.04045, back / 12.92, ((back + 0.055) / 1.055) ** 2.4)


def photos_of(pattern: str, s: Any, t: Any, camera: Camera, rng: np.random.Generator) -> list[Any]:
    """One picture for each of `board`, less what the coat adds."""
    drawn = [one[0] for one in board(pattern, s, t, camera)]
    if pattern == "colour":  # blue carries one direction, red the other, green their mean
        taken = photograph([drawn[1], 0.5 * (drawn[0] + drawn[1]), drawn[0]], camera, rng)
        return [taken[..., 2], taken[..., 0]]
    weights = np.array([0.114, 0.587, 0.299])
    return [photograph([one] * 3, camera, rng) @ weights for one in drawn]


def read(pattern: str, pictures: list[Any], seen: Any, camera: Camera) -> tuple[Any, Any]:
    """Both shifts, periods, by the way of the package."""
    y, x = np.indices(seen.shape).astype(float)
    s0, t0 = (2 * np.pi * v / camera.period for v in (x, y))
    ds, dt = np.zeros(seen.shape), np.zeros(seen.shape)
    sigma, weight = WINDOW * camera.period, seen.astype(float)

    def mean(value: Any) -> Any:
        return cv2.GaussianBlur(weight * value, (0, 0), sigma)

    for _ in range(ROUNDS):
        normal, right = np.zeros((*seen.shape, 2, 2)), np.zeros((*seen.shape, 2))
        for picture, (drawn, by_s, by_t) in zip(
            pictures, board(pattern, s0 + ds, t0 + dt, camera), strict=True
        ):
            w = mean(np.ones(seen.shape)) + 1e-9
            # The gain of the light is fitted first, over a wide window: exposure and contrast are not known.
            gain = float(np.sum(weight * (picture - picture[seen].mean()) * (drawn - drawn[seen].mean())))
            gain /= float(np.sum(weight * (drawn - drawn[seen].mean()) ** 2))
            rest, slopes = picture - gain * drawn, (gain * by_s, gain * by_t)
            centred = [mean(v) / w for v in (rest, *slopes)]
            for i in range(2):
                right[..., i] += mean(rest * slopes[i]) / w - centred[0] * centred[i + 1]
                for j in range(2):
                    normal[..., i, j] += mean(slopes[i] * slopes[j]) / w - centred[i + 1] * centred[j + 1]
        normal += 1e-4 * np.median(normal[seen][:, 0, 0]) * np.eye(2)
        step = np.linalg.solve(normal, right[..., None])[..., 0]
        ds, dt = ds + np.clip(step[..., 0], -0.5, 0.5), dt + np.clip(step[..., 1], -0.5, 0.5)
    return ds / (2 * np.pi), dt / (2 * np.pi)


def bump(wide: float, camera: Camera) -> tuple[Any, Any]:
    """What a Gaussian spot, so many periods from foot to foot, shifts both coordinates by: a quarter period at most."""
    y, x = (np.indices((SIDE, SIDE)) - (SIDE - 1) / 2.0 + 3.3) / (wide * camera.period / 4)
    fall = np.exp(-0.5 * (x * x + y * y)) * np.exp(0.5) * 0.25
    return x * fall, y * fall


def measure(pattern: str, camera: Camera, repeats: int) -> dict[str, float]:
    """The figures of one pattern through one camera."""
    y, x = np.indices((SIDE, SIDE)).astype(float)
    seen = np.ones((SIDE, SIDE), bool)
    seen[:, : SIDE // 2] &= (np.hypot(x - 75, y - 150) > 36)[:, : SIDE // 2]  # a cut-out as large as a tag
    inside = cv2.erode(seen.astype(np.uint8), np.ones((61, 61), np.uint8), borderValue=0) > 0
    edge = seen & ~(cv2.erode(seen.astype(np.uint8), np.ones((25, 25), np.uint8), borderValue=0) > 0)
    found: dict[str, list[float]] = {"noise": [], "edge": [], "spot 2": [], "spot 3": []}
    for k in range(repeats):
        rng = np.random.default_rng([k, 7])
        off = rng.uniform(0, 1, 2)
        s, t = (2 * np.pi * (v / camera.period) for v in (x, y))
        flat = [read(pattern, photos_of(pattern, s, t, camera, rng), seen, camera) for _ in range(2)]
        apart = np.stack([flat[0][k] - flat[1][k] for k in range(2)]) / np.sqrt(2)
        whole = np.stack(flat[0])
        found["noise"].append(float(np.sqrt(np.mean(apart[:, inside] ** 2))))
        found["edge"].append(float(np.sqrt(np.mean(whole[:, edge] ** 2) / np.mean(whole[:, inside] ** 2))))
        for wide in (2.0, 3.0):
            by_s, by_t = bump(wide, camera)
            by_s, by_t = (np.roll(v, (off * camera.period).astype(int), (0, 1)) for v in (by_s, by_t))
            pictures = photos_of(pattern, s + 2 * np.pi * by_s, t + 2 * np.pi * by_t, camera, rng)
            got = read(pattern, pictures, np.ones_like(seen), camera)
            worst = max(float(np.abs(g - b).max()) for g, b in zip(got, (by_s, by_t), strict=True))
            found[f"spot {wide:g}"].append(worst / 0.25)
    return {name: float(np.median(values)) for name, values in found.items()}


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--repeats", type=int, default=6)
    given = parser.parse_args()
    usual = Camera()
    cameras = {
        "print, grey coat, JPEG 95": usual,
        "JPEG 85": replace(usual, quality=85),
        "JPEG 70": replace(usual, quality=70),
        "red coat": replace(usual, ground=(0.02, 0.03, 0.3), quality=85),
        "satin": replace(usual, blur=0.2, quality=85),
        "dull satin": replace(usual, blur=0.3, quality=85),
        "smooth waves": replace(usual, square=False, quality=85),
        "narrow stripes (7 px)": replace(usual, period=7.0, blur=0.1, quality=85),
    }
    print("| | pattern | noise, 1/1000 period | at an edge | spot of 2 periods | of 3 |")
    for name, camera in cameras.items():
        for pattern in PATTERNS:
            f = measure(pattern, camera, given.repeats)
            print(
                f"| {name} | {pattern} | {1e3 * f['noise']:.2f} | {f['edge']:.2f} | {100 * f['spot 2']:.0f} % |"
                f" {100 * f['spot 3']:.0f} % |",
                flush=True,
            )


if __name__ == "__main__":
    main()
