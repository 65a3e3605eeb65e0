"""All casts of one characteristic in the order of their pours: reading them, and what they say."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any, NamedTuple

from django.db.models import FloatField
from django.db.models.functions import Cast as AsFloat
from django.utils.functional import cached_property

from metrology.amounts.feet_inches import write_length
from metrology.amounts.quantities import FEET_INCHES, convert
from metrology.over_pours import Asked, OverPours, PourChart, over_pours, signals_by_cast, usual_guard
from metrology.wording import NBSP, number
from parts.models import Characteristic

from .entry_units import EntryUnits
from .models import Measurement, Result

SHOWN_VALUES = 12


class Pour(NamedTuple):
    """The value that counts of one cast. order: among all that were asked for. key: of the measurement."""

    order: int
    key: int
    cast: int
    serial: str
    letter: str
    value: float
    uncertainty: float
    result: str


def pours_of(characteristics: Sequence[int]) -> dict[int, list[Pour]]:
    """By characteristic: the newest standing value of each cast, in the order of pouring. One query.

    Scrapped casts are among them: they came from the same mould and hands as the others.
    """
    rows = (
        Measurement.objects.filter(characteristic__in=characteristics, replaced=False)
        .order_by("cast__poured_at", "cast_id", "measured_at", "pk")
        .values_list(
            "characteristic_id", "pk", "cast_id", "cast__serial", "cast__revision__letter",
            AsFloat("value", FloatField()), AsFloat("uncertainty", FloatField()), "result",
        )
    )  # fmt: skip
    found: dict[int, dict[int, Pour]] = {pk: {} for pk in characteristics}
    for order, (characteristic, key, cast, serial, letter, value, uncertainty, result) in enumerate(rows):
        found[characteristic][cast] = Pour(order, key, cast, serial, letter, value, uncertainty, result)
    return {pk: list(casts.values()) for pk, casts in found.items()}


def same_elsewhere(characteristic: Characteristic) -> list[Characteristic]:
    """The same number with the same unit on every revision of the component, by letter; this one among them."""
    return list(
        Characteristic.objects.filter(
            revision__component_id=characteristic.revision.component_id, number=characteristic.number,
            unit=characteristic.unit,
        ).select_related("revision").order_by("revision__created_at", "revision__letter")
    )  # fmt: skip


@dataclass(frozen=True)
class Wanted:
    """What a person asks of the casts. all_revisions: those of earlier and later revisions too."""

    pieces: int
    confidence: float = 0.95
    ppk: float = 1.33
    rules: str = "western-electric"
    phase_one: int | None = None
    all_revisions: bool = False


@dataclass(frozen=True)
class Row:
    """A line of the table behind the chart."""

    place: int
    pour: Pour
    measurement: Measurement | None
    value: str
    sure: str
    signals: Sequence[str]


class Process:
    """One characteristic over its pours, in the units of whoever reads it."""

    def __init__(
        self, characteristic: Characteristic, pours: Sequence[Pour], wanted: Wanted, units: EntryUnits
    ) -> None:
        self.characteristic, self.pours, self.wanted, self.units = characteristic, pours, wanted, units
        chosen = units.of(characteristic.unit)
        # Feet and inches are no scale to reckon with: inches then.
        self.unit = "in" if chosen == FEET_INCHES else chosen
        self._factor = convert(1.0, self.unit, characteristic.unit)

    def _in_unit(self, value: float | Decimal | None) -> float | None:
        if value is None:
            return None
        # Figures as they were written stay as they are, without the last digit of a division.
        return float(value) if self._factor == 1.0 else round(float(value) / self._factor, 10)

    @cached_property
    def guard(self) -> float:
        return self._in_unit(usual_guard([pour.uncertainty for pour in self.pours])) or 0.0

    @cached_property
    def values(self) -> list[float]:
        return [float(self._in_unit(pour.value) or 0.0) for pour in self.pours]

    @cached_property
    def said(self) -> OverPours:
        c, wanted = self.characteristic, self.wanted
        asked = Asked(
            lower=self._in_unit(c.lower),
            upper=self._in_unit(c.upper),
            unit=self.unit,
            guard=self.guard,
            pieces=wanted.pieces,
            confidence=wanted.confidence,
            wanted=wanted.ppk,
            rules=wanted.rules,
            phase_one=wanted.phase_one,
        )
        return over_pours(self.values, asked)

    @cached_property
    def signals(self) -> dict[int, list[str]]:
        return signals_by_cast(self.said)

    @property
    def chart(self) -> PourChart:
        c, made = self.characteristic, self.said.chart
        letters = [pour.letter for pour in self.pours]
        several = len(set(letters)) > 1
        control = (made.lower, made.upper) if made and made.lower is not None and made.upper is not None else None
        return PourChart(
            values=self.values,
            conforming=[pour.result == Result.CONFORMS for pour in self.pours],
            names=[pour.serial for pour in self.pours],
            unit=self.unit,
            says=f"{c.name} of {len(self.pours)} casts. {self.said.stable_said}",
            lower=self._in_unit(c.lower),
            upper=self._in_unit(c.upper),
            guard=self.guard,
            nominal=self._in_unit(c.nominal),
            centre=made.centre if control else None,
            control=control,
            signals=sorted(self.signals),
            changes=[
                (place, letter)
                for place, letter in enumerate(letters)
                if several and (place == 0 or letters[place - 1] != letter)
            ],
        )

    @property
    def headline(self) -> str:
        """What is said first: a process that is not stable promises nothing of the casts to come."""
        if self.said.stable is False or not self.said.series_said:
            return self.said.stable_said
        return self.said.series_said

    @property
    def then(self) -> str:
        asked = f"Asked: {self.asked}."
        if self.guard:
            sure = self.units.shown(self._kept(self.guard), self.characteristic.unit)
            asked = f"Asked: {self.asked}; the usual measurement is sure to {sure}."
        if self.said.stable is False:
            return f"{asked} Find the cause first; only a stable process promises: {self._lower_first(self.to_come)}"
        return asked

    @property
    def to_come(self) -> str:
        """Of the casts to come, or why nothing can be said of them."""
        return self.said.series_said or self.said.stable_said

    @staticmethod
    def _lower_first(text: str) -> str:
        return text[:1].lower() + text[1:]

    def _kept(self, value: float) -> Decimal:
        """A figure of this process in the unit of the characteristic."""
        return Decimal(repr(round(value * self._factor, 4)))

    @property
    def last_values(self) -> list[float]:
        """Those of the last casts, for a small drawing."""
        return self.values[-SHOWN_VALUES:]

    def rows(self, places: Sequence[int]) -> list[Row]:
        """Lines of the table for these places. One query."""
        keys = [self.pours[place].key for place in places]
        found = Measurement.objects.filter(pk__in=keys).select_related("instrument", "scan", "cast__kit", "measured_by")
        by_key = {row.pk: row for row in found}
        unit, shown = self.characteristic.unit, self.units.shown
        return [
            Row(
                place + 1,
                self.pours[place],
                by_key.get(self.pours[place].key),
                shown(Decimal(repr(self.pours[place].value)), unit),
                shown(Decimal(repr(self.pours[place].uncertainty)), unit),
                self.signals.get(place, []),
            )
            for place in places
        ]  # fmt: skip

    @property
    def asked(self) -> str:
        """The limits in words, in the reader's units."""
        c, shown = self.characteristic, self.units.shown
        lower, upper = shown(c.lower, c.unit), shown(c.upper, c.unit)
        if c.lower is not None and c.upper is not None:
            return f"{lower} to {upper}"
        return f"{lower} or more" if c.lower is not None else f"{upper} or less"

    @property
    def figures(self) -> list[tuple[str, str, str]]:
        """(name, figure, its interval or what it says) for the table of figures."""
        study, series, made = self.said.capability, self.said.series, self.said.chart
        if study is None:
            return []
        rows = [("Mean", self._long(study.mean), ""), ("Standard deviation", self._small(study.sd), "of all values")]
        if study.sd_within is not None:
            rows.append(("Standard deviation, short", self._small(study.sd_within), study.within or ""))
        for name, key, why in (
            ("Ppk", "ppk", "nearer limit, spread of all values"), ("Pp", "pp", "width, spread of all values"),
            ("Cpk", "cpk", "nearer limit, short spread"), ("Cp", "cp", "width, short spread"),
        ):  # fmt: skip
            value, low, high = (getattr(study, key + end) for end in ("", "_low", "_high"))
            if value is not None:
                between = f"{number(low, 2)} to {number(high, 2)}; " if low is not None and high is not None else ""
                rows.append((name, number(value, 2), between + why))
        if study.cpm is not None:
            rows.append(("Cpm", number(study.cpm, 2), "with the distance from the middle"))
        rows.append(("Normal distribution", study.normality or "", self._tests(study)))
        if study.outlier is not None:
            rows.append(("Outlier", self._long(study.outlier), "by Grubbs’ test"))
        if series is not None and series.conforming is not None:
            rows.append(("Conform with the guard band", f"{series.conforming} of {series.n}", ""))
        if made is not None and made.lower is not None and made.upper is not None:
            rows.append(("Control limits", f"{self._long(made.lower)} to {self._long(made.upper)}",
                         f"from {made.phase_one} casts"))  # fmt: skip
        return rows

    @staticmethod
    def _tests(study: Any) -> str:
        said = []
        if study.anderson_darling_p is not None:
            said.append(f"Anderson–Darling p = {number(study.anderson_darling_p, 3)}")
        if study.shapiro_wilk_p is not None:
            said.append(f"Shapiro–Wilk p = {number(study.shapiro_wilk_p, 3)}")
        return ", ".join(said)

    def _long(self, value: float) -> str:
        """A figure of the kind that is measured."""
        if self.units.of(self.characteristic.unit) == FEET_INCHES:
            return write_length(convert(value, "in", "mm"))
        return self._written(value, self.characteristic.decimals + (4 if self.unit == "in" else 2))

    def _small(self, value: float) -> str:
        return self._written(value, self.characteristic.decimals + (5 if self.unit == "in" else 3))

    def _written(self, value: float, decimals: int) -> str:
        tail = "" if self.unit == "1" else "°" if self.unit == "°" else f"{NBSP}{self.unit}"
        return number(value, decimals) + tail
