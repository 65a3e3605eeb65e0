"""Time the calculations that have a limit: python -m benchmarks.numbers. Exit status 1 when one is too slow.

Each entry of TIMED is a name, a function that does the work once, and the most seconds it may take (best of a few).
"""

import sys
from collections.abc import Callable
from time import perf_counter

import numpy as np

from metrology.calculations.gauge_study import GaugeInputs, gauge_study
from metrology.conformance import global_risks
from metrology.gauge_intervals import forget_draws
from metrology.tolerance_interval import one_sided_factor, two_sided_factor

# Two-sided factors of many sample sizes, so that nothing can be kept from one call to the next.
SIZES = (4, 7, 10, 15, 24, 40, 75, 130, 299, 1000)

# A gauge study of 10 parts, 3 appraisers and 3 readings each.
GAUGE = GaugeInputs(
    rows=tuple(map(tuple, np.random.default_rng(1).normal(size=(10, 9)).cumsum(axis=0).tolist())), tolerance=20.0
)


def gauge_afresh() -> object:
    """With the draws of its intervals made anew, as for the first study of a shape."""
    forget_draws()
    return gauge_study(GAUGE)


TIMED: tuple[tuple[str, Callable[[], object], float], ...] = (
    (
        "ten exact two-sided tolerance factors",
        lambda: [two_sided_factor(n, 0.95, 0.95) for n in SIZES],
        len(SIZES) * 0.005,
    ),
    (
        "ten exact one-sided tolerance factors",
        lambda: [one_sided_factor(n, 0.95, 0.95) for n in SIZES],
        len(SIZES) * 0.005,
    ),
    ("a gauge study of 10 x 3 x 3 with intervals, the first of its shape", gauge_afresh, 0.020),
    ("the same again", lambda: gauge_study(GAUGE), 0.020),
    ("global risks of a decision rule", lambda: global_risks(0.0, 1.0, 0.25, -2.0, 2.0, 0.1), 0.005),
)


def best_of(work: Callable[[], object], times: int = 5) -> float:
    taken = []
    for _ in range(times):
        start = perf_counter()
        work()
        taken.append(perf_counter() - start)
    return min(taken)


def main() -> int:
    slow = 0
    for name, work, allowed in TIMED:
        taken = best_of(work)
        slow += taken > allowed
        said = "too slow" if taken > allowed else "in time"
        print(f"{said:9} {1000 * taken:9.3f} ms of {1000 * allowed:7.1f} ms  {name}")
    return 1 if slow else 0


if __name__ == "__main__":
    sys.exit(main())
