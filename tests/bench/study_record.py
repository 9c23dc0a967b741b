"""The record under fire: killed writers, and ten thousand passes.

    python tests/bench/study_record.py --kills 1000 --passes 10000 [--folder OUT]

OUT is an output folder of `surfscan check`; a made one of usual size (260 x 338 cells, maps of 3.2 MB) by default.
Half of the kills hit writers of that folder, whose passes take longer, half those of a small one.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from sqlalchemy import insert

sys.path.insert(0, str(Path(__file__).parents[1]))

from record.killing import kill_writers
from result_folders import bump, grid, make_folder, spot

from surfscan.results.record import open_record
from surfscan.results.record_bonds import bind
from surfscan.results.record_tables import maps, passes, photos


def _made(folder: Path, step_mm: float, half_mm: tuple[float, float]) -> Path:
    x, y = grid(step_mm, half_mm)
    xx, yy = np.meshgrid(x, y)
    noise = np.random.default_rng(0).normal(0, 1e-3, xx.shape)
    return make_folder(folder, x, y, bump(xx, yy, peak=-0.3) + noise, spots=[spot(1, "low", 0, 0, -0.3)])


def _many(database: Path, folder: Path, count: int) -> None:
    with open_record(database) as record:
        record.add(folder, job="1")
        with record._engine.connect() as connection:
            row = dict(connection.execute(passes.select()).mappings().one())
            packed = dict(connection.execute(maps.select()).mappings().one())
            pictures = [dict(one) for one in connection.execute(photos.select()).mappings()]
            for first in range(2, count + 1, 500):
                numbers = range(first, min(first + 500, count + 1))
                connection.exec_driver_sql("BEGIN")
                connection.execute(insert(passes), [{**row, "id": k, "job": str(k % 997)} for k in numbers])
                connection.execute(insert(maps), [{**packed, "pass_id": k} for k in numbers])
                connection.execute(
                    insert(photos), [{**one, "pass_id": k} for k in numbers for one in pictures]
                )
                for number in numbers:
                    bind(connection, number, key="")
                connection.commit()
    began = time.perf_counter()
    with open_record(database) as record:
        opened = time.perf_counter()
        rows = record.history()
        listed = time.perf_counter()
        one = record.history(job="42")
        chosen = time.perf_counter()
        record.get(count // 2)
        read = time.perf_counter()
        record.add(folder)
        added = time.perf_counter()
    size = database.stat().st_size / 1e9
    print(
        f"{len(rows)} passes, {size:.2f} GB: opened in {opened - began:.3f} s, all listed in {listed - opened:.3f} s,"
        f" one job's {len(one)} in {chosen - listed:.3f} s, a pass opened in {read - chosen:.3f} s,"
        f" one added in {added - read:.3f} s"
    )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=1000)
    parser.add_argument("--passes", type=int, default=10000)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--scratch", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=options.scratch) as scratch:
        base = Path(scratch)
        small = _made(base / "small", 20.0, (160.0, 120.0))
        large = options.folder or _made(base / "large", 1.5, (253.0, 194.0))
        for name, folder, longest in (("small", small, 0.12), ("large", large, 1.0)):
            began = time.perf_counter()
            found = kill_writers(str(base / f"{name}.db"), folder, options.kills // 2, options.seed, longest)
            print(f"{name} passes: {found}, {time.perf_counter() - began:.0f} s", flush=True)
            (base / f"{name}.db").unlink()
        _many(base / "many.db", large, options.passes)


if __name__ == "__main__":
    main()
