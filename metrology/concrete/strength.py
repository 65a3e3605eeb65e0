"""Acceptance of concrete by its compressive strength tests.

Rule of ACI 318 section 26.12.3, from the institute's public answer page on the 2014 edition (READ; the code itself is
not in hand). Two conditions: the mean of each three tests in a row is not below the specified strength; and no single
test is more than 3.5 MPa below it, or, above 35 MPa specified, more than a tenth of it below. By the same page one test
is the mean of at least two 150 × 300 mm or three 100 × 200 mm cylinders, at 28 days unless another age is specified.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import ROUND_CEILING, ROUND_FLOOR, Decimal
from typing import Literal

from metrology.amounts.decimals import exact
from metrology.errors import InputError
from metrology.wording import count, quantity

CAUTION = (
    "Records results; does not replace a licensed engineer, the inspector or local code. Cylinder tests judge the "
    "mix as delivered. Strength for demoulding and lifting is the engineer's value and needs its own test."
)

_FEWEST = 3
_SHARE = Decimal("0.9")
# Figures that differ by less than this share are one: units that were converted leave such a rest.
HAIR = 1e-11


@dataclass(frozen=True)
class Rule:
    """In which unit the rule is written. below: no test further under the specified strength than this, which holds up
    to `strong`."""

    unit: str
    below: Decimal
    strong: Decimal


METRIC = Rule("MPa", Decimal("3.5"), Decimal(35))
# The customary edition's own round figures, not the metric ones converted; from memory.
CUSTOMARY = Rule("psi", Decimal(500), Decimal(5000))


@dataclass(frozen=True)
class StrengthAcceptance:
    """All strengths in MPa.

    result: pass, fail, or missing when too few tests have come in to say either. code: accepted, mean-too-low,
    test-too-low, too-few-tests or no-tests. lowest: the lowest test; None without tests. lowest_allowed: what no test
    may fall below. means: averages of each three consecutive tests, in order. lowest_mean: the lowest of them, or
    None. enough: three tests or more. sentence: the finding in words.
    """

    result: Literal["pass", "fail", "missing"]
    code: str
    lowest: float | None
    lowest_allowed: float
    means: tuple[float, ...]
    lowest_mean: float | None
    enough: bool
    sentence: str


def lowest_allowed(fc_mpa: float) -> float:
    """The strength below which no single test may fall, MPa, for a specified strength in MPa."""
    return float(_lowest_allowed(_positive(fc_mpa, "specified strength", METRIC), METRIC))


def acceptance(tests_mpa: Sequence[float], fc_mpa: float, rule: Rule = METRIC) -> StrengthAcceptance:
    """Judge one class of concrete by its strength tests in the order they were sampled.

    tests_mpa: strength tests, MPa, each already the average of its cylinders. fc_mpa: specified strength, MPa. A mean
    equal to fc passes; a test equal to the lowest allowed passes. A test that is too low fails even when there are
    fewer than three; otherwise fewer than three tests are not enough evidence (missing). With another rule all figures
    are in its unit. Raises InputError: not-a-number, bad-strength (zero or less).
    """
    fc = _positive(fc_mpa, "specified strength", rule)
    tests = [_positive(test, f"strength of test {place}", rule) for place, test in enumerate(tests_mpa, start=1)]
    floor = _lowest_allowed(fc, rule)
    sums = [sum(tests[start : start + 3], Decimal(0)) for start in range(len(tests) - 2)]
    result, code, sentence = _finding(tests, sums, fc, floor, rule.unit)
    return StrengthAcceptance(
        result=result,
        code=code,
        lowest=float(min(tests)) if tests else None,
        lowest_allowed=float(floor),
        means=tuple(float(total / 3) for total in sums),
        lowest_mean=float(min(sums) / 3) if sums else None,
        enough=len(tests) >= _FEWEST,
        sentence=sentence,
    )


def _positive(strength: float, name: str, rule: Rule) -> Decimal:
    figure = exact(strength, name)
    if figure <= 0:
        raise InputError("bad-strength", f"The {name} is {figure} {rule.unit}. Enter a strength above zero.")
    return figure


def _lowest_allowed(fc: Decimal, rule: Rule) -> Decimal:
    return fc - rule.below if fc <= rule.strong else _SHARE * fc


def _under(figure: Decimal, limit: Decimal) -> bool:
    return figure < limit * (1 - Decimal(HAIR))


def _finding(
    tests: list[Decimal], sums: list[Decimal], fc: Decimal, floor: Decimal, unit: str
) -> tuple[Literal["pass", "fail", "missing"], str, str]:
    specified = f"the specified {_said(fc, unit)}"
    if not tests:
        return "missing", "no-tests", f"No strength test yet; {count(_FEWEST, 'test')} are needed against {specified}."
    lowest = min(tests)
    low_test = (
        f"Test {tests.index(lowest) + 1} reached {_said(lowest, unit, down=True)}, too low: no test may fall below "
        f"{_said(floor, unit)} for {specified}."
    )
    low_sum = min(sums, default=None)
    if low_sum is not None and _under(low_sum, 3 * fc):
        first = sums.index(low_sum) + 1
        low_mean = (
            f"The mean of tests {first} to {first + 2} is {_said(low_sum / 3, unit, down=True)}, below {specified}."
        )
        if _under(lowest, floor):
            return "fail", "test-too-low", f"{low_test} {low_mean}"
        return "fail", "mean-too-low", low_mean
    if _under(lowest, floor):
        return "fail", "test-too-low", low_test
    if low_sum is None:
        return (
            "missing",
            "too-few-tests",
            f"Only {count(len(tests), 'test')} so far, lowest {_said(lowest, unit, down=True)}; "
            f"{count(_FEWEST, 'test')} are needed against {specified}.",
        )
    return (
        "pass",
        "accepted",
        f"Each mean of three tests in a row reaches {specified}, the lowest {_said(low_sum / 3, unit, down=True)}; "
        f"the lowest of {count(len(tests), 'test')} is {_said(lowest, unit, down=True)} where {_said(floor, unit)} "
        "is allowed.",
    )


def _said(strength: Decimal, unit: str, *, down: bool = False) -> str:
    """One decimal, two where needed. down: cut, not rounded, so that a strength never seems to reach a limit."""
    figure = strength.quantize(Decimal("0.01"), ROUND_FLOOR if down else ROUND_CEILING)
    return quantity(float(figure), unit, 1 if figure == figure.quantize(Decimal("0.1")) else 2)
