"""What a gauge study says in words."""

from typing import TYPE_CHECKING

from metrology.calculations.said import digits
from metrology.statistics.gauge import Study
from metrology.statistics.gauge_intervals import Interval
from metrology.wording import NBSP, count, listed, number

if TYPE_CHECKING:
    from metrology.calculations.gauge_study import GaugeInputs

METHODS = {
    "anova": "analysis of variance",
    "average-range": "averages and ranges",
    "range": "range, each part read once",
}


def judged(grr: float | None, good: float, marginal: float) -> str | None:
    """fit, marginal or unfit by a share of tolerance or variation; a share on a border is the better word."""
    if grr is None:
        return None
    grr = round(grr, 12)
    return "fit" if grr <= good else "marginal" if grr <= marginal else "unfit"


def gauge_said(
    verdict: str | None,
    by_tolerance: float | None,
    of_variation: float | None,
    interval: Interval | None,
    uncut: float | None,
    inputs: "GaugeInputs",
    study: Study,
) -> str:
    """The share that decides first, with its interval; then what the gauge can tell apart."""
    if study.components.grr == 0:
        return (
            f"All readings of a part are the same: the gauge shows no spread in {count(_readings(study), 'reading')}. "
            "Read it more finely, if it can be."
        )
    sure = f"{digits(100 * inputs.confidence)}{NBSP}% confidence"
    if by_tolerance is not None:
        said = f"The gauge is {verdict} for this tolerance: %GRR is {percent(by_tolerance)} of it"
        if interval is not None:
            said += f", with {sure} from {percent(interval.low)} to {percent(interval.high)}"
    elif of_variation is not None:
        said = f"The gauge is {verdict} by variation: %GRR is {percent(of_variation)} of it; no tolerance is given"
    else:
        return (
            f"{count(_readings(study), 'reading')} of one part: the gauge alone, with nothing to compare it with. "
            "Give the tolerance."
        )
    if "part" in study.components.untold and inputs.process_sd is None:
        return said + "."
    from metrology.statistics.gauge import whole_categories

    kinds = whole_categories(uncut)
    if kinds is None:
        return said + "."
    if kinds > 100:
        return said + ". It tells more than 100 categories of parts apart."
    return said + f". It tells {count(kinds, 'category', 'categories')} of parts apart."


def study_notes(study: Study, inputs: "GaugeInputs") -> str:
    """How the study came to its components, where that is not plain."""
    notes = []
    c, (_, a, r) = study.components, study.shape
    if study.pooled and r == 1:
        notes.append("With one reading each, the interaction counts as repeatability.")
    elif study.pooled and inputs.interaction == "by-level":
        level = digits(100 * inputs.pooling_level)
        notes.append(f"The interaction is pooled: its p-value is above {level}{NBSP}%.")
    elif study.pooled:
        notes.append("The interaction is pooled.")
    if c.zeroed:
        verb = "was" if len(c.zeroed) == 1 else "were"
        notes.append(f"The variance of {listed(c.zeroed)} came out negative and {verb} set to 0.")
    if a == 1:
        notes.append("One appraiser: reproducibility is not tested.")
    if study.method == "range":
        notes.append("The short method does not tell repeatability from reproducibility.")
    if inputs.process_sd is not None:
        notes.append("The variation is the given one of the process.")
    return " ".join(notes)


def percent(p: float) -> str:
    """One decimal below 100 %."""
    return f"{number(100 * p, 1 if p < 1 else 0)}{NBSP}%"


def _readings(study: Study) -> int:
    p, a, r = study.shape
    return p * a * r
