"""Single-photo phase of real reflections against their four-step phase.

    python tests/bench/study_real_stripes.py FOLDER

FOLDER holds one folder per object with Phase_0.png .. Phase_3.png: the same reflection with the stripes
stepped by 0, 90, 180 and 270 degrees (brightness a + b sin(theta + step)). For every frame by itself
`free_phase` is compared with the four-step phase wherever both count. Known steps leave nothing to adjust but
whole turns and the sign of the phase, so no offset is taken out.

Lit area: four-step amplitude over a fifth of its 90th percentile, unsaturated in all four frames.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import cv2
import numpy as np

from surfscan.phase.free import DOUBTED, FreePhase, free_phase

Array = np.ndarray


def four_step(frames: list[Array]) -> tuple[Array, Array, Array]:
    """Phase theta, amplitude b and lit area of the four stepped frames."""
    i0, i1, i2, i3 = (frame.astype(float) for frame in frames)
    theta, amplitude = np.arctan2(i0 - i2, i1 - i3), 0.5 * np.hypot(i0 - i2, i1 - i3)
    clipped = np.any([frame >= 250 for frame in frames], axis=0)
    return theta, amplitude, (amplitude > 0.2 * np.percentile(amplitude, 90)) & ~clipped


def wrapped_difference(found: FreePhase, theta: Array, k: int) -> Array:
    """Single-photo minus four-step phase; frame k is a + b cos(theta + k pi/2 - pi/2)."""
    wanted = theta + (k - 1) * np.pi / 2
    both = [np.angle(np.exp(1j * (sign * found.phase_rad - wanted))) for sign in (1, -1)]
    return min(both, key=lambda d: float(np.nanmedian(np.abs(d))))


def rms(value: Array) -> float:
    return float(np.sqrt(np.mean(value**2))) if value.size else float("nan")


def smooth(value: Array, mask: Array, sigma: float) -> Array:
    share = cv2.GaussianBlur(mask.astype(np.float32), (0, 0), sigma)
    return cv2.GaussianBlur(np.where(mask, value, 0).astype(np.float32), (0, 0), sigma) / np.maximum(
        share, 1e-3
    )


def gloss_fault(amplitude: Array, lit: Array, period_px: float) -> Array:
    """Where the gloss flickers finely: the fingerprint, found from the four-step amplitude alone."""
    fine = amplitude / np.maximum(smooth(amplitude, lit, 6.0), 1e-6) - 1
    flicker = np.sqrt(smooth(fine**2, lit, 12.0))
    inner = cv2.erode(lit.astype(np.uint8), np.ones((41, 41), np.uint8)) > 0
    rough = flicker > 2.0 * np.median(flicker[inner])
    count, labels, stats, _ = cv2.connectedComponentsWithStats((rough & inner).astype(np.uint8))
    if count < 2:
        return np.zeros(lit.shape, bool)
    return labels == 1 + int(np.argmax(stats[1:, cv2.CC_STAT_AREA]))


def high_pass(phase: Array, valid: Array, period_px: float) -> Array:
    """Phase less its course over one stripe period (a cubic surface taken off first, so that edges don't bend it)."""
    r, c = np.nonzero(valid)
    take = np.random.default_rng(0).choice(r.size, min(r.size, 20000), replace=False)
    h, w = valid.shape

    def terms(rows: Array, columns: Array) -> Array:
        y, x = rows / h - 0.5, columns / w - 0.5
        return np.stack([x**i * y**j for i in range(6) for j in range(6 - i)], -1)

    fit = np.linalg.lstsq(terms(r[take], c[take]), phase[r[take], c[take]], rcond=None)[0]
    rest = np.zeros(valid.shape)
    rest[valid] = phase[valid] - terms(r, c) @ fit
    return np.where(valid, rest - smooth(rest, valid, period_px), np.nan)


def main() -> None:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    objects = sorted({path.parent for path in folder.glob("*/Phase_0.png")})
    if not objects:
        parser.error(f"no Phase_0.png in the folders of {folder}")
    print("object      frame  rms_rad  median|d|  offset  kept  trust  doubted  told_sigma  period_px")
    prints = []
    for place in objects:
        frames = [cv2.imread(str(place / f"Phase_{k}.png"), cv2.IMREAD_GRAYSCALE) for k in range(4)]
        theta, amplitude, lit = four_step(frames)
        for k, frame in enumerate(frames):
            found = free_phase(frame)
            away = wrapped_difference(found, theta, k)
            counted = found.valid & lit
            d = away[counted]
            print(
                f"{place.name:11s} {k:5d} {rms(d):8.3f} {np.median(np.abs(d)):10.3f} {np.mean(d):7.3f}"
                f" {counted.sum() / lit.sum():5.2f} {found.trust:6.2f}  {found.trust < DOUBTED!s:7s}"
                f" {np.median(found.sigma_rad[counted]):10.3f} {found.period_px:10.1f}"
            )
            fault = gloss_fault(amplitude, lit, found.period_px) & counted
            clear = counted & ~cv2.dilate(fault.astype(np.uint8), np.ones((31, 31), np.uint8)).astype(bool)
            if k == 0 and fault.any():
                shape = high_pass(found.phase_rad, found.valid, found.period_px)
                drop = float(np.median(amplitude[fault]) / np.median(amplitude[clear]) - 1)
                bent = smooth(away, counted, found.period_px / 3)
                bent = bent - smooth(away, counted, found.period_px)
                prints.append(
                    f"{place.name:11s} {fault.sum() / lit.sum():9.2f} {100 * drop:+11.0f} %"
                    f" {rms(shape[fault]):12.3f} {rms(shape[clear]):12.3f}"
                    f" {rms(bent[fault]):14.3f} {rms(bent[clear]):14.3f}"
                )
    print()
    print("The fingerprint, frame 0: the gloss flickers there; the phase must not show it.")
    print("object      share_lit   amplitude  shape_on_rad shape_off_rad  differ_on_rad  differ_off_rad")
    print("\n".join(prints))
    print("shape: single-photo phase, high-passed at one period; differ: single-photo minus four-step phase,")
    print("band-passed between a third of a period and one; on the fingerprint and off it.")


if __name__ == "__main__":
    main()
