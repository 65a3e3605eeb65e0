"""What a section says: its figures, its worst places by number, and a sentence for those who do not see the picture."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.comparison.words import band, direction, found_words, place_words, share
from metrology.sections.cut import Section
from metrology.wording import number

# Places to name stand a tenth of the section apart, and are at least half as near to a limit as the worst.
_APART, _AS_BAD, _LEAST = 0.1, 0.5, 0.005


@dataclass(frozen=True)
class SectionFigures:
    """Over the outline, by its length; NaN where nothing was measured. length, mean, lowest, highest: mm.
    measured_share: of the outline. inside_share: of what was measured, within the limits of each place."""

    length: float
    measured_share: float
    inside_share: float
    mean: float
    lowest: float
    highest: float


@dataclass(frozen=True)
class SectionPlace:
    """A place to name. at: (3,) mm. normal: (3,) of the surface. value, lower, upper: mm. direction: in words."""

    number: int
    at: Floats
    normal: Floats
    value: float
    lower: float
    upper: float

    @property
    def direction(self) -> str:
        return direction(self.value, self.normal)

    @property
    def outside(self) -> bool:
        return not self.lower <= self.value <= self.upper

    @property
    def where(self) -> str:
        """ "at x 12, y 0, z 30 mm"."""
        return place_words(None, self.at + 0.0)

    @property
    def sentence(self) -> str:
        """For the picture, where signs stand beside words: "+0.71 mm, too high at x 12, y 0, z 30 mm"."""
        return f"{number(self.value, 2, signed=True)}\u00a0mm, {self.direction} {self.where}"


def section_figures(section: Section) -> SectionFigures:
    total = float(section.length.sum())
    seen = np.isfinite(section.deviation)
    if not seen.any():
        nan = float("nan")
        return SectionFigures(total, 0.0, nan, nan, nan, nan)
    value, weight = section.deviation[seen], section.length[seen]
    inside = (section.lower[seen] <= value) & (value <= section.upper[seen])
    return SectionFigures(
        length=total,
        measured_share=float(weight.sum()) / total,
        inside_share=float(weight[inside].sum() / weight.sum()),
        mean=float((weight * value).sum() / weight.sum()),
        lowest=float(value.min()),
        highest=float(value.max()),
    )


def worst_places(section: Section, most: int = 4) -> list[SectionPlace]:
    """The places deepest outside their limits or nearest to one, worst first, apart from each other."""
    seen = np.flatnonzero(np.abs(np.nan_to_num(section.deviation)) >= _LEAST)
    if not len(seen):
        return []
    value, lower, upper = (column[seen] for column in (section.deviation, section.lower, section.upper))
    margin = np.minimum(upper - value, value - lower)
    used = 1 - margin / np.maximum((upper - lower) / 2, 1e-12)
    order = np.argsort(margin, kind="stable")
    apart = _APART * float(np.linalg.norm(np.ptp(section.segments.reshape(-1, 3), axis=0)))
    found: list[int] = []
    for row in order[used[order] >= _AS_BAD * used[order[0]]]:
        place = int(seen[row])
        if len(found) == most:
            break
        if all(np.linalg.norm(section.at[place] - section.at[other]) > apart for other in found):
            found.append(place)
    return [
        SectionPlace(
            number=k,
            at=section.at[row],
            normal=section.normals[row],
            value=float(section.deviation[row]),
            lower=float(section.lower[row]),
            upper=float(section.upper[row]),
        )
        for k, row in enumerate(found, 1)
    ]


def section_sentence(section: Section) -> str:
    """ "93 % of the outline was measured, and all of that lies within the limits. The worst is 0.71 mm too high at x
    12, y 0, z 30 mm; the limits there are ±1.0 mm."."""
    figures = section_figures(section)
    if figures.measured_share == 0:
        return "Nothing of this outline was measured."
    inside = figures.inside_share
    within = (
        "all of that lies" if inside == 1 else f"{share(inside, 1.0)} of that lies" if inside else "none of it lies"
    )
    said = f"{share(figures.measured_share)} of the outline was measured, and {within} within the limits."
    places = worst_places(section, 1)
    if not places:
        return f"{said} Nothing deviates by 0.01\u00a0mm."
    worst = places[0]
    limit = worst.upper if worst.upper - worst.value < worst.value - worst.lower else worst.lower
    found = found_words(worst.value, worst.normal, worst.where, limit)
    return f"{said} The worst is {found}; the limits there are {band(worst.lower, worst.upper)}."
