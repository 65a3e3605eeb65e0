"""Gauge studies: is a gauge, with those who read it, sure enough for a tolerance?"""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import (
    amount,
    choice,
    flag,
    grid,
    sentence,
    share,
    table,
    text,
    unit_choice,
    whole,
)
from metrology.calculations.gauge_study_words import METHODS, gauge_said, judged, study_notes
from metrology.calculations.plots import Axis, Look, Mark, Plot, Series, curve
from metrology.calculations.problems import refuse
from metrology.statistics.gauge import (
    POOLING_LEVEL,
    STUDY_WIDTH,
    Study,
    anova_study,
    average_range_study,
    of_tolerance,
    short_range_study,
    whole_categories,
)
from metrology.statistics.gauge_intervals import Interval, Intervals, intervals

MSA = Source("AIAG Measurement Systems Analysis, 4th edition", "from memory")
PIVOTS = Source("Burdick, Borror and Montgomery (2005): generalised confidence intervals", "from memory")


INTERACTIONS = {
    "by-level": "pooled when its p-value is above the level",
    "kept": "never pooled",
    "pooled": "always pooled",
}


@dataclass(frozen=True)
class GaugeReading:
    """One reading."""

    part: str = text("Part")
    appraiser: str = text("Appraiser")
    value: float = amount("Reading", "@unit")


@dataclass(frozen=True, kw_only=True)
class GaugeInputs:
    readings: tuple[GaugeReading, ...] = table(
        "Readings", GaugeReading, default=(), least=0, most=20_000, help="In any order; or as rows of parts below."
    )
    rows: tuple[tuple[float, ...], ...] = grid(
        "Rows of parts", "@unit", default=(), least=0, help="A row for each part; the first appraiser's readings first."
    )
    repeats: int = whole("Readings of each appraiser in a row", default=3, lowest=1, highest=1000)
    unit: str = unit_choice()
    method: str = choice("Method", METHODS, default="anova")
    interaction: str = choice("Interaction of part and appraiser", INTERACTIONS, default="by-level")
    pooling_level: float = share("That level", default=POOLING_LEVEL, help="25 % as in AIAG MSA.")
    lower: float | None = amount("Lower limit", "@unit", default=None)
    upper: float | None = amount("Upper limit", "@unit", default=None)
    nominal: float | None = amount(
        "Nominal", "@unit", default=None, help="With one limit: the tolerance is twice as far."
    )
    tolerance: float | None = amount("Tolerance", "@unit", default=None, above=0.0, help="Instead of the limits.")
    process_sd: float | None = amount(
        "Standard deviation of the process", "@unit", default=None, above=0.0, help="Instead of the study's own parts."
    )
    study_width: float = amount("Study width in standard deviations", default=STUDY_WIDTH, above=0.0, highest=12.0)
    good: float = share("Good up to", default=0.1, help="%GRR; 10 and 30 as in AIAG MSA.")
    marginal: float = share("Marginal up to", default=0.3)
    confidence: float = share("Confidence", default=0.95, above=0.0, below=1.0)


@dataclass(frozen=True)
class AnovaRow:
    source: str = text("Source")
    dof: int = whole("Degrees of freedom")
    ss: float = amount("Sum of squares")
    ms: float | None = amount("Mean square")
    f: float | None = amount("F", decimals=3)
    p: float | None = amount("The p-value", decimals=5)


@dataclass(frozen=True)
class ComponentRow:
    """One component of the spread. Shares are of standard deviations."""

    source: str = text("Source")
    variance: float = amount("Variance")
    sd: float = amount("Standard deviation", "@unit")
    sd_low: float | None = amount("From", "@unit")
    sd_high: float | None = amount("To", "@unit")
    contribution: float | None = share("Share of the variance", decimals=4)
    of_variation: float | None = share("Of the variation", decimals=4)
    of_tolerance: float | None = share("Of the tolerance", decimals=4)


