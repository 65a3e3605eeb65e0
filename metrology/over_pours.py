"""What the casts of one characteristic say in the order of their pours: stability, capability, and the casts to come.

Nothing new is computed here: the control chart, the capability study and the series bound of `metrology.calculations`
are asked the same questions that a person would ask them on their own pages.
"""

from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np

from metrology.calculations.capability import CapabilityInputs, CapabilityResult, capability
from metrology.calculations.conformity import said_limits
from metrology.calculations.control_chart import ChartInputs, ChartResult, chart
from metrology.calculations.problems import Refused
from metrology.calculations.said import digits
from metrology.calculations.series import BoundInputs, BoundResult, at_least, bound
from metrology.wording import NBSP, count


@dataclass(frozen=True, kw_only=True)
class Asked:
    """lower, upper: limits, not both None. guard: kept off each limit (U). pieces: how many are still to be cast.
    confidence: of all intervals. wanted: the least Ppk. rules: of the chart. phase_one: the first so many casts set its
    limits, all when None. All lengths in `unit`.
    """

    lower: float | None
    upper: float | None
    unit: str = "mm"
    guard: float = 0.0
    pieces: int = 100
    confidence: float = 0.95
    wanted: float = 1.33
    rules: str = "western-electric"
    phase_one: int | None = None


@dataclass(frozen=True)
class OverPours:
    """chart, capability and series are None where the values do not allow them; the sentences say so then.

    verdict: of the capability: conforms, does not conform, inconclusive or not measured. normal: whether anything
    speaks against a normal distribution (False when it does).
    """

    n: int
    chart: ChartResult | None
    capability: CapabilityResult | None
    series: BoundResult | None
    stable_said: str
    capable_said: str
    series_said: str
    verdict: str
    normal: bool

    @property
    def stable(self) -> bool | None:
        """None where there is nothing to tell it by."""
        return None if self.chart is None or self.chart.lower is None else self.chart.stable

    @property
    def has_spread(self) -> bool:
        return self.capability is not None and self.capability.ppk is not None


def over_pours(values: Sequence[float], asked: Asked) -> OverPours:
    """values: one for each cast, in the order of pouring. Raises InputError: no-limits, limits-swapped."""
    given = tuple(float(value) for value in values)
    n = len(given)
    if n < 2:
        said = "No cast has been measured yet." if n == 0 else "One cast has been measured."
        rest = " One value tells nothing about the spread: measure two or more." if n else ""
        return OverPours(n, None, None, None, said + rest, "", _series_none(n), "not measured", True)
    phase = asked.phase_one if asked.phase_one and 2 <= asked.phase_one <= n else None
    made = chart(ChartInputs(values=given, unit=asked.unit, rules=asked.rules, phase_one=phase))
    study = capability(
        CapabilityInputs(
            values=given,
            unit=asked.unit,
            lower=asked.lower,
            upper=asked.upper,
            confidence=asked.confidence,
            wanted=asked.wanted,
        )
    )
    normal = study.normality != "not normal"
    try:
        series = bound(
            BoundInputs(
                values=given,
                unit=asked.unit,
                lower=asked.lower,
                upper=asked.upper,
                guard=asked.guard,
                confidence=asked.confidence,
                series=asked.pieces,
            )
        )
        series_said = _series(series, asked, normal)
    except Refused as refused:
        series, series_said = None, refused.sentence
    advice = f" {study.advice}" if study.advice else ""
    return OverPours(
        n, made, study, series, str(made.sentence), str(study.sentence) + advice, series_said, study.verdict, normal
    )


def _series_none(n: int) -> str:
    return "Nothing can be said of the casts to come." if n else ""


def _series(series: BoundResult, asked: Asked, normal: bool) -> str:
    """Of the casts to come: the share and the chance that all conform, by the distribution or by counting."""
    limits = said_limits(asked.lower, asked.upper, asked.unit)
    guard = f" after a guard band of {digits(asked.guard)}{NBSP}{asked.unit}" if asked.guard else ""
    sure = f"with {digits(100 * asked.confidence)}{NBSP}% confidence"
    by_counting = not normal or series.share_low is None
    share = series.free_share_low if by_counting else series.share_low
    chance = series.free_chance_all_low if by_counting else series.chance_all_low
    if share is None or chance is None:
        return "Nothing can be said of the casts to come."
    why = "" if not by_counting else " counted without a distribution,"
    said = f"Of the casts to come at least {at_least(share)} conform to {limits}{guard},{why} {sure}; "
    pieces = count(asked.pieces, "cast")
    if chance < 0.001:
        return said + f"that all of the next {pieces} conform cannot be promised."
    return said + f"the chance that all of the next {pieces} conform is at least {at_least(chance)}."


def signals_by_cast(result: OverPours) -> dict[int, list[str]]:
    """What the rules saw at each cast, by its place from 0."""
    found: dict[int, list[str]] = {}
    for signal in result.chart.signals if result.chart else ():
        found.setdefault(signal.point - 1, []).append(signal.says)
    return found


def usual_guard(uncertainties: Sequence[float]) -> float:
    """The middle one of the uncertainties of the values, so that one poor reading does not rule them all."""
    return float(np.median(uncertainties)) if len(uncertainties) else 0.0


@dataclass(frozen=True)
class PourChart:
    """values, conforming, names: one for each cast, in order. All figures in `unit`; None: there is no such line.

    conforming: whether its own verdict is conforms. signals: places (from 0) at which a run rule holds. changes: places
    before which another revision begins, with its letter. says: the finding, for who cannot see the drawing.
    """

    values: Sequence[float]
    conforming: Sequence[bool]
    names: Sequence[str]
    unit: str
    says: str
    lower: float | None = None
    upper: float | None = None
    guard: float = 0.0
    nominal: float | None = None
    centre: float | None = None
    control: tuple[float, float] | None = None
    signals: Sequence[int] = ()
    changes: Sequence[tuple[int, str]] = field(default_factory=tuple)
