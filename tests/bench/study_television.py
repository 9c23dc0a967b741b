"""A low and a high before a television of a metre, shot in step: each pattern, read against what was rendered.

    PYTHONPATH=tests python tests/bench/study_television.py

Photos of `tests/screen/set_photos.py` (800 x 600, own renderer, of the set's very pixels), the tags surveyed, the board
by the set-up photo, the screen's length known to 0.05 %. Printed: the board's place off the true one, each
peak with its interval, and how long a photo's judgement and the check took.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

import numpy as np
from screen.set_photos import HIGH, LOW, SetScene, write_set_job

import surfscan
from surfscan.job.photos import read_photo
from surfscan.job.sheet import load_sheet
from surfscan.screen.judging import judge_photo
from surfscan.screen.set_board import PATTERNS, Scale, SetBoard


def main() -> None:
    for pattern in PATTERNS:
        board = SetBoard(1920, 1036, Scale(0.63, 0.0005), pattern)
        true = SetScene(*board.screen.size_mm).scene.board
        assert true is not None
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            write_set_job(board, folder)
            sheet = load_sheet(folder)
            file = sheet.photos[0].file
            photos = read_photo(folder / file, file), read_photo(folder / "set-up.jpg", "set-up.jpg")
            began = time.perf_counter()
            good = all(check.good for check in judge_photo(*photos, sheet, 0))
            judged = time.perf_counter()
            result = surfscan.check(folder)
            checked = time.perf_counter()
        off = np.linalg.norm(np.array(result.details["setup"]["board_centre_mm"]) - true.centre_mm)
        told = []
        for x, y, peak, _ in (LOW, HIGH):
            spot = min(result.spots, key=lambda s, x=x, y=y: float(np.hypot(s.x_mm - x, s.y_mm - y)))  # type: ignore[misc]
            told.append(f"{peak:+.3f}: {spot.peak_mm:+.4f} +- {spot.u95_mm:.4f}")
        print(
            f"{pattern}: {board.count} photos, good {good}; board off {off:.1f} mm; {'; '.join(told)};"
            f" {judged - began:.1f} s a photo, {checked - judged:.1f} s the check",
            flush=True,
        )


if __name__ == "__main__":
    main()
