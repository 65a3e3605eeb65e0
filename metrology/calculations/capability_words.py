"""What a capability study says in words."""

from metrology.calculations.conformity_risk import percent
from metrology.calculations.said import digits, written
from metrology.statistics.capability import Index
from metrology.statistics.normality import Normality
from metrology.wording import NBSP, number


def judged(index: Index | None, wanted: float) -> str:
    """The wanted index against the interval: conforms, does not conform or inconclusive."""
    if index is None or index.low is None or index.high is None:
        return "inconclusive"
    if index.low >= wanted:
        return "conforms"
    return "does not conform" if index.high < wanted else "inconclusive"


def capability_said(
    index: Index | None,
    *,
    verdict: str,
    wanted: float,
    confidence: float,
    normality: Normality | None,
    outlier: float | None,
    unit: str,
    conforming: int | None,
    n: int | None,
    share_low: float | None,
) -> str:
    """Ppk with its interval first; what stands against it, and the count that holds in any case, after."""
    if index is None:
        counted = f" {conforming} of {n} are inside the limits." if conforming is not None else ""
        return "The values show no spread, so there is no index: measure more finely." + counted
    said = f"Ppk is {number(index.value, 2)}"
    if index.low is not None and index.high is not None:
        said += f", with {digits(100 * confidence)}{NBSP}% confidence from {number(index.low, 2)} to "
        said += f"{number(index.high, 2)}: "
        want = number(wanted, 2)
        said += {
            "conforms": f"at least {want} is shown.",
            "does not conform": f"it does not reach {want}.",
            "inconclusive": f"whether it reaches {want} is not shown.",
        }[verdict]
    else:
        said += ", without an interval because the number of values is not given."
    if normality is not None and normality.refuted:
        said += " But the values are not normal, so the index misleads"
        if conforming is not None and share_low is not None:
            said += f": by counting, {conforming} of {n} are inside the limits, at least {percent(share_low)} of all"
        said += "."
    if outlier is not None:
        said += f" {written(outlier, unit, unit)} is an outlier."
    return said


def advice(normality: Normality | None, outlier: float | None, sd: float) -> str | None:
    """What to do about the values; None where nothing stands against the indices."""
    if sd == 0:
        return "Measure more finely: readings that do not differ hide the spread."
    if outlier is not None:
        return "Find the cause of the outlier; leave it out only with one, and say so."
    if normality is None:
        return None
    if normality.refuted:
        return (
            "Look for two moulds, batches or hands in one list; else go by the count, or by percentiles of 1000 values."
        )
    if normality.word == "too few values to tell":
        return "Go on measuring: fewer than 8 values tell nothing about the distribution."
    return None
