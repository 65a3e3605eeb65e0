"""What a position report says, in plain sentences. +X forward, +Y left, +Z up; turns are right-handed about them."""

from collections.abc import Sequence

import numpy as np

from metrology.bodies import Floats
from metrology.positions.assembly_frame import Drift
from metrology.wording import count, listed, quantity

_SLIDES = (("forward", "back"), ("to the left", "to the right"), ("too high", "too low"))
# About the forward axis the top goes to the right; about the left axis the top goes forward; about the up axis the
# plan turns anticlockwise.
_TURNS = (
    ("leaning {} to the right", "leaning {} to the left"),
    ("tipping {} forward", "tipping {} back"),
    ("turned {} anticlockwise seen from above", "turned {} clockwise seen from above"),
)
_ALONG = ("forward or back", "left or right", "high or low")
_ABOUT = ("its lean to either side", "its tip forward or back", "its turn seen from above")
_ENDS = (("back end", "front end", "the back"), ("right end", "left end", "the right"), ("foot", "top", "below"))
# A number is said when it is this share of the largest, and more than this, mm or degrees.
_SAID, _LEAST_MM, _LEAST_DEG = 0.2, 0.1, 0.05


def part_sentence(
    part: str,
    label: str,
    slide: Floats,
    slide_u: Floats,
    turn: Floats,
    turn_u: Floats,
    known: Sequence[bool],
    own: bool,
) -> str:
    """ "SB-03 B at P4 sits 2.1 mm too high and 1.2 mm forward; turned 0.3° clockwise seen from above.\""""
    slides = _worth_saying(slide, slide_u, known[:3], _LEAST_MM)
    turns = _worth_saying(turn, turn_u, known[3:], _LEAST_DEG)
    name = f"{part} at {label}"
    if slides:
        said = listed([f"{quantity(abs(slide[k]), 'mm', 1)} {_SLIDES[k][0 if slide[k] > 0 else 1]}" for k in slides])
        text = f"{name} sits {said}"
    elif any(known[:3]):
        within = max(float(max(abs(slide[k]), slide_u[k])) for k in range(3) if known[k])
        as_far = "" if all(known[:3]) else " as far as the scan shows"
        text = f"{name} sits in its place{as_far} to within {quantity(within, 'mm', 1 if within >= 0.05 else 2)}"
    else:
        text = f"Where {name} sits is not determined"
    if turns:
        text += "; " + listed([_TURNS[k][0 if turn[k] > 0 else 1].format(f"{_degrees(abs(turn[k]))}") for k in turns])
    if own and (slides or turns):
        text += ", in its own axes"
    missing = [_ALONG[k] for k in range(3) if not known[k]] + [_ABOUT[k] for k in range(3) if not known[k + 3]]
    unknown = f" Not determined by what the scan shows: {listed(missing, 6)}." if missing else ""
    return f"{text}.{unknown}"


def not_found_sentence(part: str, label: str) -> str:
    return f"{part} at {label} was not found: too little of it is in the scan near its place."


def verdict_words(
    result: str,
    off: float,
    off_u: float,
    limit: float | None,
    turned: float,
    turned_u: float,
    turn_limit: float | None,
    position_result: str,
    turn_result: str,
) -> str:
    """How a part is judged, with its figures; empty where no tolerance was given."""
    said = []
    if limit is not None and position_result:
        zone = f"{quantity(limit, 'mm', 1 if round(limit, 1) == round(limit, 2) else 2)} allowed"
        least = "" if np.isfinite(off_u) else "at least "
        said.append(f"{least}{quantity(off, 'mm', 1)} off its place, {zone}" + _unsure(position_result, off_u, "mm"))
    if turn_limit is not None and turn_result:
        least = "" if np.isfinite(turned_u) else "at least "
        allowed = f"{_degrees(turn_limit)} allowed"
        said.append(f"turned {least}{_degrees(turned)} in all, {allowed}" + _unsure(turn_result, turned_u, "°"))
    return f"{result[:1].upper()}{result[1:]}: {'; '.join(said)}." if said else ""


def _unsure(result: str, uncertainty: float, unit: str) -> str:
    if result != "inconclusive":
        return ""
    if not np.isfinite(uncertainty):
        return " (not all of it is determined)"
    return f" (U {quantity(uncertainty, unit, 1)})" if unit == "mm" else f" (U {_degrees(uncertainty)})"


def report_sentence(names: Sequence[tuple[str, str, bool, bool]], worst: str) -> str:
    """names: (label, result, found, judged) of each part in order. worst: what the first of them says."""
    total = len(names)
    lost = [label for label, _, found, _ in names if not found]
    bad = [label for label, result, *_ in names if result == "does not conform"]
    unsure = [label for label, result, found, _ in names if result == "inconclusive" and found]
    judged = [label for label, _, found, judged in names if judged and found]
    found = total - len(lost)
    parts = [f"{found} of {count(total, 'part')} found" if lost else f"{count(total, 'part')} found"]
    if bad:
        parts.append(f"{listed(bad, 6)} {'does' if len(bad) == 1 else 'do'} not conform")
    if unsure:
        parts.append(f"{listed(unsure, 6)} {'is' if len(unsure) == 1 else 'are'} inconclusive")
    if judged and not bad and not unsure:
        parts.append("all that were found lie in their tolerances" if lost else "all lie in their tolerances")
    if lost:
        parts.append(f"{listed(lost, 6)} {'was' if len(lost) == 1 else 'were'} not found")
    return f"{listed(parts)}. {worst}".strip()


def drift_sentences(drift: Drift) -> list[str]:
    """Growth and twist of the whole, where they are worth naming."""
    said = []
    if drift.grown:
        size = quantity(abs(drift.growth) * drift.span, "mm", 1)
        way = "longer" if drift.growth > 0 else "shorter"
        share, span = quantity(100 * abs(drift.growth), "%", 2), quantity(drift.span, "mm", 0)
        said.append(
            f"The parts lie as if the whole were {size} {way} than nominal over {span} ({share}): a matter of scale or "
            "of setting out, more than of single parts."
        )
    if drift.twisted:
        start, end, seen = _ENDS[int(np.argmax(np.abs(drift.axis)))]
        way = "clockwise" if drift.twist_deg > 0 else "anticlockwise"
        said.append(
            f"The parts lie as if the whole were twisted by {_degrees(abs(drift.twist_deg))} from its {start} to its "
            f"{end} ({way}, seen from {seen})."
        )
    return said


def _worth_saying(values: Floats, uncertainties: Floats, known: Sequence[bool], least: float) -> list[int]:
    """The largest first; what is lost in its own uncertainty is not said."""
    largest = max((abs(float(v)) for v, sure in zip(values, known, strict=True) if sure), default=0.0)
    kept = [
        k
        for k in range(3)
        if known[k] and abs(values[k]) >= max(least, _SAID * largest) and abs(values[k]) > uncertainties[k]
    ]
    return sorted(kept, key=lambda k: -abs(float(values[k])))


def _degrees(value: float) -> str:
    return quantity(value, "", 1 if value >= 0.095 else 2) + "°"
