"""What the readings of a gauge study say, by the registered calculation."""

from collections.abc import Iterable

from metrology.calculations.gauge_study import (
    GaugeInputs,
    GaugeReading,
    GaugeResult,
    gauge_study,
    sheet_of,
    study_plots,
)
from metrology.calculations.plots import Plot

from .gauge_models import GaugeStudy, GaugeStudyReading


def counting(study: GaugeStudy) -> list[GaugeStudyReading]:
    """The readings that count, in the order of parts and people, so that a table of them reads like the plan."""
    rows = study.readings.filter(value__isnull=False, withdrawn_at__isnull=True)
    return list(rows.select_related("part", "appraiser__person").order_by("part__place", "appraiser__place", "repeat"))


def inputs_of(study: GaugeStudy, readings: Iterable[GaugeStudyReading]) -> GaugeInputs:
    """As the registered calculation takes them, with the limits that hold today."""
    return GaugeInputs(
        readings=tuple(GaugeReading(row.part.label, _name(row), float(row.value)) for row in readings),
        unit=study.unit,
        **_limits(study),
    )


def _name(row: GaugeStudyReading) -> str:
    """With the place: two people may have one name."""
    return f"{row.appraiser.place} {row.appraiser}"


def _limits(study: GaugeStudy) -> dict[str, float | None]:
    """Limits, or with one limit the nominal too; nothing where they leave no tolerance."""
    c = study.characteristic
    if c is None:
        return {"tolerance": _float(study.tolerance)}
    lower, upper, nominal = _float(c.lower), _float(c.upper), _float(c.nominal)
    if lower is not None and upper is not None:
        return {"lower": lower, "upper": upper} if lower < upper else {}
    inside = nominal is not None and (lower is None or nominal > lower) and (upper is None or nominal < upper)
    return {"lower": lower, "upper": upper, "nominal": nominal if inside else None}


def result_of(study: GaugeStudy) -> GaugeResult:
    """Of a study whose readings are all taken. One query."""
    return gauge_study(inputs_of(study, counting(study)))


def plots_of(study: GaugeStudy, readings: list[GaugeStudyReading], says: str) -> tuple[Plot, ...]:
    inputs = inputs_of(study, readings)
    return study_plots(sheet_of(inputs), study.unit, inputs.lower, inputs.upper, says)


def _float(value: object) -> float | None:
    return None if value is None else float(value)  # type: ignore[arg-type]
