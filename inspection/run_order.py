"""The order in which the readings of a gauge study are taken, drawn by lot from a kept seed."""

from collections.abc import Iterator

import numpy as np


def run_order(parts: int, appraisers: int, repeats: int, seed: int) -> Iterator[tuple[int, int, int]]:
    """(part, appraiser, repeat) of each reading, all from 0.

    Round by round every appraiser, in an order drawn by lot, reads all parts in an order of its own, so that nobody has
    to hand the gauge over after each reading. No appraiser reads one part twice running, when there are others.
    """
    rng = np.random.default_rng(seed)
    last: dict[int, int] = {}
    for repeat in range(repeats):
        for appraiser in rng.permutation(appraisers).tolist():
            order = rng.permutation(parts).tolist()
            if parts > 1 and order[0] == last.get(appraiser):
                place = int(rng.integers(1, parts))
                order[0], order[place] = order[place], order[0]
            last[appraiser] = order[-1]
            yield from ((part, appraiser, repeat) for part in order)
