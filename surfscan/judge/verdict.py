"""The only place where a panel's verdict is made: evidence in, a verdict and its reasons out.

Each reason has a weight. A note does nothing, a doubt takes "ready" to "close", what decides settles it: to "rework"
for a place surely over its limit, to "not measured" for what was not seen. The worst wins, in the order ready, close,
not measured, rework, and above all "nothing in millimetres is known". So the order of reasons does not matter, and no
further doubt can make a verdict better. Whatever adds a reason later (a set-up's cross-check, another panel, views
joined) goes through `with_reasons`.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from surfscan.core.flags import describe
from surfscan.core.message import Reason, Verdict, Weight
from surfscan.core.records import CheckResult
from surfscan.core.units import MM
from surfscan.judge.decide import Decision, guard_band
from surfscan.judge.fault_words import counted, kinds_text
from surfscan.judge.holes import Hole
from surfscan.judge.reasons import REASONS, in_order, reason, rule_reason, sentences_of
from surfscan.judge.sentence import headline, headline_text
from surfscan.judge.trade_table import words

__all__ = [
    "Evidence",
    "FaultEvidence",
    "Judged",
    "SpotEvidence",
    "judge_spot",
    "verdict_of",
    "weigh",
    "with_reasons",
    "worst_verdict",
]

LEAST_COVERAGE = 0.8
"""Less of the region than this, and nothing found over a limit: not measured (our choice)."""

WHOLE = 0.95
"""Less than this is told."""

FAR = 3.0
"""One direction alone is called ready only when the limit is this many times its 95 % uncertainty (our choice)."""

_RANKS = (Verdict.READY, Verdict.CLOSE, Verdict.NOT_MEASURED, Verdict.REWORK)


def worst_verdict(verdicts: Iterable[str]) -> Verdict:
    """What several panels together are: the worst of them; of none, not measured."""
    return max(map(Verdict, verdicts), key=_RANKS.index, default=Verdict.NOT_MEASURED)


@dataclass(frozen=True, slots=True)
class SpotEvidence:
    """One spot, its limit, and whether the rim of what was seen cuts it (`open`: it is at least this much)."""

    number: int
    kind: str
    size_mm: float
    limit_mm: float
    decision: Decision
    open: bool = False


@dataclass(frozen=True, slots=True)
class FaultEvidence:
    """Small faults: how many of each kind decide, and how many of each are to be looked at again.

    `smallest_mm` is what was looked for: each kind's smallest length that is found nine times in ten; `why_not` says
    what stood in the way where nothing was.
    """

    kinds: Mapping[str, int] = field(default_factory=dict)
    others: Mapping[str, int] = field(default_factory=dict)
    smallest_mm: Mapping[str, float] = field(default_factory=dict)
    share: float = 0.0
    why_not: str = ""


@dataclass(frozen=True, slots=True)
class Evidence:
    """All that a verdict rests on.

    Attributes
    ----------
    spots : tuple of SpotEvidence
    fills : tuple of (number, Decision)
        The filler depth of each low against its limit.
    slope : Decision, optional
        The finish, where its limit counts.
    band_mm : (float, float)
        Of that.
    texture : Decision, optional
        The worst octave of short waves, where its limit counts.
    texture_mm : (float, float)
        Of that.
    faults : FaultEvidence, optional
        Small faults, where they count.
    coverage : float
        Share of the judged region that was measured, 0 to 1.
    floor_u_mm, wide_u95_mm : float
        Typical standard uncertainty of the map; half the 95 % interval that 95 % of it stays under.
    limit_mm : float
        The smallest height limit.
    confidence : float
    stage : str
        What is done about a slope over its limit depends on it.
    folded, one_direction : bool
        Whether a part's reflection folds over; whether a part was seen in one stripe direction only.
    unseen : (sentence, cure)
        What kept most of the unseen part from being seen.
    holes : tuple of Hole
        Places not seen that a spot over the limit fits into, the widest first.
    doubts : tuple of Reason
        About set-up, photos, light, another panel.
    """

    spots: tuple[SpotEvidence, ...] = ()
    fills: tuple[tuple[int, Decision], ...] = ()
    slope: Decision | None = None
    texture: Decision | None = None
    texture_mm: tuple[float, float] = (4.0, 8.0)
    band_mm: tuple[float, float] = (20.0, 200.0)
    faults: FaultEvidence | None = None
    coverage: float = 1.0
    floor_u_mm: float = 0.0
    wide_u95_mm: float = 0.0
    limit_mm: float = math.inf
    confidence: float = 0.95
    stage: str = "primer"
    folded: tuple[str, str] | None = None
    one_direction: bool = False
    unseen: tuple[str, str] = ("too little of the panel could be read", "shoot again")
    holes: tuple[Hole, ...] = ()
    doubts: tuple[Reason, ...] = field(default=())


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict with its reasons."""

    verdict: Verdict
    reasons: tuple[Reason, ...]