@dataclass(frozen=True, kw_only=True)
class GaugeResult:
    sentence: str = sentence()
    verdict: str | None = text("For this tolerance", help="fit, marginal or unfit; by variation without a tolerance.")
    grr_of_tolerance: float | None = share("%GRR of tolerance", decimals=4)
    grr_of_tolerance_low: float | None = share("%GRR of tolerance, from", decimals=4)
    grr_of_tolerance_high: float | None = share("%GRR of tolerance, to", decimals=4)
    grr_of_variation: float | None = share("%GRR of variation", decimals=4)
    grr_of_variation_low: float | None = share("%GRR of variation, from", decimals=4)
    grr_of_variation_high: float | None = share("%GRR of variation, to", decimals=4)
    ndc: int | None = whole("Distinct categories, ndc", help="1.41 · PV ÷ GRR, cut to a whole number, at least 1.")
    ndc_uncut: float | None = amount("Before it is cut", decimals=3)
    ndc_low: float | None = amount("From", decimals=3)
    ndc_high: float | None = amount("To", decimals=3)
    ev: float = amount("Repeatability EV", "@unit")
    av: float = amount("Reproducibility AV", "@unit", help="Appraisers and interaction.")
    grr: float = amount("Repeatability and reproducibility GRR", "@unit")
    pv: float = amount("Part variation PV", "@unit")
    tv: float = amount("Total variation TV", "@unit")
    tolerance: float | None = amount("Tolerance", "@unit")
    parts: int = whole("Parts")
    appraisers: int = whole("Appraisers")
    repeats: int = whole("Readings each")
    mean: float = amount("Mean of all readings", "@unit")
    pooled: bool = flag("The interaction is pooled")
    notes: str | None = text("Notes")
    components: tuple[ComponentRow, ...] = table("Components", ComponentRow)
    anova: tuple[AnovaRow, ...] = table("Analysis of variance", AnovaRow)
    anova_pooled: tuple[AnovaRow, ...] = table("With the interaction pooled", AnovaRow)


@dataclass(frozen=True)
class Sheet:
    """The readings by part, appraiser and repeat, with their names in the order of first appearance."""

    parts: tuple[str, ...]
    appraisers: tuple[str, ...]
    readings: Floats


def gauge_study(inputs: GaugeInputs) -> GaugeResult:
    """Components of the spread, shares of tolerance and variation, categories, intervals."""
    sheet = sheet_of(inputs)
    study = study_of(inputs, sheet.readings)
    c, sure = study.components, intervals(study, inputs.confidence)
    tolerance = tolerance_of(inputs)
    total = sqrt(c.total) if inputs.process_sd is None else inputs.process_sd
    part = sqrt(c.part) if inputs.process_sd is None else sqrt(max(0.0, total * total - c.grr))
    grr = sqrt(c.grr)
    uncut = None if grr == 0 else 1.41 * part / grr
    of_variation = grr / total if total > 0 and (part > 0 or c.part > 0 or "part" not in c.untold) else None
    by_tolerance = None if tolerance is None else of_tolerance(grr, tolerance, inputs.study_width)
    verdict = judged(by_tolerance if by_tolerance is not None else of_variation, inputs.good, inputs.marginal)
    own = inputs.process_sd is None
    relative = sure.grr_of_total if sure and own else None
    categories = sure.ndc if sure and own and "part" not in c.untold else None
    scale = None if tolerance is None else inputs.study_width / tolerance
    shape = study.shape
    rows = component_rows(study, sure, total, scale, part)
    return GaugeResult(
        sentence=gauge_said(
            verdict, by_tolerance, of_variation, scaled(sure.grr if sure else None, scale), uncut, inputs, study
        ),
        verdict=verdict,
        grr_of_tolerance=by_tolerance,
        grr_of_tolerance_low=sure.grr.low * scale if sure and scale else None,
        grr_of_tolerance_high=sure.grr.high * scale if sure and scale else None,
        grr_of_variation=of_variation,
        grr_of_variation_low=relative.low if relative else None,
        grr_of_variation_high=relative.high if relative else None,
        ndc=None if "part" in c.untold and own else whole_categories(uncut),
        ndc_uncut=None if "part" in c.untold and own else uncut,
        ndc_low=categories[0] if categories else None,
        ndc_high=categories[1] if categories else None,
        ev=sqrt(c.repeatability),
        av=sqrt(c.reproducibility),
        grr=grr,
        pv=part,
        tv=total,
        tolerance=tolerance,
        parts=shape[0],
        appraisers=shape[1],
        repeats=shape[2],
        mean=study.mean,
        pooled=study.pooled,
        notes=study_notes(study, inputs) or None,
        components=rows,
        anova=tuple(AnovaRow(one.name, one.dof, one.ss, one.ms, one.f, one.p) for one in study.table),
        anova_pooled=tuple(AnovaRow(one.name, one.dof, one.ss, one.ms, one.f, one.p) for one in study.reduced),
    )


