"""Casts compared and mould corrections as their pages read them out."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.utils.functional import cached_property

from casting.models import Mould
from metrology.moulds.compared_words import WAYS
from metrology.wording import number
from parts import work

from . import compared_job, correction_job
from .compared import Group, changed_since
from .mould_models import CastsCompared, ComparedPicture, CorrectionEffect, CorrectionPicture, MouldCorrection
from .reading import VIEW_NAMES

NAMES = {"bottom": "From below"} | VIEW_NAMES


class PourChart:
    """Mean deviation of each cast over the pours of its mould, with the line through them; where one patch of the
    surface changes for sure, that patch too."""

    WIDTH, HEIGHT = 820, 190
    LEFT, RIGHT, TOP, BASE = 62, 806, 12, 156

    def __init__(self, casts: list[dict[str, Any]], trend: Mapping[str, Any]) -> None:
        self.casts, self.trend = casts, trend
        levels = [trend["level"], *([trend["patch_level"]] if trend["patch_told"] else [])]
        every = [value for level in levels for value in level if value is not None]
        air = 0.15 * ((max(every) - min(every)) or 0.1)
        self._low, self._high = min(every) - air, max(every) + air
        self._first, self._last = trend["pours"][0], trend["pours"][-1]
        self.series = [
            [(self.across(pour), self.up(value)) for pour, value in zip(trend["pours"], level, strict=True)]
            for level in levels
        ]

    def across(self, pour: float) -> float:
        share = (pour - self._first) / max(self._last - self._first, 1)
        return round(self.LEFT + 22 + share * (self.RIGHT - self.LEFT - 44), 1)

    def up(self, value: float) -> float:
        return round(self.TOP + (self._high - value) * (self.BASE - self.TOP) / (self._high - self._low), 1)

    @property
    def diamonds(self) -> list[str]:
        return [f"M{x} {y - 6.5}l6.5 6.5l-6.5 6.5l-6.5 -6.5z" for x, y in self.series[0]]

    @property
    def patch(self) -> list[tuple[float, float]]:
        return self.series[1] if len(self.series) > 1 else []

    @property
    def lines(self) -> list[str]:
        """The straight lines by least squares, from the first pour to the last."""
        pours = self.trend["pours"]
        middle = sum(pours) / len(pours)
        found = []
        for level, slope in (("level", "whole"), ("patch_level", "patch"))[: len(self.series)]:
            values, rise = self.trend[level], self.trend[slope]["value"]
            mean = sum(values) / len(values)
            ends = [(self.across(pour), self.up(mean + rise * (pour - middle))) for pour in (self._first, self._last)]
            found.append(f"M{ends[0][0]} {ends[0][1]}L{ends[1][0]} {ends[1][1]}")
        return found

    @property
    def pours(self) -> list[tuple[float, str]]:
        return [(self.across(pour), f"{pour}") for pour in self.trend["pours"]]

    @property
    def ticks(self) -> list[tuple[float, str]]:
        """Three heights with their figures."""
        step = (self._high - self._low) / 4
        decimals = 2 if step > 0.02 else 3
        heights = [self._low + k * step for k in (1, 2, 3)]
        return [(self.up(value), number(value, decimals, signed=True)) for value in heights]


@dataclass(frozen=True)
class Axis:
    """One row of the table of shrinkage, in words and figures."""

    way: str
    shrinkage: str
    interval: str
    casts: int
    mould: str
    pattern: str
    pattern_interval: str


def axes(rows: Iterable[Mapping[str, Any]]) -> list[Axis]:
    return [_axis(row) for row in rows]


def _axis(row: Mapping[str, Any]) -> Axis:
    def to(low: float | None, high: float | None, factor: float, decimals: int) -> str:
        if low is None or high is None:
            return "one cast: none" if row["value"] is not None else ""
        return f"{number(factor * low, decimals)} to {number(factor * high, decimals)}"

    return Axis(
        way=WAYS[row["axis"]],
        shrinkage="cannot be told" if row["value"] is None else number(100 * row["value"], 2),
        interval=to(row["low"], row["high"], 100, 2),
        casts=row["casts"],
        mould="" if row["mould_scale"] is None else number(row["mould_scale"], 5),
        pattern="" if row["pattern_scale"] is None else number(row["pattern_scale"], 5),
        pattern_interval=to(row["pattern_low"], row["pattern_high"], 1, 5),
    )


class Maps:
    """Pictures side by side, one for each kind, all seen from the same side."""

    def __init__(self, pictures: Iterable[ComparedPicture | CorrectionPicture], view: str, name: str) -> None:
        self.pictures = {(picture.kind, picture.view): picture for picture in pictures}
        self.all_views = [view for view in compared_job.VIEWS if any(view == seen for _, seen in self.pictures)]
        self.view = view if view in self.all_views else next(iter(self.all_views), "")
        self.name = name

    @property
    def view_name(self) -> str:
        return NAMES.get(self.view, self.view)

    @property
    def views(self) -> list[tuple[str, str]]:
        return [(view, NAMES.get(view, view)) for view in self.all_views]

    def of(self, kind: str) -> tuple[Any, str] | None:
        """The picture of a kind and the name of its file."""
        picture = self.pictures.get((kind, self.view))
        return (picture, f"{self.name}-{kind}-{self.view}.png") if picture else None

    mean = property(lambda self: self.of("mean"))
    scatter = property(lambda self: self.of("scatter"))
    change = property(lambda self: self.of("change"))
    before = property(lambda self: self.of("before"))
    foretold = property(lambda self: self.of("foretold"))
    brought = property(lambda self: self.of("brought"))


class MouldSheet:
    """What the sheet "Casts compared" says of one mould."""

    def __init__(self, group: Group | None, row: CastsCompared | None, now: datetime, view: str = "") -> None:
        self.group, self.row = group, row
        self.mould: Mould | None = group.mould if group else row.mould if row else None
        self.changed = row is not None and not row.under_way and changed_since(row, group)
        self.progress = work.Progress(row, compared_job.STAGES, now) if row and row.under_way else None
        self.done = row is not None and row.state == row.State.DONE
        self.figures: dict[str, Any] = row.figures if row and self.done else {}
        self.said: dict[str, str] = self.figures.get("said", {})
        self.asked_view = view

    @property
    def code(self) -> str:
        return self.mould.code if self.mould else ""

    @property
    def name(self) -> str:
        return f"Mould {self.mould}" if self.mould else "No known mould"

    @cached_property
    def maps(self) -> Maps | None:
        if not self.done or self.row is None:
            return None
        return Maps(self.row.pictures.all(), self.asked_view, f"{self.code or 'casts'}-compared")

    @cached_property
    def chart(self) -> PourChart | None:
        trend = self.figures.get("trend")
        return PourChart(self.figures["casts"], trend) if trend else None

    @property
    def places(self) -> str:
        return f"{self.figures.get('places', 0):,}"

    @property
    def shrinkage(self) -> list[Axis]:
        return axes(self.figures.get("shrinkage", []))

    @property
    def casts(self) -> list[dict[str, Any]]:
        return self.figures.get("casts", [])


class CorrectionReading:
    """What the page of a mould correction says."""

    def __init__(
        self, correction: MouldCorrection, effect: CorrectionEffect | None, now: datetime, view: str = ""
    ) -> None:
        self.correction, self.effect = correction, effect
        self.figures: dict[str, Any] = correction.figures
        self.said: dict[str, Any] = self.figures.get("said", {})
        self.done = correction.state == correction.State.DONE
        self.progress = work.Progress(correction, correction_job.STAGES, now) if correction.under_way else None
        self.finding = work.Progress(effect, correction_job.EFFECT_STAGES, now) if effect and effect.under_way else None
        self.brought: dict[str, Any] = effect.figures if effect and effect.state == effect.State.DONE else {}
        self.asked_view = view

    @property
    def stopping(self) -> bool:
        return self.correction.stop_asked or bool(self.effect and self.effect.stop_asked)

    @cached_property
    def maps(self) -> Maps:
        return Maps(self.correction.pictures.select_related("file"), self.asked_view, self.correction.code)

    @property
    def shrinkage(self) -> list[Axis]:
        return axes(self.figures.get("shrinkage", []))

    @property
    def serials(self) -> list[str]:
        return [serial for serial, _, _ in self.correction.evidence]

    @property
    def surface_name(self) -> str:
        return f"{self.correction.code}-cavity-mm.stl"

    @property
    def rows(self) -> list[tuple[str, dict[str, Any]]]:
        """Systematic error: before, foretold, brought."""
        found = [("Before", self.figures["before"]), ("Foretold", self.figures["foretold"])]
        return [*found, ("Brought", self.brought["after"])] if self.brought else found

    @property
    def triangles(self) -> str:
        return f"{self.figures.get('triangles', 0):,}"

    @property
    def factors(self) -> str:
        return " × ".join(number(factor, 5) for factor in self.figures.get("factors", []))
