"""Look closer: a ruler on any place, the map read in other ways, in three dimensions, and the filler it takes."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import streamlit as st

import surfscan
from surfscan.core.constants import COVERAGE_FACTOR
from surfscan.gloss.mirrored import reflected_stripes
from surfscan.judge.bury import BURY_STAGES
from surfscan.report.panes import draw_map_pane, draw_photo_pair
from surfscan.surface.profile import profile_under_ruler
from surfscan.ui import looks, running, session
from surfscan.ui.parts.charts import draw_profile, draw_solid
from surfscan.ui.parts.gloss import show_gloss
from surfscan.ui.parts.lengths import ask_length
from surfscan.ui.parts.maps import (
    colour_scale,
    contour_lines,
    contour_step,
    fold_outlines,
    length_bar,
)
from surfscan.ui.parts.spot_cards import spot_marks, spot_title
from surfscan.ui.picture import show_picture

__all__ = ["show"]

_PHOTO, _HEIGHT, _SLOPE, _STRIPES, _FILLER, _SURE = (
    "Photo", "Height", "Slope", "Reflection", "Filler depth", "How sure",
)  # fmt: skip
_LINE, _LAID = "closer-line", "closer-laid"


def show() -> None:
    """The view, or what is needed first."""
    st.title("Look closer")
    result, work = session.result(), session.work()
    if result is None or work is None:
        st.info("There is no result yet. Check a panel first; then come back here.")
        st.button("Check a panel", on_click=session.go_to, args=("Start",), type="primary")
        return
    looks.verdict_strip(result.verdict, result.sentence, name=str(result.panel.get("name") or ""))
    if "relative" in result.details:
        st.info(
            "This result has no scale, so there is nothing to lay a ruler on. Lay tags on the panel, or tap its "
            "corners, and say where the board stands; then depths come in millimetres."
        )
        return
    _map_and_ruler(result, work.digest)
    _solid(result, work.digest)
    _fill_plan(result)
    show_gloss(result, work.digest)


@session.fragment
def _map_and_ruler(result: surfscan.CheckResult, digest: str) -> None:
    """The map and what lies under the ruler; a tap draws only these again."""
    _picture(result, digest)
    _ruler(result)


def _picture(result: surfscan.CheckResult, digest: str) -> None:
    photo = [_PHOTO] if running.has_photo(result) else []
    kind = st.segmented_control(
        "Show",
        [*photo, _HEIGHT, _SLOPE, _STRIPES, _FILLER, _SURE],
        default=_HEIGHT,
        key=session.kept("closer-kind"),
        required=True,
    )
    left, right = st.columns(2)
    draw = left.toggle("Draw a line for the ruler", key=session.kept("closer-draw"))
    contours = right.toggle("Contour lines", key=session.kept("closer-contours"))
    pane, url, size, legend, caption = _pane(result, digest, kind or _HEIGHT)
    shapes = fold_outlines(result.height, pane.to_picture)
    if contours:
        step = contour_step(result.height)
        shapes += running.cached(
            f"{digest}-{kind}-contours-{step}", lambda: contour_lines(result.height, pane.to_picture, step)
        )
        caption += f" Contour lines every {looks.depth(step)}."
    ends = _ruler_ends(result, digest)
    if ends is not None:
        shapes.append({"points": pane.to_picture(np.array(ends)).tolist(), "kind": "line"})
    told = show_picture(
        f"closer-{kind}",
        url,
        size,
        alt=f"{kind} of the panel",
        marks=spot_marks(result, pane.to_picture),
        shapes=shapes,
        draw=2 if draw else None,
        draw_label="Drag a line, or tap both its ends.",
        tappable=not draw,
        length_bar=length_bar(pane.to_picture, float(result.panel["size_mm"][0])),
    )
    looks.legend(*legend, folds=any(shape["kind"] == "fold" for shape in shapes))
    if legend[0] != "stripes":
        end = pane.end_mm if hasattr(pane, "end_mm") else pane.end
        low, high = result.limits["low_mm"], result.limits["high_mm"]
        colour_scale(legend[0], end, low=low, high=high, unit="mrad" if kind == _SLOPE else "")
    st.caption(caption)
    if told.spot is not None:
        session.choose_mark(int(told.spot))
        st.session_state.pop(_LINE, None)
        session.redraw()
    if told.drawn or told.tap:
        points = pane.to_panel(np.array(told.drawn or [told.tap[:2]], float))
        if np.isfinite(points).all():
            session.choose_mark(None)
            st.session_state[_LINE] = (digest, _line_of(points, result))
            session.redraw()
        st.caption("That is off the panel.")


def _ruler_ends(result: surfscan.CheckResult, digest: str) -> list[list[float]] | None:
    """Where the ruler lies: the line that was drawn, else across the spot as chosen below."""
    line = st.session_state.get(_LINE)
    if line is not None and line[0] == digest:
        return list(line[1])
    kept, chosen = st.session_state.get(_LAID), session.chosen_spot()
    if kept is None or kept[:2] != (digest, chosen):
        return None
    return [list(end) for end in kept[2]]


def _line_of(points: Any, result: surfscan.CheckResult) -> list[list[float]]:
    """A line's two ends; a single tap lays the line across the place, along the panel's width."""
    if len(points) == 1:
        half = np.array([min(150.0, result.panel["size_mm"][0] / 2), 0.0])
        points = np.stack([points[0] - half, points[0] + half])
    return [[float(v) for v in point] for point in points]


def _pane(
    result: surfscan.CheckResult, digest: str, kind: str
) -> tuple[Any, str, tuple[int, int], tuple[str, ...], str]:
    """The picture, its address and size, its legend and what is said below it."""
    height, limits = result.height, result.limits
    low, high = limits["low_mm"], limits["high_mm"]
    deviation = ("deviation", looks.depth(low), looks.depth(high))
    tap = "Tap a spot, or any place, to lay the ruler there."
    if kind == _PHOTO:
        pair = running.cached_object(f"{digest}-pair", lambda: draw_photo_pair(result))
        url = running.as_url(pair.painted, key=f"{digest}-1")
        return pair, url, (pair.painted.shape[1], pair.painted.shape[0]), deviation, tap
    tag, values = kind, np.asarray(height.height_mm)
    options: dict[str, Any] = {"scale": "deviation", "low": low, "high": high}
    caption = f"From straight above, the panel's upper edge on top. {tap}"
    if kind == _STRIPES:
        way, far, crown = _mirror_options()
        tag = f"{kind}-{way}-{far:.0f}-{crown}"
        values = running.cached(
            f"{digest}-{tag}",
            lambda: reflected_stripes(height, varies=way, distance_mm=far, without_crown=not crown),
        )
        options = {"scale": "stripes"}
        caption = (
            f"As straight stripes would show in a gloss finish, eye and stripes both {looks.length(far)} "
            "from the panel, 50 degrees above it."
        )
    elif kind != _HEIGHT:
        name = {_SLOPE: "slope_mrad", _FILLER: "fill_depth_mm"}.get(kind, "")
        values = COVERAGE_FACTOR * height.sigma_mm if kind == _SURE else result.maps[name]
        options = {"scale": "size"}
        caption = {
            _SLOPE: "How steep the surface leans against the fair form: gloss shows slope, not height.",
            _FILLER: "Filler needed to bring every place up to the fair surface, highs brought down first.",
            _SURE: "Half the range that holds the true height 95 times in 100, place by place.",
        }[kind]
    pane = running.cached_object(f"{digest}-{tag}-pane", lambda: draw_map_pane(height, values, **options))
    url = running.as_url(pane.picture, quality=90, key=f"{digest}-{tag}")
    legend = deviation
    if options["scale"] == "size":
        shown = {
            _SLOPE: f"{pane.end:.1f} mrad ({pane.end:.1f} mm in a metre)",
            _FILLER: f"{looks.filler(pane.end)}",
        }
        legend = ("size", "", shown.get(kind, looks.depth(pane.end)))
    elif options["scale"] == "stripes":
        legend = ("stripes", "", "")
    return pane, url, (pane.picture.shape[1], pane.picture.shape[0]), legend, caption


def _mirror_options() -> tuple[str, float, bool]:
    left, middle, right = st.columns(3)
    with left:
        way = st.segmented_control(
            "Stripes run", ["across", "up"], default="across", key=session.kept("mirror-way"), required=True,
            format_func=lambda w: {"across": "up and down", "up": "side to side"}[w],
        )  # fmt: skip
    with middle:
        far = ask_length("Distance", 1000.0, "mirror-far", least=200, most=5000)
    with right:
        crown = st.toggle("With the panel's crown", value=True, key=session.kept("mirror-crown"))
    return way or "across", far, crown


def _ruler(result: surfscan.CheckResult) -> None:
    st.header("The ruler on it")
    units, height = session.units(), result.height
    spot = _spot_choice(result)
    line = st.session_state.get(_LINE)
    line = line[1] if line is not None and line[0] == session.work().digest and spot is None else None  # type: ignore[union-attr]
    left, right = st.columns(2)
    with left:
        length = ask_length(
            "Length of the straightedge", 300.0, "ruler", least=max(20.0, 2 * height.grid.step_mm)
        )
    if spot is None and line is None:
        st.caption("Choose a spot, or tap a place on the picture.")
        return
    reach = 0.0
    if line is not None:
        (xa, ya), (xb, yb) = line
        middle = ((xa + xb) / 2, (ya + yb) / 2)
        direction, reach = math.degrees(math.atan2(yb - ya, xb - xa)), math.hypot(xb - xa, yb - ya) / 2
    else:
        assert spot is not None  # for the type checker
        middle = (spot.x_mm, spot.y_mm)
        with right:
            direction = _direction(spot)
    profile = profile_under_ruler(
        height, middle_mm=middle, direction_deg=direction, ruler_mm=length, reach_mm=reach
    )
    if spot is not None:
        _lay_on_map(spot, direction, length)
    _say_gap(profile, length)
    st.plotly_chart(
        draw_profile(profile, units=units, kind=spot.kind if spot else ""),
        width="stretch",
        config={"displayModeBar": False, "scrollZoom": False, "staticPlot": False},
        key="profile",
        alt="Profile with the straightedge laid on it",
    )
    _say_here(height, middle)


def _lay_on_map(spot: surfscan.Spot, direction_deg: float, length_mm: float) -> None:
    """The picture above shows the ruler where it lies; it is drawn again when that has changed."""
    work = session.work()
    dx, dy = (
        length_mm / 2 * math.cos(math.radians(direction_deg)),
        length_mm / 2 * math.sin(math.radians(direction_deg)),
    )
    ends = ((spot.x_mm - dx, spot.y_mm - dy), (spot.x_mm + dx, spot.y_mm + dy))
    laid = (work.digest if work is not None else "", spot.id, ends)
    if st.session_state.get(_LAID) != laid:
        st.session_state[_LAID] = laid
        session.redraw()


def _spot_choice(result: surfscan.CheckResult) -> surfscan.Spot | None:
    if not result.spots:
        return None
    spots = {spot.id: spot for spot in result.spots}
    if session.chosen_spot() is None and st.session_state.get(_LINE) is None:
        session.choose_mark(next(iter(spots)))
    chosen = session.chosen_spot()
    titles: dict[int | None, str] = {
        None: "a place of your own",
        **{k: spot_title(spot) for k, spot in spots.items()},
    }
    picked = st.selectbox(
        "Spot",
        [None, *spots],
        index=0 if chosen is None else 1 + list(spots).index(chosen),
        format_func=titles.__getitem__,
        key=f"spot-choice-{chosen}-{session.units()}",
    )
    if picked is not None and picked != chosen:
        session.choose_mark(picked)
        st.session_state.pop(_LINE, None)
        session.redraw()
    return spots.get(picked) if picked is not None else None


def _direction(spot: surfscan.Spot) -> float:
    along, across = "along its length", "across it"
    way = st.segmented_control(
        "Lay it", [across, along, "another way"], default=across, key=f"lay-{spot.id}", required=True
    )
    if way == "another way":
        return float(st.slider("Direction, degrees from sideways", 0, 175, 0, 5, key=f"turn-{spot.id}"))
    return spot.angle_deg + (0.0 if way == along else 90.0)


def _say_gap(profile: Any, length: float) -> None:
    if profile.reason:
        st.warning(f"No gap here: {profile.reason}. Move the place, or take a shorter straightedge.")
        return
    ruler = f"{looks.length(length)} straightedge"
    text = f"**Gap under a {ruler}: {looks.depth(profile.gap_mm)}**"
    if profile.gap_mm < 0.0005:  # under half of the last digit shown
        text = f"**A {ruler} touches here.**"
    elif math.isfinite(profile.u95_mm):
        text += f", give or take {looks.depth(profile.u95_mm)} (95 in 100)."
    if profile.greatest_mm > 1.02 * profile.gap_mm + 0.0005:
        off = looks.length(abs(profile.greatest_at_mm))
        side = "right" if profile.greatest_at_mm > 0 else "left"
        text += f" The greatest gap under it is {looks.depth(profile.greatest_mm)}, {off} to the {side}."
    st.markdown(text)


def _say_here(height: surfscan.HeightMap, place: tuple[float, float]) -> None:
    """Height and uncertainty where the eye is."""
    row = int(np.argmin(np.abs(height.grid.y_mm - place[1])))
    column = int(np.argmin(np.abs(height.grid.x_mm - place[0])))
    value, u95 = float(height.height_mm[row, column]), COVERAGE_FACTOR * float(height.sigma_mm[row, column])
    if math.isfinite(value):
        word = "below" if value < 0 else "above"
        size, spread = looks.depth(abs(value)), looks.depth(u95)
        st.caption(f"Here the surface is {size} {word} fair, give or take {spread}.")


def _solid(result: surfscan.CheckResult, digest: str) -> None:
    with st.expander("In three dimensions"):
        taller = st.select_slider(
            "Show heights taller by", [10, 30, 100, 200, 400], value=200, key=session.kept("taller")
        )
        st.markdown(f"**Heights are shown {taller} times taller than they are.** Turn it with a finger.")
        figure = running.cached_object(
            f"{digest}-solid-{taller}-{session.units()}",
            lambda: draw_solid(result.height, taller=taller, limits=result.limits, units=session.units()),
        )
        st.plotly_chart(
            figure,
            width="stretch",
            config={"displayModeBar": False},
            key="solid",
            alt=f"The deviation as a surface, {taller} times taller",
        )


_CLOSE = "too close to the depth limit to call"
_CUT = "the rim of what was seen cuts it, so more may be needed"


def _fill_plan(result: surfscan.CheckResult) -> None:
    plan = result.details.get("fill", {})
    if not plan:
        return
    st.header("Filler")
    rows = plan.get("lows") or []
    if not rows:
        st.markdown("No low needs filler.")
    for row in rows:
        against = {"over": "over what filler may be deep", "under": "within what filler may be deep"}
        st.markdown(
            f"- **Low {row['spot']}**:"
            f" {'at least ' if row.get('at_least') else ''}{looks.filler(row['depth_mm'])} at the deepest, "
            f"{looks.area(row['area_cm2'])}, {_volume(row['volume_ml'])}; "
            f"{_CUT if row.get('at_least') else against.get(row['against_limit'], _CLOSE)}."
        )
    down, bury = plan["highs_down_first"], plan["highs_buried"]
    offered = str(result.panel.get("stage", "")) in BURY_STAGES
    if offered and any(spot.kind == "high" for spot in result.spots):
        st.markdown("**And if the highs stay up?**")
        for name, way in (("Highs brought down first", down), ("Highs left and buried", bury)):
            st.markdown(
                f"- {name}: {looks.filler(way['depth_mm'])} at the deepest, "
                f"{looks.area(way['area_cm2'])}, {_volume(way['volume_ml'])}."
            )
    st.markdown(looks.escape(looks.words(result).fill_plan()))
    st.caption(
        "The photo sees only the surface: filler already on the panel is not seen and adds to these depths."
    )


def _volume(ml: float | None) -> str:
    if ml is None or not math.isfinite(ml):
        return "unknown volume"
    # 29.5735 ml: a US fluid ounce (NIST Handbook 44, appendix C; from memory)
    return f"{ml:.1f} ml" if session.units() == "mm" else f"{ml / 29.5735:.2f} fl oz"
