"""Agreement of appraisers who judge by words: pass or fail, good, chipped, cracked.

Kappa is the agreement beyond chance, 1 for complete, 0 for what chance would give. Cohen (1960) for two appraisers with
the standard error of Fleiss, Cohen and Everitt (1969), Fleiss (1971) for any number with an interval by leaving out one
item at a time; all from memory. With one category only kappa is not defined: chance alone would agree completely.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.special import ndtri

from metrology.bodies import Floats
from metrology.errors import InputError


@dataclass(frozen=True)
class Kappa:
    """value, error, low, high: None where it is not defined. agreement: share of judgements alike; chance: what chance
    would give. n: items judged.
    """

    value: float | None
    error: float | None
    low: float | None
    high: float | None
    agreement: float
    chance: float
    n: int


def cohen(counts: Floats, confidence: float = 0.95) -> Kappa:
    """counts: (k, k), rows the words of the first appraiser, columns those of the second. Raises InputError:
    bad-counts, not-square, no-items, bad-share.
    """
    table = _counted(counts)
    if table.shape[0] != table.shape[1]:
        raise InputError("not-square", "Rows and columns name the same words: give as many of both.")
    _check(confidence)
    n = float(table.sum())
    share = table / n
    rows, columns = share.sum(axis=1), share.sum(axis=0)
    agreement, chance = float(np.trace(share)), float(rows @ columns)
    if 1 - chance < 1e-12:
        return Kappa(None, None, None, None, agreement, chance, int(n))
    kappa = (agreement - chance) / (1 - chance)
    diagonal = np.diag(share) * (1 - (rows + columns) * (1 - kappa)) ** 2
    cross = share * (columns[:, None] + rows[None, :]) ** 2
    off = (1 - kappa) ** 2 * (cross.sum() - np.trace(cross))
    variance = diagonal.sum() + off - (kappa - chance * (1 - kappa)) ** 2
    return _kappa(kappa, sqrt(max(0.0, float(variance)) / n) / (1 - chance), agreement, chance, int(n), confidence)


def fleiss(counts: Floats, confidence: float = 0.95) -> Kappa:
    """counts: (items, words), how many appraisers gave each item each word; as many judgements of every item, two or
    more. Raises InputError: bad-counts, unequal-judgements, too-few, no-items, bad-share.
    """
    table = _counted(counts)
    _check(confidence)
    judgements = table.sum(axis=1)
    if np.ptp(judgements) > 0:
        raise InputError("unequal-judgements", "Every item needs as many judgements as every other.")
    m = float(judgements[0])
    if m < 2:
        raise InputError("too-few", "Agreement needs two judgements of every item.")
    kappa, agreement, chance = _fleiss(table, m)
    n = table.shape[0]
    if kappa is None:
        return Kappa(None, None, None, None, agreement, chance, n)
    error = None
    if n > 2:
        without = [_fleiss(np.delete(table, i, axis=0), m)[0] for i in range(n)]
        told = np.array([one for one in without if one is not None])
        if told.size == n:
            error = sqrt((n - 1) / n * float(np.sum((told - told.mean()) ** 2)))
    return _kappa(kappa, error, agreement, chance, n, confidence)


def _fleiss(table: Floats, m: float) -> tuple[float | None, float, float]:
    agreement = float(np.mean((np.sum(table**2, axis=1) - m) / (m * (m - 1))))
    chance = float(np.sum((table.sum(axis=0) / table.sum()) ** 2))
    return (None if 1 - chance < 1e-12 else (agreement - chance) / (1 - chance)), agreement, chance


def cross_counts(first: Sequence[str], second: Sequence[str], words: Sequence[str]) -> Floats:
    """(k, k) how often the first gave the word of the row and the second that of the column."""
    place = {word: i for i, word in enumerate(words)}
    table = np.zeros((len(words), len(words)))
    for one, other in zip(first, second, strict=True):
        table[place[one], place[other]] += 1
    return table


def _kappa(value: float, error: float | None, agreement: float, chance: float, n: int, confidence: float) -> Kappa:
    if error is None:
        return Kappa(value, None, None, None, agreement, chance, n)
    half = float(ndtri((1 + confidence) / 2)) * error
    return Kappa(value, error, max(-1.0, value - half), min(1.0, value + half), agreement, chance, n)


def _counted(counts: Floats) -> Floats:
    table = np.asarray(counts, float)
    if table.ndim != 2 or (table < 0).any() or (table != np.round(table)).any():
        raise InputError("bad-counts", "Counts are whole numbers from 0 on, in rows and columns.")
    if table.sum() == 0:
        raise InputError("no-items", "Nothing was judged. Give the counts.")
    return table


def _check(confidence: float) -> None:
    if not 0 < confidence < 1:
        raise InputError("bad-share", "The confidence lies between 0 and 1 and reaches neither.")
