"""What an alignment rests on and how it differs from best fit, in words along the part's axes."""

import numpy as np

from metrology.alignment.model import AlignmentReport, Difference
from metrology.bodies import Floats
from metrology.rotation import vector_of
from metrology.surfaces.surface import Surface
from metrology.wording import listed, number, quantity

AXES = ("front–back axis", "left–right axis", "up axis")
_WAYS = (("forward", "back"), ("to the left", "to the right"), ("up", "down"))
# Turning the part about an axis lifts or shifts what lies across it: the direction it shows in, and over which width.
_TILTS = ("tilt", "tilt", "turn")
# An axis is named by the part's axis that it lies within 10° of.
_ALIGNED = float(np.cos(np.radians(10.0)))


def axis_words(axis: Floats) -> str:
    """ "the up axis", or the direction in numbers where no axis of the part is near."""
    along = int(np.argmax(np.abs(axis)))
    size = float(np.linalg.norm(axis))
    if abs(axis[along]) >= _ALIGNED * size:
        return f"the {AXES[along]}"
    unit = axis / size * np.sign(axis[along])
    return f"an axis along ({', '.join(number(float(value), 2) for value in unit)})"


def turn_words(angle: float) -> str:
    """ "half a turn", "a quarter turn", "a third of a turn", or degrees. angle: rad, 0 to π."""
    degrees = float(np.degrees(angle))
    for part, words in (
        (180, "half a turn"),
        (120, "a third of a turn"),
        (90, "a quarter turn"),
        (60, "a sixth of a turn"),
    ):
        if abs(degrees - part) < 2.5:
            return words
    return f"a turn of {quantity(degrees, '°', 0 if degrees >= 10 else 1)}"


def free_words(loose: Floats) -> tuple[str, ...]:
    """Motions that nothing determines. loose: (6, k) as columns, sliding first, turning times an arm."""
    if not loose.shape[1]:
        return ()
    # Any mix of free motions is free: slides are those mixes that turn nothing, or hardly.
    ways, sizes, mixes = np.linalg.svd(loose[3:])
    turning = sizes > 0.3
    if turning.sum() == 3:
        return ("turning about every axis",)
    still = loose[:3] @ mixes[int(turning.sum()) :].T
    slides = np.linalg.svd(still)[0][:, : still.shape[1]]
    said = [f"sliding along {axis_words(way)}" for way in _told(slides)]
    return (*said, *(f"turning about {axis_words(way)}" for way in _told(ways[:, : int(turning.sum())])))


def _told(ways: Floats) -> Floats:
    """Directions, as rows, that stand for a span of orthonormal columns: the part's axes where they lie in it."""
    count = ways.shape[1]
    if count == 2:
        across = np.abs(np.cross(ways[:, 0], ways[:, 1]))
        if across.max() >= _ALIGNED:
            return np.delete(np.eye(3), int(across.argmax()), axis=0)
    told: Floats = np.eye(3) if count == 3 else ways.T
    return told


def pose_words(one: Floats, other: Floats, surface: Surface) -> str:
    """How a part placed by one (4, 4) pose would have to be moved to lie as by the other."""
    turn = other[:3, :3] @ one[:3, :3].T
    vector = vector_of(turn)
    angle = float(np.linalg.norm(vector))
    shift = other[:3, 3] - turn @ one[:3, 3] + turn @ surface.centroid - surface.centroid
    if angle < np.radians(2.0):
        return f"a shift of {quantity(float(np.linalg.norm(shift)), 'mm', 0)} along {axis_words(shift)}"
    return f"{turn_words(angle)} about {axis_words(vector)}"


def difference(verdict: Floats, best: Floats, surface: Surface, decimals: int = 2) -> Difference:
    """What changes when the part is placed by best fit instead of the verdict's alignment. Both (4, 4), scan to
    nominal, mm."""
    turn = best[:3, :3] @ verdict[:3, :3].T
    vector = vector_of(turn)
    slide: Floats = best[:3, 3] - turn @ verdict[:3, 3] + turn @ surface.centroid - surface.centroid
    size = np.ptp(surface.vertices, axis=0)
    across = np.array([np.delete(size, axis).max() for axis in range(3)])
    tilt: Floats = vector * across
    places = surface.vertices - surface.centroid
    greatest = float(np.linalg.norm(places @ turn.T + slide - places, axis=1).max())
    return Difference(
        slide, np.degrees(vector), tilt, greatest, _difference_words(slide, tilt, vector, greatest, decimals)
    )


def _difference_words(slide: Floats, tilt: Floats, vector: Floats, greatest: float, decimals: int) -> str:
    least = 0.5 * 10.0**-decimals
    if greatest < 2 * least:
        return f"Best fit lies within {quantity(10.0**-decimals, 'mm', decimals)} of it everywhere."
    hides = [
        f"{_article(tilt[axis], decimals)} {_TILTS[axis]} about the {AXES[axis]}"
        f" ({quantity(abs(float(np.degrees(vector[axis]))), '°', 3)})"
        for axis in np.argsort(-np.abs(tilt), kind="stable")
        if abs(tilt[axis]) >= max(least, 0.1 * greatest)
    ]
    moves = [
        f"{quantity(abs(float(slide[axis])), 'mm', decimals)} {_WAYS[axis][0 if slide[axis] > 0 else 1]}"
        for axis in np.argsort(-np.abs(slide), kind="stable")
        if abs(slide[axis]) >= max(least, 0.1 * greatest)
    ]
    parts = []
    if hides:
        parts.append(f"Best fit hides {listed(hides)}.")
    if moves:
        parts.append(f"{'It' if hides else 'Best fit'} moves the part {listed(moves)}.")
    return " ".join(parts)


def _article(size: float, decimals: int) -> str:
    said = quantity(abs(float(size)), "mm", decimals)
    return f"an {said}" if said.startswith(("8", "11", "18")) and not said.startswith("0") else f"a {said}"


def unsure_words(report: AlignmentReport) -> str:
    """Sentences, each with a space before it, on what the pose leaves open; empty when it is sure."""
    said = ""
    if report.other is not None and report.other.almost:
        said += (
            f" The scan fits the nominal almost as well after {report.other.words}: places may be named on the wrong "
            "side."
        )
    if report.uncertainty.free:
        said += (
            f" Nothing measured holds the part against {listed(report.uncertainty.free)}: how it lies that way is not "
            "known."
        )
    return said
