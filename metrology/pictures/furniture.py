"""What surrounds the part: heading, legend, scale and the words for directions."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.pictures.lettering import Lettering
from metrology.pictures.palette import BANDS, GRAPHITE, LEAD, Scale
from metrology.pictures.strokes import Canvas, Point, stroke, swatch
from metrology.pictures.views import Camera, View
from metrology.wording import quantity

Box = tuple[float, float, float, float]

_MARGIN, _HIGH = 32.0, 26.0
# Width of a band in the legend; narrower where large lettering leaves less room beside the scale.
_NARROW, _WIDE, _BESIDE = 44.0, 60.0, 404.0
_SMALL, _TEXT, _LARGE = 17.0, 20.0, 24.0


@dataclass(frozen=True)
class Writing:
    """Text to be written once the canvas is an image."""

    at: Point
    text: str
    size: float = _SMALL
    bold: bool = False
    anchor: str = "m"
    quiet: bool = False

    def box(self, lettering: Lettering, unit: float) -> Box:
        """The room the text takes, px."""
        wide = lettering.width(self.text, self.size, bold=self.bold)
        left = self.at[0] - wide * {"l": 0.0, "m": 0.5, "r": 1.0}[self.anchor]
        return left, self.at[1] - self.size * unit, left + wide, self.at[1] + 0.3 * self.size * unit

    def write(self, lettering: Lettering) -> None:
        fill = LEAD if self.quiet else GRAPHITE
        lettering.write(self.at, self.text, self.size, bold=self.bold, fill=fill, anchor=self.anchor)


def part_box(width: int, height: int, unit: float) -> Box:
    """Where the part is drawn."""
    side = max(0.115 * width, 104 * unit)
    return side, 112 * unit, width - side, height - 172 * unit


def heading(title: str, view: View, unit: float) -> list[Writing]:
    first, second = (title, view.title) if title else (view.title, "")
    texts = "hatch rising to the right: too high; falling: too low"
    note = f"{second}; {texts}" if second else texts
    left = _MARGIN * unit
    return [
        Writing((left, 44 * unit), first, _LARGE, True, "l"),
        Writing((left, 70 * unit), note, _SMALL, False, "l", True),
    ]


def legend(canvas: Canvas, scale: Scale, unit: float, unit_label: str) -> list[Writing]:
    """The nine bands (seven without a guard band) and the texture of what was not measured, at the lower right."""
    height, width = canvas.shape[:2]
    bands = scale.present()
    wide = float(np.clip((width / unit - _BESIDE) / len(bands), _NARROW, _WIDE))
    top, right = height - 104 * unit, width - _MARGIN * unit
    bottom, left = top + _HIGH * unit, right - len(bands) * wide * unit
    edges = [left + k * wide * unit for k in range(len(bands) + 1)]
    written: list[Writing] = []
    for k, band in enumerate(bands):
        swatch(canvas, (edges[k], top, edges[k + 1] + 1, bottom), BANDS[band], unit)
        if k:
            figure = scale.label(band - 1)
            stroke(canvas, (edges[k] + 0.5, bottom), (edges[k] + 0.5, bottom + 5 * unit), 1.5 * unit)
            written.append(Writing((edges[k], bottom + 24 * unit), figure))
    under = bottom + 51 * unit
    written.append(Writing((left, under), "too low", _TEXT, True, "l"))
    written.append(Writing((right, under), f"too high, {unit_label}", _TEXT, True, "r"))
    if 1 in bands or 7 in bands:
        written.append(Writing(((left + right) / 2, under), "dotted: guard band", quiet=True))
    blank = left - (48 + wide) * unit
    swatch(canvas, (blank, top, blank + wide * unit, bottom), "not measured", unit)
    written.append(Writing((blank + wide / 2 * unit, bottom + 24 * unit), "not measured"))
    return written


def round_length(most: float) -> float:
    """The largest of 1, 2, 5, 10, 20, 50 ... that is not more than `most`."""
    power = 10.0 ** np.floor(np.log10(most))
    return float(max(step for step in (1.0, 2.0, 5.0) if step * power <= most * (1 + 1e-9)) * power)


def scale_bar(canvas: Canvas, view: Camera, unit: float, unit_label: str) -> list[Writing]:
    """A dimension line of a round length, at the lower left."""
    mm = round_length(230 * unit / view.scale)
    y, left = canvas.shape[0] - 82 * unit, _MARGIN * unit
    right = left + mm * view.scale
    stroke(canvas, (left, y), (right, y), 1.7 * unit)
    for x in (left, right):
        stroke(canvas, (x, y - 9 * unit), (x, y + 9 * unit), 1.7 * unit)
    return [Writing(((left + right) / 2, y + 28 * unit), _length(mm, unit_label), _TEXT)]


def axes(canvas: Canvas, view: Camera, unit: float, unit_label: str) -> list[Writing]:
    """Three arms of one round length, each to the scale of its own direction, at the lower left."""
    mm = round_length(110 * unit / view.scale)
    arms: Floats = view.axes[:2, :].T * view.scale * mm
    # Arms that point to the left, with their words, must stay on the sheet.
    beside = max(-float(arms[:2, 0].min()) + 62 * unit, 8 * unit) if arms[:2, 0].min() < 0 else 8 * unit
    start = np.array([_MARGIN * unit + beside, canvas.shape[0] - 100 * unit])
    written = [
        Writing((_MARGIN * unit, canvas.shape[0] - 28 * unit), f"each arm {_length(mm, unit_label)}", anchor="l")
    ]
    for axis, word in enumerate(("forward", "left", "up")):
        arm: Floats = arms[axis]
        end = start + arm
        way = arm / max(float(np.hypot(*arm)), 1e-9)
        stroke(canvas, tuple(start), tuple(end), 1.7 * unit)
        for barb in (way @ np.array([[c, s], [-s, c]]) for c, s in ((0.94, 0.34), (0.94, -0.34))):
            stroke(canvas, tuple(end), tuple(end - 10 * unit * barb), 1.7 * unit)
        if axis == 2:
            written.append(Writing((float(end[0]), float(end[1] - 8 * unit)), word, quiet=True))
            continue
        side = -1 if arm[0] < 0 else 1
        at = (float(end[0] + side * 8 * unit), float(end[1] + 6 * unit))
        written.append(Writing(at, word, anchor="r" if side < 0 else "l", quiet=True))
    return written


def direction_words(view: View, box: Box, unit: float) -> list[Writing]:
    """What lies beyond each side of the part; box: around the part, px."""
    if not view.words:
        return []
    left, top, right, bottom = box
    x, y = (left + right) / 2, (top + bottom) / 2 + 6 * unit
    places = (
        ((left - 14 * unit, y), "r"),
        ((right + 14 * unit, y), "l"),
        ((x, top - 12 * unit), "m"),
        ((x, bottom + 26 * unit), "m"),
    )
    return [Writing(at, word, anchor=anchor, quiet=True) for (at, anchor), word in zip(places, view.words, strict=True)]


def _length(mm: float, unit_label: str) -> str:
    return quantity(mm, unit_label, 0 if mm >= 1 else 2)
