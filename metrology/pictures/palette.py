"""Colours of deviation and their textures. The same on every theme; a test holds them to the stylesheet."""

from dataclasses import dataclass

import numpy as np

from metrology.amounts.decimals import places
from metrology.bodies import Floats, Ints
from metrology.errors import InputError
from metrology.wording import number

Colour = tuple[int, int, int]


def rgb(code: str) -> Colour:
    """ "#43206f" as (67, 32, 111)."""
    return int(code[1:3], 16), int(code[3:5], 16), int(code[5:7], 16)


BANDS = ("lo4", "lo3", "lo2", "lo1", "mid", "hi1", "hi2", "hi3", "hi4")
_CODES = ("#43206f", "#7a58ab", "#a78fd0", "#d5c9e8", "#f6f5f2", "#f2cc9c", "#dd9646", "#a85c14", "#642d02")
PALETTE: dict[str, Colour] = {name: rgb(code) for name, code in zip(BANDS, _CODES, strict=True)}
PAPER, GRAPHITE, LEAD, RULE = rgb("#fcfcfa"), rgb("#1d2227"), rgb("#545c65"), rgb("#c4cad0")
NOT_MEASURED, STIPPLE = rgb("#e3e6e9"), rgb("#6a727a")
WHITE: Colour = (255, 255, 255)
BACKGROUNDS: dict[str, Colour] = {"paper": PAPER, "white": WHITE}


@dataclass(frozen=True)
class Scale:
    """Where the nine bands begin and end. edges: (8,) mm, ascending: lower limit, lower limit plus guard band, even
    steps, upper limit less guard band, upper limit. decimals: for the figures beside them."""

    edges: Floats
    decimals: int

    def label(self, edge: int) -> str:
        return number(float(self.edges[edge]), self.decimals, signed=True)

    def present(self) -> list[int]:
        """Bands with a width: without a guard band there are seven."""
        return [0, *(k for k in range(1, 8) if self.edges[k] > self.edges[k - 1]), 8]


def scale(lower_mm: float, upper_mm: float, guard_mm: float) -> Scale:
    """Steps are even from nominal outward, or from the middle where nominal itself would not be accepted.

    Raises InputError: not-a-number, limits-swapped, negative-uncertainty.
    """
    if not np.isfinite([lower_mm, upper_mm, guard_mm]).all():
        raise InputError("not-a-number", "The limits and the guard band must be numbers. Enter them again.")
    if not lower_mm < upper_mm:
        raise InputError("limits-swapped", "The limits are the wrong way round: give the lower one first.")
    if guard_mm < 0:
        raise InputError("negative-uncertainty", "The guard band must be 0 mm or more. Enter it again.")
    low, high = lower_mm + guard_mm, upper_mm - guard_mm
    if low >= high:
        # Nothing can be accepted: dots from one limit to the other.
        low = high = (lower_mm + upper_mm) / 2
    zero = 0.0 if low < 0 < high else (low + high) / 2
    thirds = np.array([2 / 3, 1 / 3])
    below, above = zero + (low - zero) * thirds, zero + (high - zero) * thirds[::-1]
    edges = np.concatenate([[lower_mm, low], below, above, [high, upper_mm]])
    return Scale(edges, _decimals(edges, lower_mm, upper_mm, guard_mm))


def _decimals(edges: Floats, lower: float, upper: float, guard: float) -> int:
    """As many as the limits have, more where two edges would read the same, three at most."""
    least = max(1, places(round(lower, 3), round(upper, 3), round(guard, 2)))
    distinct = len(np.unique(edges))
    enough = (d for d in range(least, 4) if len({number(float(e), d, signed=True) for e in edges}) == distinct)
    return next(enough, 3)


def steps_of(value: Floats, width: Floats, edges: Floats) -> Floats:
    """How far each value has stepped over each edge, (k, len(edges)), 0 to 1.

    width: (k,) change of the value over one pixel; within half a pixel of an edge the step is partial, so that band
    edges are drawn smooth.
    """
    away: Floats = (value[:, None] - edges) / np.maximum(width, 1e-9)[:, None]
    return np.asarray(np.clip(away + 0.5, 0.0, 1.0), dtype=np.float64)


def middles(rows: Ints, columns: Ints) -> tuple[Floats, Floats]:
    """x and y of the middles of pixels, px."""
    return np.asarray(columns, dtype=np.float64) + 0.5, np.asarray(rows, dtype=np.float64) + 0.5


def hatch(rows: Ints, columns: Ints, unit: float, *, rising: bool) -> Floats:
    """Share of each pixel under white hatch, 0 to 1. rows run down. Rising to the right, or else falling."""
    x, y = middles(rows, columns)
    period, line = 8.0 * unit, 2.4 * unit
    across = ((x + y if rising else x - y) / np.sqrt(2.0)) % period
    cover: Floats = np.clip(line / 2 + 0.5 - np.abs(across - period / 2), 0.0, 1.0)
    return cover


def dots(rows: Ints, columns: Ints, unit: float) -> Floats:
    """Share of each pixel under the white dots of the guard band."""
    x, y = middles(rows, columns)
    period, radius = 8.0 * unit, 1.5 * unit
    return np.maximum(*(_dot(x + by, y + by, period, radius) for by in (0.0, period / 2)))


def _dot(x: Floats, y: Floats, period: float, radius: float) -> Floats:
    away = np.hypot(x % period - period / 2, y % period - period / 2)
    return np.clip(radius + 0.5 - away, 0.0, 1.0)


def stipple(rows: Ints, columns: Ints, unit: float) -> Floats:
    """Share of each pixel under the dark, unruled dots of what was not measured."""
    x, y = middles(rows, columns)
    side, radius = 48.0 * unit, 0.95 * unit
    u, v = x % side, y % side
    cover = np.zeros_like(u)
    # Powers of the plastic number spread the dots evenly without a visible grid (as in sampling a surface).
    for dot in range(1, 27):
        du = np.abs(u - side * (dot * 0.7548776662466927 % 1.0))
        dv = np.abs(v - side * (dot * 0.5698402909980532 % 1.0))
        away = np.hypot(np.minimum(du, side - du), np.minimum(dv, side - dv))
        cover = np.maximum(cover, np.clip(radius + 0.5 - away, 0.0, 1.0))
    return cover
