"""What a file says about its own unit, held against what the person stated."""

from metrology.alignment.size_check import in_words
from metrology.amounts.units import LENGTH_IN_MM, UNIT_NAMES
from metrology.bodies import Floats
from metrology.errors import UnitError


class UnitContradictionError(UnitError):
    """The file states another unit than the person did. likely_unit: the file's."""

    def __init__(self, stated: str, own: str, size: Floats | None) -> None:
        mine, yours = UNIT_NAMES[stated], UNIT_NAMES[own]
        shown = ""
        if size is not None:
            sizes = [in_words((x * mm, y * mm, z * mm)) for x, y, z in [size] for mm in _factors(own, stated)]
            shown = f" Read as the file says it measures {sizes[0]}, in {mine} {sizes[1]}."
        super().__init__(
            "unit-contradiction",
            f"The unit was stated as {mine}, but the file itself says {yours}.{shown} Choose {yours}; keep {mine} only "
            "if you know that the file is wrong about itself.",
        )
        self.likely_unit = own


def check_own_unit(own: str, stated: str, overrule: bool, size: Floats | None = None) -> None:
    """Stop when file and person disagree.

    own: "" when the file states nothing. overrule: the person insists. size: (3,) sides in the file's numbers, to show.
    Raises UnitContradictionError (unit-contradiction).
    """
    if own and own != stated and not overrule:
        raise UnitContradictionError(stated, own, size)


def _factors(own: str, stated: str) -> tuple[float, float]:
    return LENGTH_IN_MM[own], LENGTH_IN_MM[stated]
