"""What a mould correction says, in plain sentences: foretold, what held it back, what it brought."""

import numpy as np

from metrology.moulds.compared_words import WAYS, mm, percent
from metrology.moulds.correction import Correction
from metrology.moulds.effect import Brought, Systematic
from metrology.moulds.shrinkage import AXES
from metrology.wording import count, listed, number

# A share of the surface smaller than this is not worth a sentence.
_LITTLE = 0.005
# A systematic error below this is none that two decimals could show, mm.
_SMALL = 0.005
CAVITY = (
    "The file is the surface of the cavity: a pattern with the shape of the part, changed by the correction, not the "
    "mould around it. All lengths in it are millimetres. The fill face of an open-face mould is left as it was."
)


def worth_it(found: Correction) -> bool:
    """Whether less error is foretold than there was."""
    return found.foretold.rms < 0.9 * found.before.rms


def foretold_sentence(found: Correction, confidence: float) -> str:
    before, after = found.before, found.foretold
    if not np.isfinite(before.rms):
        return "Nothing can be foretold: no place that the mould forms was measured on enough casts."
    if not worth_it(found):
        return (
            f"Not worth a new mould: {count(before.casts, 'cast')} show a systematic error of {mm(before.rms)}, little "
            f"beyond their scatter, and the correction should leave {mm(after.rms)}."
        )
    profile = f"the profile of the mean surface from {mm(before.profile)} to {mm(after.profile)}"
    if after.rms < _SMALL and np.isfinite(after.high):
        return f"Should bring the systematic error from {mm(before.rms)} to {_size(after)}, {profile}."
    said = f"Should bring the systematic error from {mm(before.rms)} to {mm(after.rms)}{_between(after, confidence)}, "
    return f"{said}{profile}."


def uncertainty_sentence(found: Correction) -> str:
    """What the forecast rests on."""
    n = found.before.casts
    if n < 3:
        few = "One cast does" if n == 1 else "Two casts do"
        return (
            f"{few} not say how casts scatter: how far the forecast can be off is not known. Three casts or more tell."
        )
    return (
        f"It rests on {count(n, 'cast')} that scatter by {mm(found.before.process_sd)}, and on parts that follow a "
        "change of their mould in full. The next cast will scatter as much about its mean."
    )


def limits_sentences(found: Correction) -> list[str]:
    """What was scaled, what held the correction back, and what was left as it was."""
    said = []
    scaled = [
        f"× {number(float(factor), 5)} {WAYS[axis]}"
        for axis, factor in zip(AXES, found.factors, strict=True)
        if factor != 1
    ]
    if scaled:
        said.append(f"The pattern is scaled {listed(scaled)} before its surface is changed.")
    elif found.asked.by_scale:
        said.append("The pattern is not scaled: no direction differs from nominal by more than chance.")
    if found.taken < found.asked.damping - 0.005:
        said.append(
            f"Of the deviation left {percent(found.taken)} is taken out instead of {percent(found.asked.damping)}: "
            f"with the scatter of {count(found.before.casts, 'cast')}, more would do harm."
        )
    if found.capped > _LITTLE:
        said.append(
            f"On {percent(found.capped)} of the surface the limit of {mm(found.asked.cap_mm)} a step holds it back; "
            "the rest is for the next step."
        )
    if found.limited > _LITTLE:
        said.append(
            f"On {percent(found.limited)} of the surface it is held back, by {mm(found.limited_mm)} at the most, so "
            "that the mould has no new undercut; that much stays uncorrected."
        )
    if found.left > _LITTLE:
        said.append(f"{percent(found.left)} of the surface was not measured on enough casts and stays as it was.")
    if found.eased:
        said.append(f"{count(found.eased, 'vertex', 'vertices')} were drawn back so that the surface does not fold.")
    return said


def fill_sentence(found: Correction) -> str:
    """What the lead may do about the fill face; empty without one."""
    fill = found.fill
    if fill is None:
        return ""
    sure = "" if not np.isfinite(fill.half_width) else f" ± {mm(fill.half_width)}"
    if np.isfinite(fill.half_width) and abs(fill.error) <= fill.half_width:
        return f"The fill face stands where it should ({mm(fill.error, signed=True)}{sure}); it is not corrected here."
    side = "proud of" if fill.error > 0 else "short of"
    way = "lower" if fill.error > 0 else "higher"
    return (
        f"The fill face stands {mm(abs(fill.error))}{sure} {side} nominal, seen from what the mould forms. The mould "
        f"does not make it: strike it off {way}, or make the rim so much {way}."
    )


def checks_sentence(found: Correction) -> str:
    """What was checked on the surface, and what not."""
    checks = found.checks
    closed = "closed" if checks.closed else "as open as the nominal" if not checks.was_closed else "not closed any more"
    crossing = "no two faces without a common corner cross" if not checks.crossing else "some faces cross"
    turned = "no face has folded over" if not checks.turned else f"{count(checks.turned, 'face')} have folded over"
    more = checks.undercut - checks.undercut_before
    undercut = (
        "rays along the pull find no new undercut"
        if more <= 1e-3 * max(checks.undercut_before, 1e3)
        else f"rays along the pull find {more / 100:.0f} cm² of new undercut"
    )
    return (
        f"Checked: the surface is {closed}, {crossing}, {turned}, and {undercut}. Not checked: walls that became too "
        "thin, and how the mould is built round it."
    )


def brought_sentence(found: Brought) -> str:
    """The realised effect beside what was foretold."""
    after, told = found.after, found.foretold
    if not np.isfinite(after.rms):
        return "Nothing can be said yet: the casts of the new mould share no measured place."
    verb = "came down" if after.rms < found.before.rms else "went up"
    return f"The systematic error {verb} from {mm(found.before.rms)} to {mm(after.rms)}; {mm(told.rms)} was foretold."


def brought_basis(found: Brought, confidence: float) -> str:
    """How sure that is, and how much of the change the parts took."""
    after = found.after
    if not np.isfinite(after.rms):
        return ""
    casts = count(after.casts, "cast") + (", which hold their scatter too" if after.casts < 3 else "")
    sure = [
        f"{name} {number(error.low, 2)} to {mm(error.high)}"
        for name, error in (("brought", after), ("foretold", found.foretold))
        if np.isfinite(error.low)
    ]
    interval = f"; {percent(confidence)} intervals: {', '.join(sure)}" if sure else ""
    gain = f" The parts took {percent(found.gain)} of the change." if np.isfinite(found.gain) else ""
    return f"From {casts}{interval}.{gain}"


def _size(error: Systematic) -> str:
    """The rms, or in words that nothing is left to be told beside the scatter."""
    if error.rms >= _SMALL or not np.isfinite(error.high):
        return mm(error.rms)
    return f"none that can be told from the scatter, {mm(error.high)} at the most"


def _between(error: Systematic, confidence: float) -> str:
    if not np.isfinite(error.low):
        return ""
    return f" ({number(error.low, 2)} to {mm(error.high)}, {percent(confidence)} sure)"
