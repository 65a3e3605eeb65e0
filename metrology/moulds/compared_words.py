"""What casts compared say, in plain sentences: mould and process, shrinkage, trend."""

from collections.abc import Sequence

import numpy as np

from metrology.comparison.words import found_words, place_words
from metrology.moulds.casts_compared import ENOUGH, CastsCompared
from metrology.moulds.pour_trend import FEWEST, PourTrend
from metrology.moulds.shrinkage import Shrinkage
from metrology.wording import count, listed, number, quantity

WAYS = {"x": "forward–back", "y": "left–right", "z": "up–down"}
# A systematic error below this is none that two decimals could show, mm.
_SMALL = 0.005
# A change of the mean over all pours below this is none that scans could show, mm.
_NO_CHANGE = 0.02


def mm(value: float, *, signed: bool = False) -> str:
    """Two decimals: what scans can tell."""
    return quantity(value, "mm", 2, signed=signed)


def percent(value: float, decimals: int = 0) -> str:
    return quantity(100 * value, "%", decimals)


def split_sentence(compared: CastsCompared) -> str:
    """Which part of the profile error is the mould's and which the process's."""
    n = compared.casts
    if not np.isfinite(compared.mean_error):
        return f"{count(n, 'cast')} compared, and no place was measured on {_enough(n)}. Scan more of the surface."
    if n == 1:
        return (
            "One cast was scanned: its map is shown, but it cannot tell the mould's part from the process's. "
            "Scan two more casts of this mould."
        )
    if n == 2:
        return (
            "Two casts were scanned: their mean is shown, but two do not say how casts scatter. "
            "Scan one more cast of this mould."
        )
    if compared.mould_rms < _SMALL:
        return (
            f"No error of the mould can be told: the {count(n, 'cast')} scatter by {mm(compared.process_sd)} (rms), "
            "and their mean shows no more than that scatter leaves in it."
        )
    square = float(np.hypot(compared.mould_rms, compared.process_sd))
    mould = round(100 * compared.mould_share) if np.isfinite(compared.mould_share) else 0
    return (
        f"Of the usual profile error of {mm(square)} (rms) the mould makes {mm(compared.mould_rms)} and the process "
        f"{mm(compared.process_sd)}: {quantity(mould, '%', 0)} and {quantity(100 - mould, '%', 0)} of its square, over "
        f"{count(n, 'cast')}."
    )


def mean_sentence(compared: CastsCompared) -> str:
    """Where the mean is farthest off, and on how much of the surface it is off by more than chance. Empty without a
    mean."""
    if not np.isfinite(compared.worst_mean):
        return ""
    place = place_words(None, compared.worst_at)
    found = found_words(compared.worst_mean, compared.worst_normal, place)
    if compared.casts < ENOUGH:
        return f"Farthest off: {found}."
    share = percent(compared.told_share)
    sure = percent(compared.confidence)
    return (
        f"The mean is farthest off {found}. On {share} of the surface it differs from nominal by more than its own "
        f"{sure} interval."
    )


def trend_sentence(trend: PourTrend | None, casts: int) -> str:
    """Whether the part changes from pour to pour."""
    if trend is None:
        return (
            f"A trend over the pours needs {count(FEWEST, 'cast')} of one mould; {count(casts, 'cast')} "
            f"{'was' if casts == 1 else 'were'} compared."
        )
    whole, n = trend.whole, len(trend.pours)
    interval = f"{number(whole.low, 3, signed=True)} to {quantity(whole.high, 'mm', 3, signed=True)}"
    if whole.told and abs(whole.value) * float(np.ptp(trend.pours)) < _NO_CHANGE:
        said = f"Over {n} pours the whole changes by less than scans can show ({interval} a pour)."
    elif whole.told:
        verb = "grows" if whole.value > 0 else "shrinks"
        said = (
            f"Over {n} pours the surface {verb} by {quantity(abs(whole.value), 'mm', 3)} a pour on the mean "
            f"({interval})."
        )
    else:
        said = f"Over {n} pours no change of the whole can be told from none ({interval} a pour)."
    if not np.isfinite(trend.chance):
        return said
    if trend.patch_told:
        verb = "grows" if trend.patch.value > 0 else "wears back"
        where = place_words(None, trend.patch_at)
        return f"{said} Most where the part {verb} by {quantity(abs(trend.patch.value), 'mm', 3)} a pour, {where}."
    if n == FEWEST:
        return f"{said} A change of one place alone needs five casts."
    return f"{said} No single place changes beyond what chance shows somewhere on so large a surface."


def shrinkage_sentence(found: Sequence[Shrinkage]) -> str:
    """Shrinkage per direction with interval and number of casts; where it cannot be told, why."""
    known = [axis for axis in found if axis.known]
    blind = [WAYS[axis.axis] for axis in found if not axis.known]
    unknown = f" {listed(blind).capitalize()}: the surface that the mould forms does not show it." if blind else ""
    if not known:
        return f"Shrinkage cannot be told.{unknown}"
    parts = [_axis_words(axis) for axis in known]
    n = max(axis.casts for axis in known)
    basis = f"{count(n, 'cast')}" if n > 1 else "one cast, so without an interval"
    return f"Shrinkage on the mould: {listed(parts)}; from {basis}.{unknown}"


def _axis_words(axis: Shrinkage) -> str:
    value = percent(axis.value, 2)
    if not np.isfinite(axis.low):
        return f"{value} {WAYS[axis.axis]}"
    return f"{value} {WAYS[axis.axis]} ({number(100 * axis.low, 2)} to {percent(axis.high, 2)})"


def _enough(n: int) -> str:
    return "any of them" if n < ENOUGH else "three of them"
