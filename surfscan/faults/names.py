"""A fault's name by what it looks like: multinomial logistic regression on its features and their squares.

The coefficients stand in `surfscan/data/faults/names.json`; `tests/bench/train_names.py` makes them from
rendered faults.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import Any

import numpy as np

from surfscan.core.carrier import Array
from surfscan.faults.describe import FEATURES, Looks

__all__ = ["KINDS", "SURE", "expanded", "name_of", "smallest_px"]

KINDS = ("pit", "nib", "run", "scratch", "crack", "ring", "hair", "drop", "smear")

SURE = 0.6
"""A likeliest kind less probable than this is called unsure."""

FAR = 4.0
"""A feature counts up to so many of its standard deviations."""


@dataclass(frozen=True, slots=True, eq=False)
class _Model:
    mean: Array
    spread: Array
    weights: Array


def expanded(features: Array, mean: Array, spread: Array) -> Array:
    """Features (N, F) as the model takes them, (N, 1 + 2 F): a constant, standardised, and squared."""
    z = np.clip((features - mean) / spread, -FAR, FAR)
    return np.concatenate([np.ones((len(z), 1)), z, z * z], 1)


def name_of(looks: Looks, *, how: str) -> tuple[str, float]:
    """The likeliest kind of what looks so in a "pair", one "crossed" photo or more, and its probability."""
    model = _model(how)
    scores = (expanded(looks.features[None], model.mean, model.spread)[0][:, None] * model.weights).sum(0)
    power = np.exp(scores - scores.max())
    best = int(np.argmax(power))
    return KINDS[best], float(power[best] / power.sum())


@cache
def _model(how: str) -> _Model:
    table = _table("names.json")[how]
    if tuple(table["features"]) != FEATURES or tuple(table["kinds"]) != KINDS:
        raise ValueError("names.json was made for other features or kinds: run tests/bench/train_names.py")
    return _Model(*(np.array(table[name], float) for name in ("mean", "spread", "weights")))


def smallest_px(noise: float, *, how: str) -> dict[str, float]:
    """Photo pixels from which each kind is found nine times in ten, with 95 % confidence, where that is known.

    `noise` is a photo's, over its contrast; `how` "pair" for two photos of stripes, "crossed" for one of
    crossed ones, "crossed_twice" for two or more. None is known of photos that are noisier than those studied.
    """
    for row in _table("found.json")["by_noise"][how]:
        if noise <= row["noise"]:
            return {kind: float(v) for kind, v in row["a90_95_px"].items() if v is not None}
    return {}


@cache
def _table(name: str) -> dict[str, Any]:
    return dict(json.loads((files("surfscan") / "data/faults" / name).read_text(encoding="utf-8")))
