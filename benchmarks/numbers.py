"""Time the calculations that have a limit: python -m benchmarks.numbers. Exit status 1 when one is too slow.

Each entry of TIMED is a name, a function that does the work once, and the most seconds it may take (best of a few).
"""

import resource
import sys
from collections.abc import Callable
from time import perf_counter

import numpy as np

from benchmarks import measured
from metrology.calculations.gauge_study import GaugeInputs, gauge_study
from metrology.closure.loops import Contributor, LinearLoop, draw_gaps
from metrology.closure.ring_chain import Ring
from metrology.closure.ring_closure import PieceErrors, Spread, simulate_free
from metrology.statistics.conformance import global_risks
from metrology.statistics.gauge_intervals import forget_draws
from metrology.statistics.tolerance_interval import one_sided_factor, two_sided_factor

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


# A ring and a row of a hundred pieces, a million of each, against drawing the numbers alone.
PIECES, ASSEMBLIES = 100, 1_000_000
HUNDRED = Ring(PIECES, 600.0, 6.0, 240.0)
OFF = PieceErrors(length=Spread(sd=0.5), angle=Spread(sd=2e-5))
ROW = [Contributor(f"piece {n}", 600.0, 598.5, 601.5) for n in range(PIECES)]


def draw_alone(kinds: int) -> None:
    random, into = np.random.default_rng(1), np.empty(ASSEMBLIES)
    for _ in range(kinds * PIECES):
        random.standard_normal(out=into)


# name, the work, drawing its numbers alone, the most times as long it may take
RATIOS: tuple[tuple[str, Callable[[], object], Callable[[], object], float], ...] = (
    (
        "a million free rings of 100 pieces, lengths and angles",
        lambda: simulate_free(HUNDRED, OFF, ASSEMBLIES, 1),
        lambda: draw_alone(2),
        1.5,
    ),
    (
        "a million rows of 100 pieces",
        lambda: draw_gaps(LinearLoop((1.0,) * PIECES), ROW, ASSEMBLIES, 1),
        lambda: draw_alone(1),
        1.5,
    ),
)
MOST_MEMORY = 1e9


def best_of(work: Callable[[], object], times: int = 5) -> float:
    taken = []
    for _ in range(times):
        start = perf_counter()
        work()
        taken.append(perf_counter() - start)
    return min(taken)


def peak_memory() -> float:
    """Of this process so far, bytes."""
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    return used * (1.0 if sys.platform == "darwin" else 1024.0)


def main() -> int:
    slow = 0
    for name, work, allowed in TIMED:
        taken = best_of(work)
        slow += taken > allowed
        said = "too slow" if taken > allowed else "in time"
        print(f"{said:9} {1000 * taken:9.3f} ms of {1000 * allowed:7.1f} ms  {name}")
    for name, work, alone, allowed in RATIOS:
        taken = best_of(work, 2) / best_of(alone, 2)
        slow += taken > allowed
        print(f"{'too slow' if taken > allowed else 'in time':9} {taken:9.2f} x  of {allowed:7.1f} x   {name}")
    memory = peak_memory()
    slow += memory > MOST_MEMORY
    said = "too much" if memory > MOST_MEMORY else "in bounds"
    print(f"{said:9} {memory / 1e6:9.0f} MB of {MOST_MEMORY / 1e6:7.0f} MB  memory in all")
    slow += measured.run()
    return 1 if slow else 0


if __name__ == "__main__":
    sys.exit(main())
