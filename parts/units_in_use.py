"""The units a person works in, for the time of one request: what a bare figure in a form means and is shown in.

As with time zones, the person's choice is set once for each request and read where a figure enters. Everything is kept
in the units of the records (mm, kg, MPa, °C) whatever is chosen here.
"""

from collections.abc import Callable
from contextvars import ContextVar
from dataclasses import dataclass

from metrology.amounts.customary import US_UNITS
from metrology.amounts.quantities import FEET_INCHES, dimension_of
from metrology.errors import UnitError

# Gaps and tolerances are written in millimetres where people work in metres; feet are written with their inches.
TYPED_IN = {"m": "mm", "ft": FEET_INCHES}


@dataclass(frozen=True)
class UnitsInUse:
    """length: unit of lengths. customary: pounds, psi and °F for what is not a length."""

    length: str = "mm"
    customary: bool = False

    def unit_for(self, kept: str) -> str:
        """The unit in which a figure kept in `kept` is typed and shown."""
        try:
            kind = dimension_of(kept).name
        except UnitError:
            return kept
        if kind == "length":
            return TYPED_IN.get(self.length, self.length) if kept == "mm" else kept
        return US_UNITS.get(kept, kept) if self.customary else kept


METRIC = UnitsInUse()
_chosen: ContextVar[Callable[[], UnitsInUse] | None] = ContextVar("units in use", default=None)


def activate(choose: Callable[[], UnitsInUse]) -> None:
    """choose is asked when a figure is first read or shown, so that pages without figures ask nobody."""
    _chosen.set(choose)


def deactivate() -> None:
    _chosen.set(None)


def current() -> UnitsInUse:
    choose = _chosen.get()
    return choose() if choose else METRIC
