"""Uncertainty of a result from the uncertainties of what it is made of.

Law of propagation of JCGM 100:2008 (GUM) and propagation of distributions of JCGM 101:2008, both from memory.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor, inf, isinf, log10, sqrt

import numpy as np
from scipy.special import ndtri, stdtrit

from metrology.amounts.expressions import Expression
from metrology.bodies import Floats
from metrology.errors import InputError

BLOCK = 10_000
MOST_BLOCKS = 200
# Figures drawn at most, so that many inputs or a great confidence end in a few seconds.
MOST_DRAWN = 12_000_000
MOST_CONFIDENCE = 0.999


@dataclass(frozen=True)
class Combined:
    """uncertainty: combined standard uncertainty u(y). contributions: c·u of each input, signed. shares: of the
    variance, they sum to 1 without correlation. dof: effective degrees of freedom, inf when nothing limits them.
    """

    uncertainty: float
    contributions: Floats
    shares: Floats
    dof: float


def from_readings(readings: Sequence[float]) -> tuple[float, float, int]:
    """Type A: (mean, standard uncertainty of the mean, degrees of freedom). Raises InputError (one-reading)."""
    values = np.asarray(readings, dtype=np.float64)
    if values.size < 2:
        raise InputError("one-reading", "One reading tells nothing about the spread. Take two or more.")
    return float(values.mean()), float(values.std(ddof=1)) / sqrt(values.size), int(values.size) - 1


def combine(
    sensitivities: Sequence[float],
    uncertainties: Sequence[float],
    dofs: Sequence[float],
    correlation: Floats | None = None,
) -> Combined:
    """Law of propagation with n inputs; dofs may be inf. correlation: (n, n) with ones on its diagonal, None: none.

    Effective degrees of freedom by Welch and Satterthwaite (GUM G.4). That formula does not hold for correlated
    inputs: then the smallest number of degrees of freedom of any input that contributes is used, which errs on the
    safe side. Raises InputError: bad-correlation (the matrix belongs to no set of quantities).
    """
    parts = np.asarray(sensitivities, dtype=np.float64) * np.asarray(uncertainties, dtype=np.float64)
    limits = np.asarray(dofs, dtype=np.float64)
    plain = float(np.sum(parts**2))
    if correlation is None:
        variance = plain
        with np.errstate(divide="ignore"):
            below = float(np.sum(parts**4 / limits))
        dof = variance**2 / below if below > 0 else inf
    else:
        check_correlation(correlation)
        variance = max(float(parts @ correlation @ parts), 0.0)
        counting = limits[parts != 0]
        dof = float(counting.min()) if counting.size else inf
    shares = parts**2 / plain if plain > 0 else np.zeros_like(parts)
    return Combined(sqrt(variance), parts, shares, dof)


def check_correlation(correlation: Floats) -> None:
    """Raises InputError (bad-correlation) when no quantities can be correlated like this."""
    if float(np.linalg.eigvalsh(correlation).min()) < -1e-9:
        raise InputError(
            "bad-correlation",
            "No quantities can be correlated like this: two that both follow a third also follow each other. "
            "Check the coefficients and their signs.",
        )


def coverage_factor(confidence: float, dof: float) -> float:
    """k for a two-sided coverage probability; degrees of freedom are cut to a whole number, as the GUM does (G.4.1).

    Raises InputError (too-few-dof) below one degree of freedom.
    """
    if isinf(dof):
        return float(-ndtri((1 - confidence) / 2))
    if dof < 1:
        raise InputError(
            "too-few-dof",
            "The effective degrees of freedom are below one: no interval can be given. Take more readings.",
        )
    return float(-stdtrit(floor(dof + 1e-9), (1 - confidence) / 2))


def second_order(formula: Expression, at: dict[str, float], uncertainties: dict[str, float]) -> float:
    """What the next terms of the series add to u², for independent, symmetric inputs (GUM 5.1.2, note)."""
    names = [name for name in uncertainties if uncertainties[name] > 0]
    total = 0.0
    for one in names:
        first = formula.derivative(one)
        slope = float(first.value(at))
        for two in names:
            mixed = first.derivative(two)
            third = float(mixed.derivative(two).value(at))
            both = (uncertainties[one] * uncertainties[two]) ** 2
            total += (0.5 * float(mixed.value(at)) ** 2 + slope * third) * both
    return total


# ---- propagation of distributions ------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Shape:
    """How one input is distributed. kind: normal, t, rectangular, triangular or u-shaped; width: the standard
    uncertainty (normal), the scale of t, else the half-width of the limits. dof: of t.
    """

    kind: str
    centre: float
    width: float
    dof: float = inf


@dataclass(frozen=True)
class Simulated:
    """draws: sorted values of the result. settled: whether all four figures (mean, standard uncertainty, both ends) are
    steady to the numerical tolerance. blocks: of BLOCK draws. low, high: probabilistically symmetric; shortest: the
    shortest interval.
    """

    mean: float
    uncertainty: float
    low: float
    high: float
    shortest: tuple[float, float]
    tolerance: float
    settled: bool
    blocks: int
    draws: Floats


def draw(shapes: Sequence[Shape], size: int, generator: np.random.Generator, root: Floats | None) -> Floats:
    """(inputs, size) draws. root: a square root of the correlation of the inputs, which are all normal then."""
    if root is not None:
        normals = root @ generator.standard_normal((len(shapes), size))
        return np.asarray([[one.centre] for one in shapes]) + np.asarray([[one.width] for one in shapes]) * normals
    rows = [_draw_one(one, size, generator) for one in shapes]
    return np.stack(rows) if rows else np.zeros((0, size))


def _draw_one(one: Shape, size: int, generator: np.random.Generator) -> Floats:
    if one.width == 0:
        return np.full(size, one.centre)
    match one.kind:
        case "normal":
            unit = generator.standard_normal(size)
        case "t":
            unit = generator.standard_t(one.dof, size)
        case "rectangular":
            unit = generator.uniform(-1.0, 1.0, size)
        case "triangular":
            unit = generator.uniform(-0.5, 0.5, size) + generator.uniform(-0.5, 0.5, size)
        case "u-shaped":
            unit = np.cos(np.pi * generator.uniform(0.0, 1.0, size))
        case _:
            raise ValueError(one.kind)
    return one.centre + one.width * unit


def numerical_tolerance(uncertainty: float, digits: int) -> float:
    """Half a unit of the last of so many significant digits of u (JCGM 101, 7.9.2)."""
    if uncertainty <= 0:
        return 0.0
    power = floor(log10(uncertainty)) - (digits - 1)
    if round(uncertainty / 10.0**power) >= 10**digits:  # 9.97 with two digits is 10
        power += 1
    return 0.5 * 10.0**power


def simulate(
    formula: Expression,
    names: Sequence[str],
    shapes: Sequence[Shape],
    *,
    confidence: float,
    digits: int,
    seed: int,
    correlation: Floats | None = None,
    most_blocks: int = MOST_BLOCKS,
) -> Simulated:
    """Propagate the distributions by blocks of draws until the answer is steady (JCGM 101, 7.9).

    Settled: twice the standard deviation of the block averages of mean, u and both ends of the interval is below the
    numerical tolerance for so many significant digits of u. It ends at a fifth of that or after most_blocks. Same seed,
    same answer. Raises InputError: no-value (the formula has none for some draws), too-sure.
    """
    if confidence > MOST_CONFIDENCE:
        raise InputError(
            "too-sure", "Simulation reaches a confidence of 99.9 % at most. Ask for less, or use the budget."
        )
    generator = np.random.default_rng(seed)
    root = None if correlation is None else _root(correlation)
    # Enough draws in a block for its interval to mean something (7.9.4 a).
    size = max(BLOCK, ceil(100 / (1 - confidence)))
    most_blocks = max(3, min(most_blocks, MOST_DRAWN // (size * max(len(names), 1))))
    blocks: list[Floats] = []
    figures: list[tuple[float, float, float, float]] = []
    settled, done, tolerance = False, False, 0.0
    while len(blocks) < most_blocks and not done:
        rows = draw(shapes, size, generator, root)
        values = np.broadcast_to(
            np.asarray(formula.value(dict(zip(names, rows, strict=True))), dtype=np.float64), (size,)
        )
        if not np.all(np.isfinite(values)):
            raise InputError(
                "no-value",
                "For some draws the formula has no value (a division by zero, a root of a negative number). "
                "Narrow the distributions or correct the formula.",
            )
        values = np.sort(values)
        blocks.append(values)
        figures.append((float(values.mean()), float(values.std(ddof=1)), *_ends(values, confidence)))
        if len(blocks) >= 2:
            seen = np.asarray(figures)
            within, between = (size - 1) * np.sum(seen[:, 1] ** 2), size * np.sum((seen[:, 0] - seen[:, 0].mean()) ** 2)
            tolerance = numerical_tolerance(sqrt((within + between) / (size * len(seen) - 1)), digits)
            spread = np.std(seen, axis=0, ddof=1) / sqrt(len(seen))
            worst = 2 * float(spread.max())
            # Five times as steady where that is soon reached, so that both methods can be compared (clause 8.2).
            settled, done = worst <= tolerance, worst <= tolerance / 5
    draws = np.sort(np.concatenate(blocks))
    low, high = _ends(draws, confidence)
    return Simulated(
        float(draws.mean()),
        float(draws.std(ddof=1)),
        low,
        high,
        shortest_interval(draws, confidence),
        tolerance,
        settled,
        len(blocks),
        draws,
    )


def _ends(draws: Floats, confidence: float) -> tuple[float, float]:
    """The probabilistically symmetric interval (JCGM 101, 7.7)."""
    inside = round(confidence * draws.size)
    first = (draws.size - inside + 1) // 2
    return float(draws[first - 1 if first else 0]), float(draws[min(first - 1 + inside, draws.size - 1)])


def shortest_interval(draws: Floats, confidence: float) -> tuple[float, float]:
    """The shortest stretch of sorted draws that holds this share of them."""
    inside = min(round(confidence * draws.size), draws.size - 1)
    widths = draws[inside:] - draws[: draws.size - inside]
    first = int(np.argmin(widths))
    return float(draws[first]), float(draws[first + inside])


def _root(correlation: Floats) -> Floats:
    check_correlation(correlation)
    values, vectors = np.linalg.eigh(correlation)
    root: Floats = vectors * np.sqrt(np.maximum(values, 0.0))
    return root
