"""The straight line of one quantity over another: calibration, drift, trend."""

from dataclasses import dataclass

import numpy as np
from scipy import special

from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, sentence, share, table
from metrology.calculations.plots import Axis, Plot, curve
from metrology.calculations.problems import refuse


@dataclass(frozen=True)
class XY:
    x: float = amount("Value of x", "1")
    y: float = amount("Value of y", "1")


@dataclass(frozen=True)
class RegressionInputs:
    values: tuple[XY, ...] = table("Values", XY, least=2, most=20_000)
    confidence: float = share("Confidence of the intervals", above=0.0, highest=0.9999, default=0.95)
    at: float | None = amount("Foretell y at x =", "1", default=None)


@dataclass(frozen=True)
class RegressionResult:
    sentence: str = sentence()
    intercept: float = amount("Intercept", "1")
    slope: float = amount("Slope", "1")
    intercept_deviation: float | None = amount("Standard deviation of the intercept", "1")
    slope_deviation: float | None = amount("Standard deviation of the slope", "1")
    slope_low: float | None = amount("Slope, lower bound", "1")
    slope_high: float | None = amount("Slope, upper bound", "1")
    residual_deviation: float | None = amount("Residual standard deviation", "1")
    determination: float | None = amount("Share of the variance explained, R²", "1", decimals=6)
    p_value: float | None = amount("Chance of such a slope where there is none", "1")
    foretold: float | None = amount("Foretold y", "1")
    foretold_low: float | None = amount("One new value, lower bound", "1")
    foretold_high: float | None = amount("One new value, upper bound", "1")


def regression(inputs: RegressionInputs) -> RegressionResult:
    """y = intercept + slope · x, least squares of y. Error: one-x, when all x are the same."""
    x, y = np.array([(one.x, one.y) for one in inputs.values]).T
    n, mean_x, mean_y = len(x), float(x.mean()), float(y.mean())
    about = x - mean_x
    spread = float(about @ about)
    if spread <= (1e-12 * max(1e-300, float(np.abs(x).max()))) ** 2:
        raise refuse("/values", "All x are the same, so no slope is determined. Take values further apart.", "one-x")
    slope = float(about @ (y - mean_y)) / spread
    intercept = mean_y - slope * mean_x
    left = y - mean_y - slope * about
    of_y, left_squares = float(((y - mean_y) ** 2).sum()), float(left @ left)
    # Differences this small are the rounding of the figures given.
    noise = (4e-16 * max(1.0, float(np.abs(y).max()))) ** 2 * n
    explained = None if of_y <= noise else 1.0 - left_squares / of_y
    foretold = None if inputs.at is None else intercept + slope * inputs.at
    if n == 2:
        return RegressionResult(
            "Two values always lie on a line: this checks nothing. Take more.",
            intercept, slope, None, None, None, None, None, explained, None, foretold, None, None,
        )  # fmt: skip
    deviation = float(np.sqrt(left_squares / (n - 2)))
    sure_slope = deviation / spread**0.5
    sure_intercept = deviation * (1 / n + mean_x**2 / spread) ** 0.5
    t = float(special.stdtrit(n - 2, 0.5 + inputs.confidence / 2))
    low, high = slope - t * sure_slope, slope + t * sure_slope
    p = None
    if sure_slope > 0:
        p = 2 * float(special.stdtr(n - 2, -abs(slope) / sure_slope))
    wide = None
    if inputs.at is not None:
        wide = t * deviation * (1 + 1 / n + (inputs.at - mean_x) ** 2 / spread) ** 0.5
    trend = (
        "no trend is shown: the interval of the slope holds 0"
        if low <= 0 <= high
        else f"y {'rises' if slope > 0 else 'falls'} with x"
    )
    return RegressionResult(
        f"y = {intercept:.6g} {'+' if slope >= 0 else '−'} {abs(slope):.6g} x with a residual standard deviation of "
        f"{deviation:.4g}; {trend}.".replace("= -", "= −"),
        intercept, slope, sure_intercept, sure_slope, low, high, deviation, explained, p, foretold,
        None if foretold is None or wide is None else foretold - wide,
        None if foretold is None or wide is None else foretold + wide,
    )  # fmt: skip


def drawn(inputs: RegressionInputs, result: RegressionResult) -> tuple[Plot, ...]:
    x, y = np.array([(one.x, one.y) for one in inputs.values]).T
    ends = np.array([x.min(), x.max()] if inputs.at is None else [min(x.min(), inputs.at), max(x.max(), inputs.at)])
    return (
        Plot(
            "Values and line", Axis("x"), Axis("y"),
            (
                curve(x, y, "points", label="values"),
                curve(ends, result.intercept + result.slope * ends, look="second", label="line"),
            ),
            says=f"{len(x)} values about a line of slope {result.slope:.4g}.",
        ),
    )  # fmt: skip


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="regression-line",
        title="Straight line by least squares",
        subject="Measuring",
        asks="How does one quantity follow another, and how sure is the slope?",
        inputs=RegressionInputs,
        result=RegressionResult,
        compute=regression,
        example=RegressionInputs(
            tuple(XY(float(k), y) for k, y in enumerate((0.02, 0.05, 0.03, 0.08, 0.11, 0.10, 0.14, 0.15), start=1)),
            0.95,
            12.0,
        ),
        formula="slope = Σ(x − x̄)(y − ȳ) / Σ(x − x̄)²; intercept = ȳ − slope · x̄",
        sources=(Source("Ordinary least squares of y, normal residuals, Student's t for the intervals", "definition"),),
        cautions=(
            "x counts as exact. Foretelling beyond the values measured is a guess.",
            "The example is invented: worst deviation in mm over pours of one mould.",
        ),
        plot=drawn,
    ),
)
