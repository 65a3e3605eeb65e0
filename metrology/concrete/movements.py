"""How much concrete shortens as it dries, and how a length moves with temperature. Strains are shares, positive when
the part gets shorter.

Drying: EN 1992-1-1, 3.1.4 and annex B.2 (from memory; checked against values COMPUTED with structuralcodes 0.7.2).
"""

from math import exp, sqrt

import numpy as np

from metrology.errors import InputError

# Class of cement: the two coefficients of annex B.2.
CEMENTS = {"S": (3.0, 0.13), "N": (4.0, 0.12), "R": (6.0, 0.11)}
_SIZES, _FACTORS = (100.0, 200.0, 300.0, 500.0), (1.0, 0.85, 0.75, 0.70)


def drying_nominal(fck_mpa: float, humidity: float, cement: str = "N") -> float:
    """The unrestrained drying strain of a thin part, ε_cd,0. humidity: share. Raises InputError (humidity, cement)."""
    if not 0 <= humidity <= 1:
        raise InputError("humidity", "Relative humidity lies between 0 % and 100 %.")
    if cement not in CEMENTS:
        raise InputError("cement", "The cement classes are S, N and R.")
    first, second = CEMENTS[cement]
    by_air = max(0.0, 1.55 * (1 - humidity**3))
    return 0.85 * (220 + 110 * first) * exp(-second * (fck_mpa + 8) / 10) * 1e-6 * by_air


def size_factor(notional_mm: float) -> float:
    """k_h for a notional size 2 × area ÷ perimeter that dries, mm; straight lines between the table's values."""
    return float(np.interp(notional_mm, _SIZES, _FACTORS))


def drying_share(days: float, start_days: float, notional_mm: float) -> float:
    """β_ds: the part of the drying that has happened, of an age in days, drying since start_days."""
    dried = max(0.0, days - start_days)
    return dried / (dried + 0.04 * sqrt(notional_mm**3)) if dried else 0.0


def autogenous(fck_mpa: float, days: float) -> float:
    """ε_ca: shortening without drying, of an age in days."""
    return max(0.0, 2.5 * (fck_mpa - 10) * 1e-6) * (1 - exp(-0.2 * sqrt(max(0.0, days))))
