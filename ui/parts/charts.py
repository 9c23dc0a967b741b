"""Profile and solid: the two charts that need axes."""

from __future__ import annotations

from typing import Any

import numpy as np
import plotly.graph_objects as go

import surfscan
from surfscan.core.constants import COVERAGE_FACTOR

__all__ = ["draw_profile", "draw_solid"]

_LOW, _HIGH, _RULER, _GREY = "#2f6db5", "#b85a00", "#8a8f96", "#80837f"
_MOST_CELLS = 120  # of the solid's longer side: finer shows nothing more, and a phone has to turn it
_INCH = 25.4


def draw_profile(profile: Any, *, units: str, kind: str = "") -> go.Figure:
    """The profile, its 95 % band, and the straightedge resting on it.

    Parameters
    ----------
    profile : RulerProfile
    units : {"mm", "inch"}
    kind : str
        "low" or "high" gives the line its colour.
    """
    by = _INCH if units == "inch" else 1.0
    word = "in" if units == "inch" else "mm"
    along, height = profile.along_mm / by, profile.height_mm / by
    spread = COVERAGE_FACTOR * profile.sigma_mm / by
    ink = {"low": _LOW, "high": _HIGH}.get(kind, _LOW)
    figure = go.Figure()
    known = np.isfinite(height) & np.isfinite(spread)
    if known.any():
        x = np.concatenate([along[known], along[known][::-1]])
        y = np.concatenate([(height + spread)[known], (height - spread)[known][::-1]])
        figure.add_scatter(
            x=x, y=y, fill="toself", fillcolor="rgba(128,131,127,.35)", line={"width": 0}, hoverinfo="skip",
            name="95 in 100", mode="lines",
        )  # fmt: skip
    figure.add_scatter(
        x=along, y=height, mode="lines", line={"color": ink, "width": 3}, name="surface",
        hovertemplate="%{y:.4f} " + word + "<extra></extra>",
    )  # fmt: skip
    if np.isfinite(profile.ruler_height_mm).all():
        figure.add_scatter(
            x=profile.ruler_along_mm / by, y=profile.ruler_height_mm / by, mode="lines",
            line={"color": _RULER, "width": 7}, name="straightedge", hoverinfo="skip",
        )  # fmt: skip
        at = float(profile.greatest_at_mm) / by
        share = (profile.greatest_at_mm - profile.ruler_along_mm[0]) / np.ptp(profile.ruler_along_mm)
        level = float(profile.ruler_height_mm[0] + share * np.diff(profile.ruler_height_mm)[0]) / by
        if profile.greatest_mm > 0:
            digits = 4 if units == "inch" else 3
            figure.add_scatter(
                x=[at, at], y=[level, level - profile.greatest_mm / by], mode="lines+markers",
                line={"color": _GREY, "width": 2}, marker={"symbol": ["arrow-up", "arrow-down"], "size": 10},
                name=f"gap {profile.greatest_mm / by:.{digits}f} {word}", hoverinfo="skip",
            )  # fmt: skip
    figure.update_layout(
        height=340, margin={"l": 8, "r": 8, "t": 8, "b": 8}, dragmode=False,
        legend={"orientation": "h", "y": -0.25}, hovermode="x",
        xaxis={"title": f"along the ruler, {word}", "zeroline": False, "fixedrange": True, "automargin": True},
        yaxis={"title": f"from fair, {word}", "zeroline": True, "fixedrange": True, "automargin": True},
    )  # fmt: skip
    return figure


def draw_solid(height: surfscan.HeightMap, *, taller: float, limits: dict[str, Any], units: str) -> go.Figure:
    """The deviation as a surface, `taller` times as tall as it is; holes where not measured."""
    by = _INCH if units == "inch" else 1.0
    word = "in" if units == "inch" else "mm"
    every = max(1, int(np.ceil(max(height.grid.shape) / _MOST_CELLS)))
    x, y = height.grid.x_mm[::every] / by, height.grid.y_mm[::every] / by
    z = np.asarray(height.height_mm)[::every, ::every] / by
    known = z[np.isfinite(z)]
    top = max(
        2 * limits["low_mm"] / by, 2 * limits["high_mm"] / by, float(np.abs(known).max()) if known.size else 0
    )
    wide, deep = float(np.ptp(x)), float(np.ptp(y))
    # Axes in true proportion, but for the heights: a unit of z is `taller` units of x.
    aspect = {"x": 1.5, "y": 1.5 * deep / wide, "z": max(3 * top * taller / wide, 0.02)}
    figure = go.Figure(
        go.Surface(
            x=x,
            y=y,
            z=z,
            cmin=-top,
            cmax=top,
            connectgaps=False,
            colorscale=[[0, "#0e3282"], [0.5, "#e2e2de"], [1, "#9e3a00"]],
            showscale=False,
            hovertemplate="%{z:.4f} " + word + "<extra></extra>",
        )
    )
    figure.update_layout(
        height=420, margin={"l": 0, "r": 0, "t": 0, "b": 0},
        scene={
            "aspectmode": "manual", "aspectratio": aspect,
            "xaxis": {"title": f"right, {word}"}, "yaxis": {"title": f"up, {word}"},
            "zaxis": {"title": f"from fair, {word}", "range": [-top, top]},
            "camera": {"eye": {"x": 0.1, "y": -1.75, "z": 1.35}},
        },
    )  # fmt: skip
    return figure
