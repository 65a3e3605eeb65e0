"""A tolerance loop that closes as a formula of its dimensions says."""

from collections.abc import Sequence
from functools import cached_property

import numpy as np

from metrology.amounts.expressions import Expression, check_name, parse
from metrology.bodies import Floats
from metrology.errors import InputError


class FormulaLoop:
    """gap = a formula of named dimensions, such as deg(acos((a + c)/(e - c))).

    names: of the dimensions, in the order of their rows. Raises InputError: no-formula, bad-formula, unknown-name,
    bad-name, name-twice.
    """

    def __init__(self, formula: str, names: Sequence[str]) -> None:
        self.names = tuple(check_name(name) for name in names)
        for place, name in enumerate(self.names):
            if name in self.names[:place]:
                raise InputError("name-twice", f"“{name}” has two rows. Give each dimension its own name.")
        self.formula: Expression = parse(formula, set(self.names))

    @cached_property
    def _slopes(self) -> tuple[Expression, ...]:
        return tuple(self.formula.derivative(name) for name in self.names)

    @property
    def idle(self) -> tuple[str, ...]:
        """Dimensions that the formula does not use."""
        return tuple(name for name in self.names if name not in self.formula.names)

    def gap(self, dimensions: Floats) -> Floats:
        """(contributors, assemblies) to (assemblies,). Raises InputError (no-value) where the formula has none."""
        return self._computed(self.formula, dimensions, "value")

    def sensitivities(self, dimensions: Floats) -> Floats:
        """Exact derivatives at one set of dimensions, (contributors,) to (contributors,). Raises InputError."""
        at = dimensions[:, None]
        return np.array([self._computed(slope, at, "slope")[0] for slope in self._slopes])

    def _computed(self, formula: Expression, dimensions: Floats, what: str) -> Floats:
        at = dict(zip(self.names, dimensions, strict=True))
        with np.errstate(all="ignore"):
            found: Floats = np.broadcast_to(np.asarray(formula.value(at), dtype=np.float64), dimensions.shape[1:])
        if not np.isfinite(found).all():
            raise InputError(
                "no-value",
                f"The formula has no {what} for some dimensions inside these limits: a root or a logarithm of "
                "something negative, an arc of more than 1, or a division by 0. Check the formula and the dimensions.",
            )
        return found
