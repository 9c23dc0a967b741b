"""The gap gauge: a wedge and bars to check depths by hand."""

from __future__ import annotations

from surfscan.plan.ink import Line, Mark, Rect, Words
from surfscan.plan.targets import Target

__all__ = ["GAUGE_LENGTH_MM", "GAUGE_RISE_MM", "gap_gauge"]

GAUGE_LENGTH_MM, GAUGE_RISE_MM = 180.0, 9.0
_BARS_MM = (0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.7, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.35)


def gap_gauge() -> Target:
    """A wedge to cut out and slide under a straightedge, and bars of known width to hold beside a gap.

    The wedge rises by 9 mm over 180: where it sticks, its scale says how high the gap is.
    """
    length, rise = GAUGE_LENGTH_MM, GAUGE_RISE_MM
    art: list[Mark] = [
        Words(0, 62, "Gap gauge: paste on stiff card, cut along the wedge's outline", 3.0, bold=True),
        Line(((0, 38), (length, 38), (length, 38 + rise), (0, 38)), 0.15),
        Words(
            0,
            57.5,
            "Slide it point first under the ruler, upright. Where it sticks, the scale says the gap in mm.",
            2.6,
        ),
    ]
    for tenth in range(5, round(10 * rise) + 1, 5):
        x = length * tenth / 10 / rise
        whole = tenth % 10 == 0
        art.append(Line(((x, 38), (x, 38 - (3.0 if whole else 1.8))), 0.15))
        if whole:
            art.append(Words(x, 31.5, f"{tenth // 10}", 2.8, "middle"))
    art.append(
        Words(0, 22, "Bars of known width: hold them beside the light under the ruler. Width in mm:", 2.6)
    )
    x = 2.0
    for bar in _BARS_MM:
        art += [Rect(x, 6, bar, 13), Words(x + bar / 2, 1.5, f"{bar:g}", 2.4, "middle")]
        x += bar + 8.9
    keys = ("# no sheet key: a gauge to check depths by hand; cut by hand it is good to about 0.2 mm",)
    return Target("gauge", "gap gauge, 0 to 9 mm", (length + 4, 68.0), tuple(art), keys, whole=True)
