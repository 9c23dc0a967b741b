"""Several results of one panel: views joined, passes compared."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from surfscan.change.comparison import Comparison, compare_results
from surfscan.checking.pipeline import check_job
from surfscan.checking.whole import join_views
from surfscan.core.errors import RefusedError
from surfscan.core.records import CheckResult
from surfscan.report.export import stored_of
from surfscan.results.stored import StoredResult, load_result

__all__ = ["compare", "join", "view_of"]

Result = Path | str | StoredResult | CheckResult


def join(
    views: Sequence[Result], *, name: str = "", progress: Callable[[str, float], None] | None = None
) -> CheckResult:
    """Join overlapping views of one panel to a whole, and judge that.

    Parameters
    ----------
    views : sequence of path, StoredResult or CheckResult
        Two and more: job folders (they are checked first), output folders, or results.
    name : str
        Of the whole panel; the first view's when empty.
    progress : callable, optional
        Told a stage in words and the share done, 0 to 1.

    Returns
    -------
    CheckResult
        In the whole panel's frame.

    Raises
    ------
    RefusedError
        When the views do not belong together, or do not overlap.
    NotMeasuredError

    Examples
    --------
    >>> whole = surfscan.join(views, name="bonnet")
    >>> whole.panel["name"], len(whole.spots), abs(whole.spots[0].peak_mm + 0.2) < 0.01
    ('bonnet', 1, True)
    """
    tell = progress or (lambda stage, share: None)
    found = []
    for k, view in enumerate(views):
        if isinstance(view, Path | str):
            tell(f"checking {Path(view).name}", 0.1 + 0.7 * k / len(views))
        found.append(view_of(view))
    tell("joining the views", 0.9)
    return join_views(found, name=name)


def compare(before: Result, after: Result, *, tags_moved: bool | None = None) -> Comparison:
    """Compare two passes of one panel: what was added, taken off, and which spots closed or opened.

    Parameters
    ----------
    before, after : path, StoredResult or CheckResult
        Output folders, job folders, or results of the earlier and the later pass.
    tags_moved : bool, optional
        Whether the tags were taken off and laid again in between; found out when not given.

    Returns
    -------
    Comparison

    Raises
    ------
    RefusedError
        When the passes can't be of one panel.
    NotMeasuredError
        When too little was measured in both.

    See Also
    --------
    surfscan.change.buildup.compare_passes : three and more passes.

    Examples
    --------
    >>> change = surfscan.compare(result, result)
    >>> str(change.verdict), float(np.nanmax(np.abs(change.difference_mm))) < 0.001
    ('ready', True)
    """
    return compare_results(view_of(before), view_of(after), tags_moved=tags_moved)


def view_of(given: Result) -> StoredResult:
    """A result from what stands for it: itself, an output folder, or a job folder, which is checked now.

    Raises
    ------
    RefusedError
        For a folder that is neither, and as `check_job`.
    """
    if isinstance(given, StoredResult):
        return given
    if isinstance(given, CheckResult):
        return stored_of(given)
    path = Path(given)
    if (path / "result.json").is_file():
        return load_result(path)
    if not (path / "panel.toml").is_file():
        raise RefusedError(
            f"{path} is no view",
            found="neither panel.toml nor result.json",
            allowed="a job folder, or an output folder of surfscan check",
            cure="check the path, and name every view's folder",
        )
    return stored_of(check_job(path), name=path.name)
