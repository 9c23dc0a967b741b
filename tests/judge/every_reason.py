"""Numbers that any reason can be made with."""

from __future__ import annotations

NUMBERS = {
    "share": 0.93,
    "least_mm": 0.4,
    "most_mm": 7.2,
    "spot": 1, "kind": "low", "size_mm": 0.3, "u_mm": 0.01, "limit_mm": 0.04, "probability": 0.0, "measure": "depth",
    "tall": "deep", "end": "bottom", "count": 2, "short_mm": 20.0, "long_mm": 200.0, "slope_mrad": 1.0, "u_mrad": 0.1,
    "limit_mrad": 0.3, "factor": 1.645, "confidence": 0.95, "coverage": 0.7, "sentence": "blown out",
    "cure": "expose less", "file": "a.jpg",
    "trust": 0.4, "threshold": 0.6, "tag": 1, "photo": "a.jpg", "off_mm": 9.0, "allowed_mm": 3.0,
    "by_mm": -30.0, "way": "up", "rivals": "", "by_deg": 2.0, "axis": "lean", "what": "stripe period",
    "by_percent": 4.0,
    "width_mm": 40.0, "step_mm": 0.5, "seen_mm": 35.0, "given_mm": 36.0,
    "why": "no tags", "name": "the other side", "bend_mm": 0.02, "spots": [1, 2], "words": "Sand it.",
    "which": "before", "common": 0.7, "x_mm": 2.0, "y_mm": 3.0, "u_x_mm": 0.3, "u_y_mm": 0.3, "turn_mrad": 1.0,
    "u_turn_mrad": 0.2, "unchanged": 0.2, "date": "2026-05-04", "ratio": 1.002, "u95": 0.01, "days": 40, "most": 30,
    "station": "bay-2",
}  # fmt: skip