def study_of(inputs: GaugeInputs, readings: Floats) -> Study:
    if inputs.method == "average-range":
        return average_range_study(readings)
    if inputs.method == "range":
        return short_range_study(readings)
    return anova_study(readings, {"kept": None, "pooled": 0.0}.get(inputs.interaction, inputs.pooling_level))


def sheet_of(inputs: GaugeInputs) -> Sheet:
    """Every appraiser must have read every part equally often: else Refused, with the cell that is not full."""
    if inputs.rows:
        if inputs.readings:
            raise refuse("/rows", "Give the readings or the rows of parts, not both. Empty this.", "both-given")
        array = np.asarray(inputs.rows, float)
        if array.shape[1] % inputs.repeats:
            said = f"{array.shape[1]} readings in a row are no multiple of {inputs.repeats}. Correct one of the two."
            raise refuse("/repeats", said, "unequal")
        a = array.shape[1] // inputs.repeats
        names = (
            tuple(str(i + 1) for i in range(array.shape[0])),
            tuple(chr(65 + i) if i < 26 else str(i) for i in range(a)),
        )
        return Sheet(*names, array.reshape(array.shape[0], a, inputs.repeats))
    if not inputs.readings:
        raise refuse("/readings", "Give the readings: part, appraiser and value of each.", "missing")
    parts = tuple(dict.fromkeys(one.part for one in inputs.readings))
    appraisers = tuple(dict.fromkeys(one.appraiser for one in inputs.readings))
    cells: dict[tuple[str, str], list[float]] = {}
    for one in inputs.readings:
        cells.setdefault((one.part, one.appraiser), []).append(one.value)
    most = max(len(cell) for cell in cells.values())
    for part in parts:
        for appraiser in appraisers:
            have = len(cells.get((part, appraiser), ()))
            if have != most:
                said = (
                    f"Appraiser {appraiser} read part {part} {have} times where others have {most} readings. "
                    "Complete it, or leave that part out."
                )
                raise refuse("/readings", said, "not-balanced")
    return Sheet(parts, appraisers, np.array([[cells[part, one] for one in appraisers] for part in parts]))


def tolerance_of(inputs: GaugeInputs) -> float | None:
    """The width of the tolerance; with one limit and a nominal, twice the distance between them."""
    lower, upper = inputs.lower, inputs.upper
    if inputs.tolerance is not None:
        if lower is not None or upper is not None:
            raise refuse("/tolerance", "Give the limits or the tolerance, not both. Empty this.", "both-given")
        return inputs.tolerance
    if lower is not None and upper is not None:
        if lower >= upper:
            raise refuse("/upper", "The upper limit must lie above the lower one. Correct them.", "limits-swapped")
        return upper - lower
    limit = lower if lower is not None else upper
    if limit is None or inputs.nominal is None:
        return None
    if limit == inputs.nominal or (lower is not None) == (limit > inputs.nominal):
        raise refuse("/nominal", "The nominal lies on the limit or beyond it. Correct one of them.", "no-tolerance")
    return 2 * abs(limit - inputs.nominal)


def scaled(interval: Interval | None, scale: float | None) -> Interval | None:
    return None if interval is None or scale is None else Interval(interval.low * scale, interval.high * scale)


def component_rows(
    study: Study, sure: Intervals | None, total: float, scale: float | None, part: float
) -> tuple[ComponentRow, ...]:
    c = study.components
    wanted: list[tuple[str, float, Interval | None]] = [
        ("repeatability and reproducibility", c.grr, sure.grr if sure else None),
        ("repeatability", c.repeatability, sure.repeatability if sure else None),
        ("reproducibility", c.reproducibility, sure.reproducibility if sure else None),
        ("appraiser", c.appraiser, None),
        ("interaction", c.interaction, None),
        ("part", part * part, sure.part if sure and part * part == c.part else None),
        ("total", total * total, sure.total if sure and part * part == c.part else None),
    ]
    if study.pooled or "interaction" in c.untold or study.shape[1] == 1:
        wanted.pop(4)
    return tuple(
        ComponentRow(
            name,
            variance,
            sqrt(variance),
            interval.low if interval else None,
            interval.high if interval else None,
            variance / (total * total) if total > 0 else None,
            sqrt(variance) / total if total > 0 else None,
            None if scale is None else sqrt(variance) * scale,
        )
        for name, variance, interval in wanted
    )