def judge_spot(decision: Decision, *, peak_open: bool) -> Verdict:
    """A spot's own verdict: one that the rim cuts may go on, so it is over or too close to call, never within."""
    if peak_open and decision.verdict == Verdict.READY:
        return Verdict.CLOSE
    return decision.verdict


def verdict_of(reasons: Iterable[Reason]) -> Verdict:
    """The verdict that reasons make, in whatever order."""
    best, final = Verdict.READY, False
    for one in reasons:
        forced = _forced(one)
        entry = REASONS.get(one.code)
        final = final or (entry is not None and entry.final and one.weight == Weight.DECIDES)
        if _RANKS.index(forced) > _RANKS.index(best):
            best = forced
    return Verdict.NOT_MEASURED if final else best


def _forced(one: Reason) -> Verdict:
    if one.weight == Weight.NOTE:
        return Verdict.READY
    decides = REASONS[one.code].decides if one.code in REASONS else Verdict.NOT_MEASURED
    return decides if one.weight == Weight.DECIDES and decides is not None else Verdict.CLOSE


def weigh(evidence: Evidence) -> Judged:
    """Turn evidence into a verdict with its reasons.

    Each spot is judged at the confidence; the verdict on many spots is not made stricter for it.

    Parameters
    ----------
    evidence : Evidence

    Returns
    -------
    Judged
    """
    reasons = [*_of_spots(evidence), *_of_seeing(evidence), *_of_light(evidence), *evidence.doubts]
    reasons += _of_faults(evidence.faults)
    blind = guard_band(_known(evidence.floor_u_mm), evidence.confidence) > evidence.limit_mm
    if blind or not math.isfinite(evidence.floor_u_mm):
        reasons.append(
            reason(
                "limit-too-fine",
                Weight.DOUBT,
                "the map",
                limit_mm=evidence.limit_mm,
                u_mm=evidence.floor_u_mm,
            )
        )
    verdict = verdict_of(reasons)
    if verdict == Verdict.READY:
        reasons.append(reason("limit-kept"))
    return Judged(verdict, in_order([*reasons, rule_reason(evidence.confidence)]))


def _known(u: float) -> float:
    return u if math.isfinite(u) else 0.0


def _of_spots(evidence: Evidence) -> list[Reason]:
    found: list[Reason] = []
    lost = 0
    for spot in evidence.spots:
        own = judge_spot(spot.decision, peak_open=spot.open)
        lost += own == Verdict.NOT_MEASURED
        about = f"spot {spot.number}"
        numbers = {"spot": spot.number, "kind": spot.kind, "size_mm": spot.size_mm}
        low = spot.kind == "low"
        if spot.open and own in (Verdict.CLOSE, Verdict.REWORK):
            words = {"tall": "deep" if low else "tall", "end": "bottom" if low else "top"}
            found.append(reason("spot-open", Weight.DOUBT, about, **numbers, **words))
        if own == spot.decision.verdict and own in (Verdict.CLOSE, Verdict.REWORK):
            over = own == Verdict.REWORK
            found.append(
                reason(
                    "spot-over" if over else "spot-close",
                    Weight.DECIDES if over else Weight.DOUBT,
                    about,
                    **numbers,
                    measure="depth" if low else "height",
                    u_mm=spot.decision.u,
                    limit_mm=spot.limit_mm,
                    probability=spot.decision.probability,
                )
            )
    for number, decision in evidence.fills:
        lost += decision.verdict == Verdict.NOT_MEASURED
        if decision.verdict in (Verdict.CLOSE, Verdict.REWORK):
            over = decision.verdict == Verdict.REWORK
            found.append(
                reason(
                    "limit-filler-over" if over else "limit-filler-close",
                    Weight.DECIDES if over else Weight.DOUBT,
                    f"spot {number}",
                    spot=number,
                    size_mm=decision.value,
                    u_mm=decision.u,
                    limit_mm=decision.upper,
                    probability=decision.probability,
                )
            )
    found += _of_finish(evidence)
    lost += evidence.slope is not None and evidence.slope.verdict == Verdict.NOT_MEASURED
    if lost:
        found.append(reason("spot-unknown", count=int(lost)))
    return found


