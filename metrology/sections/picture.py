"""A section drawn: the nominal outline, the deviation at right angles to it magnified, limits as parallel lines."""

from dataclasses import replace

import numpy as np
from PIL import Image, ImageDraw

from metrology.bodies import Floats, Ints
from metrology.errors import InputError
from metrology.pictures import callouts as labelling
from metrology.pictures.furniture import Box, Writing, direction_words, legend, round_length, scale_bar
from metrology.pictures.lettering import Lettering
from metrology.pictures.palette import (
    BACKGROUNDS,
    BANDS,
    GRAPHITE,
    LEAD,
    NOT_MEASURED,
    PALETTE,
    STIPPLE,
    WHITE,
    Scale,
    dots,
    hatch,
    scale,
    stipple,
)
from metrology.pictures.strokes import Canvas, blend, finished, paper, stamp, stroke
from metrology.pictures.views import camera
from metrology.sections.cut import Section
from metrology.sections.words import worst_places
from metrology.wording import quantity

# Magnifications to choose from: the limits should stand about so many px from the outline, and nothing much farther
# than the other (picture 1200 px wide).
FACTORS = (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000, 5000)
_LIMITS_AT, _FARTHEST = 26.0, 110.0
_LABELS = 4
_FINE = 3
# Measured outlines of pieces that turn by less than this are joined (cosine): a rounded edge, not a corner.
_ROUND = float(np.cos(np.radians(40.0)))
# Bands on which white hatch shows; on the others it is graphite.
_DARK = ("lo3", "lo4", "hi3", "hi4")
# Half the width of what was not measured, and the farthest that anything is drawn, px.
_UNSEEN, _MOST_PX = 7.0, 4000.0
# Room around the outline, px.
_SIDE, _ABOVE, _BELOW = 160.0, 190.0, 270.0


def section_picture(
    section: Section,
    *,
    limits: tuple[float, float],
    guard_mm: float,
    factor: float | None = None,
    width: int = 1200,
    height: int | None = None,
    background: str = "paper",
    unit_label: str = "mm",
    text_scale: float = 1.0,
) -> tuple[Image.Image, float]:
    """The picture and the magnification drawn. limits: of the whole, mm; guard_mm: the guard band inside them.

    factor: how many times the deviation is drawn larger than the outline; None chooses one of `FACTORS`, so that the
    limits stand clear of the outline and nothing reaches too far. Colours tell the size of the deviation as on the
    maps; hatch is what lies beyond the limits of its own place. height: None is as high as needed. text_scale: larger
    lettering and lines, for a picture that is shown small; 4/3 with 900 px of width is the most that fits.

    Raises InputError: factor, and the codes of `palette.scale`.
    """
    if factor is not None and not (np.isfinite(factor) and 0 < factor <= 100_000):
        raise InputError("factor", "Magnify the deviation by more than 0 and at most 100,000 times.")
    bands = scale(*limits, guard_mm)
    unit = width / 1200 * text_scale
    height = height or height_of(section, width, text_scale)
    sheet = _Sheet(section, bands, paper(width, height, BACKGROUNDS[background]), unit, factor)
    sheet.limit_lines()
    sheet.bands()
    sheet.unseen()
    sheet.measured()
    sheet.nominal()
    return sheet.lettered(unit_label), sheet.times


def height_of(section: Section, width: int, text_scale: float = 1.0) -> int:
    """How high a picture of that width, px, needs to be: lower for a flat part, never higher than it is wide."""
    unit = width / 1200 * text_scale
    view = section.plane.view
    wide, high = np.ptp(section.segments.reshape(-1, 3) @ np.array([view.right, view.up]).T, axis=0)
    room = high / max(wide, 1e-9) * (width - 2 * _SIDE * unit) + (_ABOVE + _BELOW) * unit
    return round(float(np.clip(room, 620 * unit, max(0.75 * width, 900 * unit))))


