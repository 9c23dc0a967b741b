"""The names of small faults learned from made plates, and how often they are right on plates left out.

    PYTHONPATH=tests/bench python tests/bench/train_names.py FOLDER [pair|crossed|crossed_twice]

FOLDER holds the plates of `fault_rows.py`. Multinomial logistic regression on features and their squares with a ridge;
four folds by plates choose the ridge and, on what was left out, the temperature that makes the probabilities true (Guo
and others 2017, arXiv 1706.04599, from memory). Writes
its part of `surfscan/data/faults/names.json`.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
from fault_rows import WAYS
from scipy.optimize import minimize, minimize_scalar

from surfscan.faults.describe import FEATURES
from surfscan.faults.names import KINDS, SURE, expanded

OUT = Path(__file__).parents[2] / "surfscan" / "data" / "faults" / "names.json"
FOLDS = 4
LARGE_PX = 8.0


def gather(folder: Path, start: str) -> tuple[np.ndarray, ...]:
    """Features, kinds, made sizes and plates of all that was found and is a made fault."""
    rows = []
    for path in sorted(folder.glob(f"{start}[0-9]*/rows.json")):
        plate = json.loads(path.read_text())
        for one in plate["found"]:
            if one["made"] >= 0:
                kind = plate["made"][one["made"]]["kind"]
                size = plate["made"][one["made"]]["size_px"]
                rows.append((one["features"], KINDS.index(kind), size, int(path.parent.name[len(start) :])))
    features, kinds, sizes, plates = zip(*rows, strict=True)
    return np.array(features), np.array(kinds), np.array(sizes), np.array(plates)


def fit(features: np.ndarray, kinds: np.ndarray, ridge: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Mean, spread and weights."""
    mean, spread = features.mean(0), np.maximum(features.std(0), 1e-3)
    terms = expanded(features, mean, spread)
    wanted = np.eye(len(KINDS))[kinds]

    def cost(flat: np.ndarray) -> tuple[float, np.ndarray]:
        weights = flat.reshape(terms.shape[1], -1)
        p = soft(terms @ weights)
        miss = -np.mean(np.log(p[np.arange(len(p)), kinds] + 1e-12)) + ridge * np.sum(weights[1:] ** 2)
        slope = terms.T @ (p - wanted) / len(p)
        slope[1:] += 2 * ridge * weights[1:]
        return float(miss), slope.ravel()

    start = np.zeros(terms.shape[1] * len(KINDS))
    found = minimize(cost, start, jac=True, method="L-BFGS-B", options={"maxiter": 400})
    return mean, spread, found.x.reshape(terms.shape[1], -1)


def soft(scores: np.ndarray) -> np.ndarray:
    power = np.exp(scores - scores.max(1, keepdims=True))
    return np.asarray(power / power.sum(1, keepdims=True))


def left_out(
    features: np.ndarray, kinds: np.ndarray, plates: np.ndarray, ridge: float
) -> tuple[np.ndarray, np.ndarray]:
    """Scores of each by a model that did not see its plate."""
    scores = np.zeros((len(kinds), len(KINDS)))
    for fold in range(FOLDS):
        out = plates % (4 * FOLDS) // 4 == fold  # the four finishes in every fold
        mean, spread, weights = fit(features[~out], kinds[~out], ridge)
        scores[out] = expanded(features[out], mean, spread) @ weights
    return scores, kinds


def missed(scores: np.ndarray, kinds: np.ndarray) -> float:
    return float(-np.mean(np.log(soft(scores)[np.arange(len(kinds)), kinds] + 1e-12)))


def tell(p: np.ndarray, kinds: np.ndarray, sizes: np.ndarray) -> None:
    """Print what the study's table has."""
    likeliest, sure = p.argmax(1), p.max(1)
    for name, use in (("all", sizes > 0), (f"{LARGE_PX:g} px and more", sizes >= LARGE_PX)):
        right = (likeliest == kinds)[use]
        named = sure[use] >= SURE
        print(
            f"{name}: {use.sum()} found, likeliest kind right {right.mean():.3f}; named {named.mean():.3f},"
            f" of these right {right[named].mean():.3f}"
        )
    print("reliability (said, true, many):")
    for low in np.arange(0.2, 1.0, 0.1):
        use = (sure >= low) & (sure < low + 0.1 + 1e-9 * (low > 0.85))
        if use.sum() > 10:
            print(f"  {sure[use].mean():.3f}  {(likeliest == kinds)[use].mean():.3f}  {use.sum()}")
    large = sizes >= LARGE_PX
    print(f"named as, {LARGE_PX:g} px and more:".ljust(12), *(f"{kind:>8}" for kind in KINDS), "  unsure")
    for k, kind in enumerate(KINDS):
        own = large & (kinds == k)
        counts = [int(np.sum(own & (likeliest == j) & (sure >= SURE))) for j in range(len(KINDS))]
        print(f"{kind:<12}", *(f"{n:8}" for n in counts), f"{int(np.sum(own & (sure < SURE))):8}")


def main() -> None:
    how = sys.argv[2] if len(sys.argv) > 2 else "pair"
    features, kinds, sizes, plates = gather(Path(sys.argv[1]), WAYS[how][0])
    ridges = (1e-4, 3e-4, 1e-3, 3e-3)
    each = {ridge: left_out(features, kinds, plates, ridge)[0] for ridge in ridges}
    ridge = min(ridges, key=lambda r: missed(each[r], kinds))
    scores = each[ridge]
    heat = float(minimize_scalar(lambda t: missed(scores / t, kinds), bounds=(0.3, 3), method="bounded").x)
    print(f"{len(kinds)} faults of {len(set(plates))} plates, ridge {ridge}, temperature {heat:.3f}")
    tell(soft(scores / heat), kinds, sizes)
    mean, spread, weights = fit(features, kinds, ridge)
    document = json.loads(OUT.read_text())
    document[how] = {
        "faults": len(kinds),
        "kinds": list(KINDS),
        "features": list(FEATURES),
        "mean": [round(float(v), 5) for v in mean],
        "spread": [round(float(v), 5) for v in spread],
        "weights": [[round(float(v), 4) for v in row] for row in weights / heat],
    }
    OUT.write_text(json.dumps(document) + "\n")


if __name__ == "__main__":
    main()