def gauge_plot(inputs: GaugeInputs, result: GaugeResult) -> tuple[Plot, ...]:
    """What each appraiser adds to each part, and the readings themselves."""
    return study_plots(sheet_of(inputs), inputs.unit, inputs.lower, inputs.upper, str(result.sentence))


LOOKS: tuple[Look, ...] = ("main", "second", "third")
# Parts that differ by more than this many times what appraisers add leave nothing to see of it.
FLAT = 60


def study_plots(sheet: Sheet, unit: str, lower: float | None, upper: float | None, says: str) -> tuple[Plot, ...]:
    """Differences from the mean of each part by appraiser; and the readings by part and appraiser against the limits,
    unless the parts differ so much that nothing else would show.
    """
    x = sheet.readings
    difference = x - x.mean(axis=(1, 2), keepdims=True)
    plots = [
        _drawn(
            sheet,
            difference,
            "Difference from the mean of the part",
            "difference",
            unit,
            (Mark(0.0, "", heavy=False),),
            says,
        )
    ]
    spread, low, high = float(np.ptp(difference)), float(x.min()), float(x.max())
    if high - low < FLAT * spread:
        room = high - low
        # Limits far away would press the readings flat.
        marks: tuple[Mark, ...] = ()
        if lower is not None and lower > low - 2 * room:
            marks += (Mark(lower, "lower", forbidden="below"),)
        if upper is not None and upper < high + 2 * room:
            marks += (Mark(upper, "upper", forbidden="above"),)
        plots.append(_drawn(sheet, x, "Readings by part and appraiser", "reading", unit, marks, says))
    return tuple(plots)


def _drawn(
    sheet: Sheet, readings: Floats, title: str, what: str, unit: str, marks: tuple[Mark, ...], says: str
) -> Plot:
    """The parts side by side, each appraiser with a look of its own: every reading a point, their means a line."""
    series: list[Series] = []
    p, a, r = readings.shape
    for j, name in enumerate(sheet.appraisers):
        at = np.arange(1, p + 1) + (0.0 if a == 1 else 0.5 * (j / (a - 1) - 0.5))
        look = LOOKS[j % 3]
        series.append(curve(at, readings[:, j].mean(axis=1), "line", look, name))
        series.append(curve(np.repeat(at, r), readings[:, j].ravel(), "points", look))
    x = Axis("part", low=0.5, high=p + 0.5, names=sheet.parts if p <= 12 else ())
    return Plot(title, x, Axis(what, unit), tuple(series), marks, says)


# Seat depths of five casts, each read twice by three people with one depth gauge, invented.
EXAMPLE_ROWS = (
    (12.41, 12.43, 12.43, 12.44, 12.42, 12.43),
    (12.18, 12.17, 12.18, 12.20, 12.19, 12.19),
    (12.66, 12.65, 12.67, 12.68, 12.66, 12.67),
    (12.33, 12.35, 12.34, 12.36, 12.35, 12.34),
    (12.52, 12.51, 12.52, 12.54, 12.53, 12.51),
)

CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="gauge-study",
        title="Gauge study",
        subject="Gauges and process",
        asks="Is the gauge, with those who read it, sure enough for the tolerance?",
        inputs=GaugeInputs,
        result=GaugeResult,
        compute=gauge_study,
        example=GaugeInputs(rows=EXAMPLE_ROWS, repeats=2, lower=11.9, upper=13.1),
        formula="""p parts, a appraisers, r readings each; MS: mean squares of parts, appraisers, interaction, within
σ²repeatability = MS within; σ²interaction = (MS interaction − MS within) ÷ r
σ²appraiser = (MS appraisers − MS interaction) ÷ pr; σ²part = (MS parts − MS interaction) ÷ ar; none below 0
an interaction with a p-value above the level is pooled: its squares join those within, and stand in for MS interaction
averages and ranges: EV = mean range ÷ d2(r), AV² = (range of averages ÷ d2*(a))² − EV² ÷ pr, PV = range ÷ d2*(p)
short range method: GRR = mean range ÷ d2*(a, p)
%GRR of tolerance = 6 GRR ÷ tolerance; of variation = GRR ÷ TV; ndc = 1.41 PV ÷ GRR
intervals: each MS times ν ÷ χ²(ν) in the same formulas, 10 000 draws of a fixed seed""",
        sources=(MSA, PIVOTS),
        cautions=(
            "Parts must span what the process makes, else the share of variation misleads.",
            "Few appraisers leave a wide interval: two tell little about a third.",
        ),
        plot=gauge_plot,
    ),
)
