"""Acceptance by a sample: how probable it is that a lot is accepted, and plans that keep a risk.

Single plans for normal inspection follow ISO 2859-1 and MIL-STD-105E, tables I and II-A (from memory; the table is a
pattern along its diagonals, and tests hold it against cells that were read).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction
from math import ceil, prod

import numpy as np
from scipy.special import bdtr, betaincinv, gammaln

from metrology.bodies import Floats
from metrology.errors import InputError

LETTERS = "ABCDEFGHJKLMNPQR"
SAMPLE_SIZES = dict(zip(LETTERS, (2, 3, 5, 8, 13, 20, 32, 50, 80, 125, 200, 315, 500, 800, 1250, 2000), strict=True))
AQLS = (0.010, 0.015, 0.025, 0.040, 0.065, 0.10, 0.15, 0.25, 0.40, 0.65, 1.0, 1.5, 2.5, 4.0, 6.5,
        10.0, 15.0, 25.0, 40.0, 65.0, 100.0, 150.0, 250.0, 400.0, 650.0, 1000.0)  # fmt: skip
LEVELS = ("S-1", "S-2", "S-3", "S-4", "I", "II", "III")
# Greatest lot of each row of table I, and its letters by level.
_LOTS: tuple[tuple[int, str], ...] = (
    (8, "AAAAAAB"), (15, "AAAAABC"), (25, "AABBBCD"), (50, "ABBCCDE"), (90, "BBCCCEF"), (150, "BBCDDFG"),
    (280, "BCDEEGH"), (500, "BCDEFHJ"), (1200, "CCEFGJK"), (3200, "CDEGHKL"), (10_000, "CDFGJLM"),
    (35_000, "CDFHKMN"), (150_000, "DEGJLNP"), (500_000, "DEGJMPQ"), (10**12, "DEHKNQR"),
)  # fmt: skip
_NUMBERS = (1, 2, 3, 5, 7, 10, 14, 21)
_MORE_NUMBERS = (30, 44)  # only for letters A to E


@dataclass(frozen=True)
class Plan:
    """letter: of the plan that is used; n: sample; accept: greatest number of nonconforming items with which the lot is
    accepted; asked: the letter that the lot size led to, before an arrow was followed. whole_lot: n reaches the lot.
    """

    letter: str
    n: int
    accept: int
    asked: str
    whole_lot: bool

    @property
    def reject(self) -> int:
        return self.accept + 1


def code_letter(lot: int, level: str) -> str:
    """Table I. Raises InputError: bad-lot, unknown-level."""
    if lot < 2:
        raise InputError("bad-lot", "A lot has at least two items. One item is inspected, not sampled.")
    if level not in LEVELS:
        raise InputError("unknown-level", f"“{level}” is no inspection level. Choose {', '.join(LEVELS)}.")
    return next(letters[LEVELS.index(level)] for most, letters in _LOTS if lot <= most)


def cell(letter: str, aql: float) -> int | str:
    """Table II-A: the acceptance number, or "up" or "down" where an arrow leads to another letter.

    Each row holds 0 at one AQL, three steps later 1, 2, 3, 5, 7, 10, 14 and 21; a row further down begins one AQL
    earlier. Raises InputError: unknown-aql, unknown-letter.
    """
    if letter not in SAMPLE_SIZES:
        raise InputError("unknown-letter", f"“{letter}” is no code letter.")
    if aql not in AQLS:
        listed = ", ".join(f"{one:g}" for one in AQLS)
        raise InputError("unknown-aql", f"{aql:g} is no AQL of the table. Choose {listed}.")
    row = LETTERS.index(letter)
    step = AQLS.index(aql) - (AQLS.index(6.5) - row)
    numbers = _NUMBERS + (_MORE_NUMBERS if row <= LETTERS.index("E") else ())
    if step < 0:
        return "down"
    if step == 0:
        return 0
    if step == 1:
        return "up" if row > 0 else "down"
    if step == 2:
        return "down" if row < len(LETTERS) - 1 else "up"
    return numbers[step - 3] if step - 3 < len(numbers) else "up"


def single_plan(lot: int, level: str, aql: float) -> Plan:
    """The plan for normal inspection, with its arrows followed. Raises InputError: see code_letter and cell."""
    asked = letter = code_letter(lot, level)
    found = cell(letter, aql)
    while isinstance(found, str):
        letter = LETTERS[LETTERS.index(letter) + (1 if found == "down" else -1)]
        found = cell(letter, aql)
    n = SAMPLE_SIZES[letter]
    return Plan(letter, min(n, lot), found, asked, n >= lot)


# ---- probability of acceptance ---------------------------------------------------------------------------------------


def accept_from_process(n: int, accept: int, share: Floats | Sequence[float]) -> Floats:
    """Probability of acceptance for each share of nonconforming items, lots from a long series (binomial)."""
    return np.asarray(bdtr(accept, n, np.asarray(share, dtype=np.float64)), dtype=np.float64)


def accept_from_lot(lot: int, n: int, accept: int, bad: Sequence[int] | np.ndarray) -> Floats:
    """Probability of acceptance for each number of nonconforming items in a lot (hypergeometric).

    Raises InputError: bad-sample (n beyond the lot), bad-count.
    """
    if not 0 < n <= lot:
        raise InputError("bad-sample", f"A sample of {n} cannot be taken from a lot of {lot}. Take fewer.")
    counts = np.asarray(bad, dtype=np.int64)
    if counts.size and (counts.min() < 0 or counts.max() > lot):
        raise InputError("bad-count", "The nonconforming items are more than the lot, or fewer than none.")
    seen = np.arange(accept + 1)[:, None]
    good, rest = lot - counts, n - seen
    possible = (seen <= counts) & (rest >= 0) & (rest <= good)
    log = (
        _log_choose(counts, seen, possible)
        + _log_choose(good, rest, possible)
        - _log_choose(np.asarray(lot), np.asarray(n))
    )
    total: Floats = np.where(possible, np.exp(log), 0.0).sum(axis=0)
    return np.minimum(total, 1.0)


def _log_choose(n: np.ndarray, k: np.ndarray, possible: np.ndarray | bool = True) -> Floats:
    n, k = np.where(possible, n, 1), np.where(possible, k, 1)
    found: Floats = gammaln(n + 1.0) - gammaln(k + 1.0) - gammaln(n - k + 1.0)
    return found


def share_accepted_with(n: int, accept: int, probability: float) -> float:
    """The share of nonconforming items at which a lot of a long series is accepted with this probability.

    Raises InputError (bad-sample) when the acceptance number reaches the sample: such a plan accepts everything.
    """
    if accept >= n:
        raise InputError("bad-sample", "The acceptance number reaches the sample: every lot would be accepted.")
    return float(betaincinv(accept + 1, n - accept, 1 - probability))


def zero_acceptance_size(lot: int, limit: float, risk: float) -> tuple[int, int]:
    """(sample, nonconforming items meant) of the plan that refuses a lot when its sample holds one nonconforming item.

    limit: the share of nonconforming items that must not pass; in a lot that is the next whole number of items. risk:
    the most probable acceptance of such a lot. Counted in whole numbers, so that 1 in 20 is 5 % and not a hair more.
    Raises InputError: bad-lot, bad-share.
    """
    if lot < 1:
        raise InputError("bad-lot", "A lot has at least one item.")
    if not (0 < limit < 1 and 0 < risk < 1):
        raise InputError("bad-share", "Share and risk lie between 0 and 1 and reach neither.")
    bad = max(1, ceil(Fraction(repr(limit)) * lot))
    low, high = 0, lot - bad + 1  # the greatest sample that can miss them all, and one more
    while high - low > 1:
        middle = (low + high) // 2
        low, high = (low, middle) if _missed_at_most(lot, bad, middle, risk) else (middle, high)
    return high, bad


def _missed_at_most(lot: int, bad: int, n: int, risk: float) -> bool:
    """Whether a sample of n misses all `bad` items with at most this probability; in fractions when it is close."""
    figure = float(accept_from_lot(lot, n, 0, [bad])[0])
    terms = min(n, bad)
    if abs(figure - risk) > 1e-9 * risk or terms > 20_000:
        return figure <= risk
    # C(lot − bad, n) / C(lot, n), with the fewer factors of its two forms.
    other = max(n, bad)
    top = prod(lot - other - i for i in range(terms))
    return Fraction(top, prod(lot - i for i in range(terms))) <= Fraction(repr(risk))
