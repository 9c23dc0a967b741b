"""Edited results by the thousand, each through a command that reads one: `result.json` changed, or its maps."""

from __future__ import annotations

import copy
import json
import random
import shutil
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
from fuzz_inputs import NUMBERS, TEXTS, places
from result_folders import bump, grid, make_folder, spot

from surfscan import cli
from surfscan.results.npz import maps_digest

__all__ = ["COMMANDS", "Edited", "make_base", "run_edited"]

COMMANDS: tuple[tuple[str, ...], ...] = (
    ("report", "R", "--out", "OUT"),
    ("report", "R", "--out", "OUT", "--inch", "--paper", "letter"),
    ("verify", "R"),
    ("export", "R", "--out", "OUT"),
    ("compare", "R", "GOOD", "--out", "OUT"),
    ("compare", "GOOD", "R", "--out", "OUT"),
    ("gloss", "R", "--out", "OUT"),
    ("join", "R", "GOOD", "--out", "OUT"),
    ("show", "1", "--record", "REC"),
    ("show", "1", "--record", "REC", "--why", "--inch"),
)
"""R is the edited result, GOOD one that is whole, REC a record that R was added to where that was possible."""

GOOD_STATUS = (0, 2, 3, 4, 10, 11)


@dataclass(frozen=True)
class Edited:
    """What came of one: the command, its status and what it said."""

    command: str
    status: int
    said: str

    @property
    def is_fault(self) -> bool:
        """Whether it is a fault of ours: status 1, a traceback, or a refusal without its three parts."""
        whole = self.status not in (2, 3) or "allowed: " in self.said  # at status 4 there may be a result
        return self.status not in GOOD_STATUS or "Traceback" in self.said or not whole


def make_base(folder: Path) -> Path:
    """A good result with its papers, and another one of the same panel."""
    x, y = grid(8.0)
    xx, yy = np.meshgrid(x, y)
    for name, peak in (("base", -0.3), ("good", -0.1)):
        rows = [spot(1, "low", 0, 0, peak), spot(2, "high", 80, 40, 0.1)]
        made = make_folder(folder / name, x, y, bump(xx, yy, peak=peak), spots=rows)
        document = json.loads((made / "result.json").read_text())
        with np.load(made / "height.npz") as arrays:
            document["maps_sha256"] = maps_digest(dict(arrays))
        (made / "result.json").write_text(json.dumps(document))
    with redirect_stdout(StringIO()), redirect_stderr(StringIO()):
        assert cli.main(["report", str(folder / "base")]) == 0
    return folder


def _edit(rng: random.Random, folder: Path) -> None:
    """One to three changes of a result's numbers, words or maps."""
    document: dict[str, Any] = json.loads((folder / "result.json").read_text())
    if rng.random() < 0.25:
        with np.load(folder / "height.npz") as stored:
            arrays = {name: np.array(stored[name]) for name in stored.files}
        _edit_maps(rng, arrays)
        np.savez(folder / "height.npz", **arrays)
        document["maps_sha256"] = maps_digest(arrays)
    for _ in range(rng.choice((1, 1, 2, 3))):
        *path, last = rng.choice(places(document))
        home: Any = document
        for part in path:
            home = home[part]
        act = rng.randrange(5)
        if act == 0:
            del home[last]
            if not document:
                break
        elif act == 1:
            home[last] = rng.choice(NUMBERS)
        elif act == 2:
            home[last] = rng.choice(TEXTS)
        elif act == 3:
            home[last] = rng.choice((None, [], {}, [[]], {"a": 1}, True, [1, 2, 3], ["x"]))
        elif isinstance(home, list):
            home.extend(copy.deepcopy(home[last]) for _ in range(rng.choice((1, 50))))
        else:
            home[rng.choice(("x", "", "relative", "fill", "setup", "findings", "reference"))] = home[last]
    (folder / "result.json").write_text(json.dumps(document), encoding="utf-8", errors="surrogatepass")


def _edit_maps(rng: random.Random, arrays: dict[str, np.ndarray]) -> None:
    name = rng.choice(sorted(arrays))
    array = arrays[name]
    act = rng.randrange(6)
    if act == 0 and array.dtype.kind == "f":
        array.flat[rng.randrange(array.size)] = rng.choice((np.nan, np.inf, 1e30, -1e30))
    elif act == 1:
        arrays[name] = np.full_like(array, rng.choice((0, 1, 7)))
    elif act == 2 and array.dtype.kind == "f":
        arrays[name] = np.full_like(array, np.nan)
    elif act == 3:
        arrays[name] = array * array.dtype.type(rng.choice((-1, 3)))
    elif act == 4:
        arrays[name] = array[..., : rng.choice((0, 1, 2, array.shape[-1] - 1))]
    else:
        del arrays[name]


def run_edited(base: Path, seed: int) -> Edited:
    """Edit the result of `make_base`, run one command over it, and say what came of it."""
    rng = random.Random(f"edited {seed}")
    work, out, record = base / "work", base / "out", base / "record.sqlite"
    shutil.rmtree(work, ignore_errors=True)
    shutil.rmtree(out, ignore_errors=True)
    shutil.copytree(base / "base", work)
    _edit(rng, work)
    command = COMMANDS[seed % len(COMMANDS)]
    names = {"R": str(work), "GOOD": str(base / "good"), "OUT": str(out), "REC": str(record)}
    said = StringIO()
    with redirect_stdout(StringIO()) as printed, redirect_stderr(said):
        if "REC" in command:
            for path in record.parent.glob("record.sqlite*"):
                path.unlink()
            _add(record, work, base / "good")
        status = cli.main([names.get(word, word) for word in command])
    words = said.getvalue() + (printed.getvalue() if status == 3 and command[0] == "verify" else "")
    if status == 3 and command[0] == "verify" and "not as it was sealed" in words:
        words += "allowed: "  # its answer, not a refusal
    return Edited(" ".join(command), status, words)


def _add(record: Path, *folders: Path) -> None:
    from surfscan.core.errors import SurfscanError
    from surfscan.results.record import open_record

    with open_record(record) as opened:
        for folder in folders:
            try:
                opened.add(folder)
            except SurfscanError:
                continue
            return
