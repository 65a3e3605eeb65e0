"""Length units as they are stated beside a file or a field. Everything inside is in millimetres."""

import numpy as np
import numpy.typing as npt

from metrology.bodies import Floats
from metrology.errors import UnitError

# Exact: the international inch is 25.4 mm and the international foot 12 inches, by definition.
LENGTH_IN_MM: dict[str, float] = {"mm": 1.0, "cm": 10.0, "m": 1000.0, "in": 25.4, "ft": 304.8}

UNIT_NAMES: dict[str, str] = {"mm": "millimetres", "cm": "centimetres", "m": "metres", "in": "inches", "ft": "feet"}


def mm_per(unit: str) -> float:
    """Millimetres in one `unit`. Raises UnitError (unknown-unit) for a unit that is not in LENGTH_IN_MM."""
    try:
        return LENGTH_IN_MM[unit]
    except KeyError:
        known = ", ".join(LENGTH_IN_MM)
        raise UnitError(
            "unknown-unit", f"“{unit}” is not a unit of length known here. Choose one of {known}."
        ) from None


def to_mm(values: npt.ArrayLike, unit: str) -> Floats:
    """The same lengths in millimetres, a new float64 array of the same shape. Raises UnitError (unknown-unit)."""
    return np.asarray(values, dtype=np.float64) * mm_per(unit)
