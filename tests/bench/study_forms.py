"""Ways to tell a fair form from the spots on it, on the same maps drawn at random.

    python tests/bench/study_forms.py --maps 300 --first 0 [--ways priors,ladder]

Error of the height at each true peak (the form's alone: no photo is made), in the forms' own judgement:

* `ladder`: free orders 2 to 6, chosen by predicting left-out blocks, spots masked (`surfscan.surface.ladder`);
* `second`, `fourth`: the same with a fixed order;
* `process`: a Gaussian process: low orders free, higher ones with a prior, and a stationary short-range part
  whose size and length are found by restricted likelihood;
* `bumps`: low orders and a dictionary of Gaussian bumps of four sizes, each with a variance of its own found by
  evidence (sparse Bayesian learning; Tipping and Faul 2003, from memory), solved together;
* `priors`: the average over priors of the check itself (`surfscan.surface.form`);
* `known`: the prior of a set-up measured by hand, told where the spots are. No way can do better by much.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import Any

import numpy as np
from random_maps import Array, Problem, draw_problem, spot_height, true_peaks
from scipy.stats import binomtest

from surfscan.surface.form import PRIORS, fit_fair_form
from surfscan.surface.form_fit import Few, precision, thin_map
from surfscan.surface.ladder import fit_ladder
from surfscan.surface.legendre import circular_terms, fit_quadratic, legendre_terms

FLOOR_MM, SMEAR_MM = 0.004, 10.0
Way = Callable[[Problem], tuple[Array, Array]]


def ladder(order: int | None) -> Way:
    def way(problem: Problem) -> tuple[Array, Array]:
        step = problem.x_mm[1] - problem.x_mm[0]
        form = fit_ladder(
            problem.height_mm,
            x_mm=problem.x_mm,
            y_mm=problem.y_mm,
            floor_mm=FLOOR_MM,
            grow_px=max(2, round(18 / step)),
            order=order,
        )
        return form.form_mm, form.sigma_mm

    return way


def priors(problem: Problem) -> tuple[Array, Array]:
    step = problem.x_mm[1] - problem.x_mm[0]
    form = fit_fair_form(
        problem.height_mm,
        x_mm=problem.x_mm,
        y_mm=problem.y_mm,
        floor_mm=FLOOR_MM,
        grow_px=max(2, round(SMEAR_MM / step)),
    )
    return form.form_mm, form.sigma_mm


def _start(problem: Problem, weight: Callable[[Few], Array] | None = None) -> tuple[Few, Array, Array, Array]:
    """Thinned map, its heights, the terms there and over the whole grid."""
    few = thin_map(problem.height_mm, problem.x_mm, problem.y_mm, FLOOR_MM, SMEAR_MM)
    use = few.valid
    height = few.height[use]
    w = np.ones(height.size) if weight is None else weight(few)[use]
    quadratic = fit_quadratic(few.x[use], few.y[use], height, w)
    for _ in range(3):  # robustly, as the circular terms need no more
        terms = few.terms(quadratic)[use][:, [*range(6), 28]]
        found = np.linalg.lstsq(terms * np.sqrt(w)[:, None], height * np.sqrt(w), rcond=None)[0]
        quadratic = fit_quadratic(few.x[use], few.y[use], height - terms[:, 6] * found[6], w)
    x, y = np.meshgrid(problem.x_mm, problem.y_mm)
    whole = np.concatenate(
        [legendre_terms(x / few.reach[0], y / few.reach[1]), circular_terms(x, y, quadratic)], -1
    )
    return few, height, few.terms(quadratic)[use], whole


def _form(whole: Array, found: Array, covariance: Array) -> tuple[Array, Array]:
    variance = np.einsum("hwi,hwi->hw", whole @ covariance, whole)
    return whole @ found, np.sqrt(np.maximum(variance, 0))


def process(problem: Problem) -> tuple[Array, Array]:
    few, height, terms, whole = _start(problem)
    pick = np.random.default_rng(1).permutation(height.size)[:500]
    x, y = few.x[few.valid][pick], few.y[few.valid][pick]
    square = (x[:, None] - x) ** 2 + (y[:, None] - y) ** 2
    tight, mean = precision(PRIORS[1])
    free = tight == 0
    spread = (terms[pick][:, ~free] / tight[~free]) @ terms[pick][:, ~free].T
    target = height[pick] - terms[pick] @ mean
    best: Any = None
    for size in (0.003, 0.01, 0.03, 0.1):
        for length in (15.0, 25.0, 40.0, 60.0):
            cover = spread + size**2 * np.exp(-0.5 * square / length**2) + 0.0005**2 * np.eye(pick.size)
            inverse = np.linalg.inv(cover)
            low = terms[pick][:, free]
            normal = low.T @ inverse @ low
            lost = np.linalg.solve(normal, low.T @ inverse @ target)
            rest = target - low @ lost
            score = np.linalg.slogdet(cover)[1] + np.linalg.slogdet(normal)[1] + rest @ inverse @ rest
            if best is None or score < best[0]:
                best = score, size, length
    cover = best[1] ** 2 * np.exp(-0.5 * square / best[2] ** 2) + 0.0005**2 * np.eye(pick.size)
    gain = np.linalg.solve(cover, terms[pick])
    covariance = np.linalg.inv(gain.T @ terms[pick] + np.diag(tight + 1e-9))
    return _form(whole, covariance @ (gain.T @ height[pick] + tight * mean), covariance)


def _dictionary(few: Few) -> Array:
    columns = []
    for size in (20.0, 33.0, 55.0, 90.0):
        centres = [np.linspace(-r, r, max(2, int(2 * r / (1.25 * size)) + 2)) for r in few.reach]
        along = np.exp(-0.5 * ((few.x[0][None] - centres[0][:, None]) / size) ** 2)
        up = np.exp(-0.5 * ((few.y[:, 0][None] - centres[1][:, None]) / size) ** 2)
        atoms = up[:, None, :, None] * along[None, :, None, :]
        columns.append(atoms.reshape(-1, *few.x.shape)[:, few.valid])
    atoms = np.concatenate(columns).T
    return np.asarray(atoms[:, (atoms**2).sum(0) > 3])


def _evidence(
    gram: Array, right: Array, active: list[int], alpha: list[float]
) -> tuple[list[int], list[float]]:
    """Add, re-estimate and drop bumps while the evidence gains."""
    for _ in range(80):
        inner, outer = np.diag(gram).copy(), right.copy()
        fresh: Array = np.zeros(0)
        if active:
            own = np.array(active)
            part = gram[:, own] @ np.linalg.inv(gram[np.ix_(own, own)] + np.diag(alpha))
            inner, outer = inner - np.einsum("mi,mi->m", part, gram[:, own]), outer - part @ right[own]
            a = np.array(alpha)
            scale = a / np.maximum(a - inner[own], 1e-12 * a)
            s, q = scale * inner[own], scale * outer[own]
            fresh = np.where(q * q > s, s * s / np.maximum(q * q - s, 1e-30), np.inf)
        ratio = outer**2 / np.maximum(inner, 1e-9 * np.diag(gram))
        if active:
            ratio[own] = 0
        best = int(ratio.argmax())
        gain = 0.5 * (ratio[best] - 1 - np.log(max(ratio[best], 1.0)))
        keep = np.isfinite(fresh)
        still = bool(keep.all()) and (
            not active or float(np.abs(np.log(fresh / np.array(alpha))).max()) < 0.05
        )
        active = [k for k, kept in zip(active, keep, strict=True) if kept]
        alpha = [float(v) for v in fresh[keep]]
        if gain > 4:
            active.append(best)
            alpha.append(float(inner[best] ** 2 / (outer[best] ** 2 - inner[best])))
        elif still:
            break
    return active, alpha


def bumps(problem: Problem) -> tuple[Array, Array]:
    few, height, terms, whole = _start(problem)
    atoms = _dictionary(few)
    tight, mean = precision(PRIORS[1])
    active: list[int] = []
    alpha: list[float] = []
    weight, spread = np.ones(height.size), 0.05
    found, covariance = np.zeros(tight.size), np.eye(tight.size)
    for _ in range(10):
        known = few.share / spread**2 * weight
        inverse = np.linalg.inv((terms * known[:, None]).T @ terms + np.diag(tight + 1e-9))
        mixed = (atoms * known[:, None]).T @ terms
        right = terms.T @ (known * height) + tight * mean
        gram = (atoms * known[:, None]).T @ atoms - mixed @ inverse @ mixed.T
        active, alpha = _evidence(gram, atoms.T @ (known * height) - mixed @ inverse @ right, active, alpha)
        own = np.array(active, int)
        inner = np.linalg.inv(gram[np.ix_(own, own)] + np.diag(alpha))
        size = inner @ (atoms[:, own].T @ (known * height) - mixed[own] @ inverse @ right)
        found = inverse @ (right - mixed[own].T @ size)
        covariance = inverse + inverse @ mixed[own].T @ inner @ mixed[own] @ inverse
        spot = atoms[:, own] @ size
        miss = height - terms @ found - spot
        spread = max(0.5 * spread, 1.4826 * float(np.median(np.abs(miss))), 0.0005)
        weight = 1 / (1 + (miss / (4 * spread)) ** 2) ** 2 / (1 + (0.1 * spot / spread) ** 2)
    return _form(whole, found, covariance)


def known(problem: Problem) -> tuple[Array, Array]:
    def fair(few: Few) -> Array:
        made = np.sum([spot_height(s, few.x, few.y) for s in problem.spots], axis=0)
        return 1 / (1 + (made / 0.0005) ** 2)

    few, height, terms, whole = _start(problem, fair)
    tight, mean = precision(PRIORS[1])
    weight = fair(few)[few.valid] * few.share / 0.001**2
    covariance = np.linalg.inv((terms * weight[:, None]).T @ terms + np.diag(tight + 1e-9))
    return _form(whole, covariance @ (terms.T @ (weight * height) + tight * mean), covariance)


WAYS: dict[str, Way] = {
    "ladder": ladder(None),
    "second": ladder(2),
    "fourth": ladder(4),
    "process": process,
    "bumps": bumps,
    "priors": priors,
    "known": known,
}


def row(name: str, part: list[tuple[float, float, float, Any]]) -> str:
    """One line of the table."""
    error, true, sigma = (np.array([p[k] for p in part]) for k in range(3))
    size = np.abs(error)
    ratio = size / np.hypot(sigma, 0.0003)
    shrunk = int(np.sum(np.sign(error) != np.sign(true)))
    return (
        f"{name:22s} {len(part):5d} spots  close {np.mean(size <= np.maximum(0.002, 0.02 * abs(true))):.3f}"
        f"  far {np.mean(size > np.maximum(0.005, 0.05 * abs(true))):.4f}  median {1e3 * np.median(size):.2f}"
        f"  95 % {1e3 * np.quantile(size, 0.95):.1f}  worst {1e3 * size.max():.0f} um"
        f"  shrunk {shrunk / len(part):.3f} (p {binomtest(shrunk, len(part)).pvalue:.2f})"
        f"  inside {np.mean(ratio < 1.96):.3f}  worst z {ratio.max():.1f}"
        f"  u95 {1960 * np.median(np.hypot(sigma, 0.0003)):.2f} um"
    )


def main() -> None:
    """Run the study."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--maps", type=int, default=100)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--ways", default=",".join(WAYS))
    options = parser.parse_args()
    names = options.ways.split(",")
    rows: dict[str, list[tuple[float, float, float, Any]]] = {name: [] for name in names}
    seconds = dict.fromkeys(names, 0.0)
    for seed in range(options.first, options.first + options.maps):
        problem = draw_problem(seed)
        peaks = true_peaks(problem)
        for name in names:
            began = time.process_time()
            form, sigma = WAYS[name](problem)
            seconds[name] += time.process_time() - began
            for spot, true, r, c in peaks:
                error = float(problem.height_mm[r, c] - form[r, c]) - true
                if np.isfinite(error):
                    rows[name].append((error, true, float(sigma[r, c]), (spot, problem.facts)))
    for name in names:
        print(row(name, rows[name]) + f"  {1e3 * seconds[name] / options.maps:.0f} ms")
    families: dict[str, Callable[[Any, dict[str, Any]], bool]] = {
        "set-up exact": lambda s, f: f["set-up"] == 0,
        "set-up off": lambda s, f: f["set-up"] > 0,
        "part seen": lambda s, f: f["seen"] < 1,
        "a cut-out": lambda s, f: f["cut-out"],
        "radius under 2.5 m": lambda s, f: f["radius"] < 2500,
        "width under 60 mm": lambda s, f: s.width_mm < 60,
        "width over 150 mm": lambda s, f: s.width_mm > 150,
    }
    forms = {p[3][1]["form"] for p in rows[names[-1]]}
    families |= {kind: (lambda s, f, k=kind: f["form"] == k) for kind in sorted(forms)}
    for name in [n for n in names if n == "priors"]:
        for family, belongs in families.items():
            part = [p for p in rows[name] if belongs(*p[3])]
            if part:
                print(row(f"  {family}", part))


if __name__ == "__main__":
    main()