class _Sheet:
    """What is drawn on, and the section in its pixels."""

    def __init__(self, section: Section, bands: Scale, canvas: Canvas, unit: float, factor: float | None) -> None:
        self.section, self.scale, self.canvas, self.unit = section, bands, canvas, unit
        height, width = canvas.shape[:2]
        box = (_SIDE * unit, _ABOVE * unit, width - _SIDE * unit, height - _BELOW * unit)
        self.eye = camera(section.plane.view, section.segments.reshape(-1, 3), box)
        self.times = factor if factor is not None else self._chosen()
        self.seen = np.isfinite(section.deviation)
        self.at = self.eye.place(section.at)[:, :2]
        self.out = self._turned(section.outward)
        half = (section.length / 2 * self.eye.scale)[:, None]
        along = np.stack([-self.out[:, 1], self.out[:, 0]], axis=1) * half
        self.starts, self.ends = self.at - along, self.at + along
        self.joints = self.eye.place(section.joints)[:, :2]

    @property
    def reach(self) -> float:
        """Pixels of a millimetre of deviation."""
        return self.times * self.eye.scale

    def limit_lines(self) -> None:
        everywhere = np.ones(len(self.at), dtype=bool)
        runs = [run for limit in (self.section.lower, self.section.upper) for run in self._parallel(limit, everywhere)]
        stamp(self.canvas, [(run, 1.1 * self.unit) for run in runs], LEAD)

    def bands(self) -> None:
        """The room between the outlines, in the band's colour and texture."""
        section, shift = self.section, self._shift(self.section.deviation)
        quads = np.stack([self.starts, self.ends, self.ends + shift, self.starts + shift], axis=1)
        joins = self._round(self.seen)
        first, second = section.joins[joins].T
        joint = self.joints[joins]
        wedges = np.stack([joint, joint + shift[first], joint + shift[second], joint], axis=1)
        band = np.searchsorted(self.scale.edges, section.deviation, side="right")
        low, high = section.deviation < section.lower, section.deviation > section.upper
        for number in np.unique(band[self.seen]):
            name = BANDS[int(number)]
            for beyond, side in ((low, "low"), (high, "high"), (~low & ~high, "")):
                rows = self.seen & (band == number) & beyond
                high_up, across, cover = self._covered(np.concatenate([quads[rows], wedges[rows[first]]]))
                blend(self.canvas, high_up, across, cover, PALETTE[name])
                if side:
                    lines = cover * hatch(high_up, across, self.unit, rising=side == "high")
                    blend(self.canvas, high_up, across, lines, WHITE if name in _DARK else GRAPHITE)
                elif name in ("lo3", "hi3"):
                    blend(self.canvas, high_up, across, cover * dots(high_up, across, self.unit), WHITE)

    def unseen(self) -> None:
        wide = self.out[~self.seen] * _UNSEEN * self.unit
        start, end = self.starts[~self.seen], self.ends[~self.seen]
        rows, columns, share = self._covered(np.stack([start - wide, end - wide, end + wide, start + wide], axis=1))
        blend(self.canvas, rows, columns, share, NOT_MEASURED)
        blend(self.canvas, rows, columns, share * stipple(rows, columns, self.unit), STIPPLE)

    def measured(self) -> None:
        """The measured outline, magnified, as one line; broken where nothing was measured, and at corners."""
        stamp(self.canvas, [(run, 2.0 * self.unit) for run in self._parallel(self.section.deviation, self.seen)])

    def nominal(self) -> None:
        placed = self.eye.place(self.section.segments)[:, :, :2]
        stamp(self.canvas, [(_dense(placed[:, 0], placed[:, 1]), 3.4 * self.unit)])

    def lettered(self, unit_label: str) -> Image.Image:
        unit, canvas = self.unit, self.canvas
        writings = [
            *self._heading(),
            *legend(canvas, self.scale, unit, unit_label),
            *scale_bar(canvas, self.eye, unit, unit_label),
            *self._deviation_bar(unit_label),
            *direction_words(self.section.plane.view, self._around(), unit),
        ]
        lettering = Lettering(Image.new("RGB", (1, 1)), unit)
        labels = self._labels(lettering, [text.box(lettering, unit) for text in writings])
        labelling.draw_leaders(canvas, labels, unit)
        image = finished(canvas)
        lettering = Lettering(image, unit)
        for text in writings:
            text.write(lettering)
        labelling.write_labels(lettering, labels, unit)
        return image

    def _chosen(self) -> float:
        """The largest factor that puts the limits where they read well and keeps everything within reach."""
        seen = np.abs(self.section.deviation[np.isfinite(self.section.deviation)])
        widest = max(float(np.abs(limit).max()) for limit in (self.section.lower, self.section.upper))
        far = max(float(np.percentile(seen, 99.5)) if len(seen) else 0.0, widest)
        wanted = min(_LIMITS_AT / widest, _FARTHEST / far) * self.unit / self.eye.scale
        return float(max((factor for factor in FACTORS if factor <= wanted), default=1))

    def _turned(self, ways: Floats) -> Floats:
        """Directions in the plane, (p, 3), as directions of pixels, (p, 2)."""
        turned: Floats = (ways @ self.eye.axes.T)[:, :2]
        return turned

    def _shift(self, values: Floats) -> Floats:
        """Where values (p,) mm are drawn, from the outline, (p, 2) px."""
        away = np.clip(np.nan_to_num(values) * self.reach, -_MOST_PX, _MOST_PX)
        return np.asarray(self.out * away[:, None])

    def _round(self, which: np.ndarray) -> Ints:
        """Rows of the joins between two of these places where the outline makes no corner."""
        first, second = self.section.joins.T
        alike = np.einsum("ij,ij->i", self.section.outward[first], self.section.outward[second]) > _ROUND
        return np.flatnonzero(alike & which[first] & which[second])

    def _parallel(self, values: Floats, which: np.ndarray) -> list[Floats]:
        """Dense points of the line that runs beside the outline at values (p,) mm."""
        shift, joins = self._shift(values), self._round(which)
        first, second = self.section.joins[joins].T
        joint = self.joints[joins]
        return [
            _dense(self.starts[which] + shift[which], self.ends[which] + shift[which]),
            _dense(joint + shift[first], joint + shift[second]),
        ]

    def _covered(self, quads: Floats) -> tuple[Ints, Ints, Floats]:
        """Rows and columns of the pixels that any of the quadrangles (q, 4, 2) covers, and share of each that is."""
        size = np.array(self.canvas.shape[1::-1])
        corners = quads.reshape(-1, 2) if len(quads) else np.zeros((1, 2))
        low, high = np.clip(np.floor(corners.min(axis=0)), 0, size), np.clip(np.ceil(corners.max(axis=0)) + 1, 0, size)
        left, top = low.astype(int)
        width, height = np.maximum((high - low).astype(int), 1)
        image = Image.new("L", (int(width) * _FINE, int(height) * _FINE), 0)
        draw = ImageDraw.Draw(image)
        for quad in np.rint((quads - low) * _FINE - 0.5).astype(int).reshape(len(quads), 8).tolist():
            draw.polygon(quad, fill=255, outline=255)
        share = np.asarray(image.reduce(_FINE), dtype=np.float64) / 255
        rows, columns = np.nonzero(share)
        inside = (rows + top < size[1]) & (columns + left < size[0])
        return rows[inside] + top, columns[inside] + left, share[rows, columns][inside]

    def _around(self) -> Box:
        """The room that outline and deviation take, px."""
        edge = np.concatenate([self.joints, self.at + self._shift(self.section.deviation)])
        (left, top), (right, bottom) = edge.min(axis=0) - 34 * self.unit, edge.max(axis=0) + 34 * self.unit
        high, wide = self.canvas.shape[:2]
        room = self.unit * np.array([134, 130, 134, 214])
        return (
            max(float(left), room[0]), max(float(top), room[1]),
            min(float(right), wide - room[2]), min(float(bottom), high - room[3]),
        )  # fmt: skip

    def _heading(self) -> list[Writing]:
        left, plane = 32 * self.unit, self.section.plane
        title = f"Section {plane.name}, {plane.view.title.lower()}" if plane.axis else f"Section at a {plane.name}"
        drawn = f"deviation drawn {self.times:,.10g} times" if self.times != 1 else "deviation drawn to scale"
        lines = (f"{drawn}; hatch: beyond the limits of its place", "heavy: nominal; fine: measured; grey: limits")
        return [
            Writing((left, 44 * self.unit), title, 24.0, True, "l"),
            *(
                Writing((left, (70 + 23 * row) * self.unit), line, 17.0, False, "l", True)
                for row, line in enumerate(lines)
            ),
        ]

    def _deviation_bar(self, unit_label: str) -> list[Writing]:
        """A second scale, upright, for the magnified deviation; above the one for the outline."""
        unit, mm = self.unit, round_length(70 * self.unit / self.reach)
        x, bottom = 46 * unit, self.canvas.shape[0] - 118 * unit
        top = bottom - mm * self.reach
        stroke(self.canvas, (x, bottom), (x, top), 1.7 * unit)
        for y in (bottom, top):
            stroke(self.canvas, (x - 9 * unit, y), (x + 9 * unit, y), 1.7 * unit)
        decimals = 0 if mm >= 1 else 1 if mm >= 0.1 else 2 if mm >= 0.01 else 3
        at = (x + 18 * unit, (bottom + top) / 2 + 6 * unit)
        return [Writing(at, f"{quantity(mm, unit_label, decimals)} of deviation", anchor="l")]

    def _labels(self, lettering: Lettering, taken: list[Box]) -> list[labelling.Label]:
        """The worst few places with their values, at the tips of what is drawn there."""
        height, width = self.canvas.shape[:2]
        shown: list[tuple[labelling.Named, tuple[float, float]]] = []
        places = worst_places(self.section, _LABELS)
        for place in places:
            flat = place.normal - (place.normal @ self.section.plane.normal) * self.section.plane.normal
            out = self._turned(flat[None] / np.linalg.norm(flat))[0]
            x, y = self.eye.place(place.at)[:2] + out * np.clip(place.value * self.reach, -_MOST_PX, _MOST_PX)
            shown.append((place, (float(np.clip(x, 0, width)), float(np.clip(y, 0, height)))))
        room = (12 * self.unit, 104 * self.unit, width - 12 * self.unit, height - 116 * self.unit)
        bars = (32 * self.unit, height - 200 * self.unit, 60 * self.unit, height - 110 * self.unit)
        ground = self.canvas[0, 0]
        busy = np.asarray(np.abs(self.canvas - ground).max(axis=2) > 12, dtype=np.float64)
        labels = labelling.place_labels(shown, self.scale, lettering, self.unit, room, [*taken, bars], busy)
        return [replace(label, outside=place.outside) for label, place in zip(labels, places, strict=True)]


def _dense(start: Floats, end: Floats) -> Floats:
    """Points half a pixel apart along straight pieces, (p, 2)."""
    length = np.linalg.norm(end - start, axis=1)
    count = np.ceil(length / 0.5).astype(np.int64) + 1
    owner = np.repeat(np.arange(len(count)), count)
    part = (np.arange(len(owner)) - np.repeat(np.cumsum(count) - count, count)) / np.maximum(count - 1, 1)[owner]
    return np.asarray(start[owner] + part[:, None] * (end - start)[owner])