def _of_finish(evidence: Evidence) -> list[Reason]:
    """The waves' slopes against their limits, where those count: in the band, and of the texture."""
    texture = evidence.texture
    found = _of_waves("slope", evidence.slope, evidence.band_mm, evidence.stage)
    if texture is not None and texture.verdict == Verdict.NOT_MEASURED:
        why = "no whole patch of stripes, or none sharp enough"
        return [*found, reason("limit-texture-unknown", Weight.DOUBT, "the finish", why=why)]
    return found + _of_waves("texture", texture, evidence.texture_mm, evidence.stage)


def _of_waves(kind: str, slope: Decision | None, waves_mm: tuple[float, float], stage: str) -> list[Reason]:
    if slope is None or slope.verdict not in (Verdict.CLOSE, Verdict.REWORK):
        return []
    over = slope.verdict == Verdict.REWORK
    return [
        reason(
            f"limit-{kind}-over" if over else f"limit-{kind}-close",
            Weight.DECIDES if over else Weight.DOUBT,
            "the finish",
            short_mm=waves_mm[0],
            long_mm=waves_mm[1],
            slope_mrad=slope.value,
            u_mrad=slope.u,
            limit_mrad=slope.upper,
            probability=slope.probability,
        ),
        reason(f"limit-{kind}-work", about="the finish", words=words(kind)[stage]),
    ]


def _of_faults(faults: FaultEvidence | None) -> list[Reason]:
    """Small faults, and what was looked for; a panel where nothing could be looked for is not ready."""
    if faults is None:
        return []
    if faults.why_not:
        return [reason("fault-unknown", Weight.DOUBT, "small faults", why=faults.why_not)]
    found = []
    if faults.kinds:
        found.append(
            reason("fault-found", Weight.DECIDES, "small faults", what=counted(faults.kinds), **faults.kinds)
        )
    if faults.others:
        found.append(
            reason("fault-look", Weight.DOUBT, "small faults", what=counted(faults.others), **faults.others)
        )
    if not faults.smallest_mm:
        return [*found, reason("fault-noisy", Weight.DOUBT, "small faults")]
    sizes = faults.smallest_mm.values()
    looked = reason(
        "fault-looked",
        about="small faults",
        what=kinds_text(faults.smallest_mm),
        share=faults.share,
        least_mm=min(sizes),
        most_mm=max(sizes),
    )
    return [*found, looked]


def _of_seeing(evidence: Evidence) -> list[Reason]:
    if not evidence.coverage > 0:  # NaN too
        return [reason("seen-nothing", Weight.DECIDES)]
    found = []
    if evidence.folded is not None:
        sentence, cure = evidence.folded
        found.append(reason("seen-fold", Weight.DECIDES, sentence=sentence, cure=cure))
    if evidence.coverage < LEAST_COVERAGE:
        sentence, cure = evidence.unseen
        found.append(
            reason(
                "seen-too-little", Weight.DECIDES, coverage=evidence.coverage, sentence=sentence, cure=cure
            )
        )
    elif evidence.coverage < WHOLE:
        found.append(reason("seen-part", coverage=evidence.coverage))
    if evidence.holes:
        widest = evidence.holes[0]
        why = describe(widest.flag).sentence if widest.flag else "not measured"
        found.append(
            reason(
                "seen-hole",
                Weight.DOUBT,
                "what was not seen",
                count=len(evidence.holes),
                width_mm=widest.width_mm,
                x_mm=widest.x_mm,
                y_mm=widest.y_mm,
                why=why,
                cure=describe(widest.flag).cure if widest.flag else "shoot again",
            )
        )
    return found


def _of_light(evidence: Evidence) -> list[Reason]:
    if not evidence.one_direction:
        return []
    if evidence.wide_u95_mm * FAR <= evidence.limit_mm:  # NaN is not far
        return [reason("light-one-direction-far")]
    return [reason("light-one-direction", Weight.DOUBT)]


def with_reasons(result: CheckResult, more: Iterable[Reason]) -> CheckResult:
    """The result with further reasons, judged again: verdict, sentences and headline follow.

    Parameters
    ----------
    result : CheckResult
    more : iterable of Reason

    Returns
    -------
    CheckResult
    """
    findings = [*result.findings, *more]
    verdict = verdict_of(findings)
    if verdict != Verdict.READY:
        findings = [one for one in findings if one.code != "limit-kept"]
    ordered = in_order(findings)
    head = headline(
        verdict,
        result.spots,
        limits=result.limits,
        stage=str(result.panel.get("stage", "")),
        coverage=result.coverage,
        findings=ordered,
        look=result.details.get("relative"),
    )
    return replace(
        result,
        verdict=verdict,
        findings=ordered,
        reasons=tuple(sentences_of(ordered, MM)),
        headline=head,
        sentence=headline_text(head, ordered, MM),
    )
