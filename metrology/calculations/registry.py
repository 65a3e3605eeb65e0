"""The one list of calculations. A new subject is one import and one line."""

from difflib import get_close_matches

from metrology.calculations import (
    agreement,
    allocation,
    anchors,
    capability,
    casting_fresh,
    casting_lifting,
    casting_maturity,
    casting_shrinkage,
    casting_strength,
    compaction_curve,
    compaction_field,
    conformity,
    conformity_risk,
    control_chart,
    control_chart_constants,
    fits,
    fitted_features,
    gauge_bias,
    gauge_study,
    groups,
    learning,
    lengths,
    levelling,
    loops,
    outliers,
    point_fit,
    regression_line,
    ring_order,
    ring_setting_out,
    rings,
    sampling,
    scaling,
    series,
    site_control,
    tolerance,
    traverse,
    uncertainty,
    uncertainty_simulation,
)
from metrology.calculations.calculation import SUBJECTS, AnyCalculation
from metrology.errors import InputError

CALCULATIONS: tuple[AnyCalculation, ...] = (
    *uncertainty.CALCULATIONS,
    *uncertainty_simulation.CALCULATIONS,
    *conformity.CALCULATIONS,
    *conformity_risk.CALCULATIONS,
    *fitted_features.CALCULATIONS,
    *point_fit.CALCULATIONS,
    *regression_line.CALCULATIONS,
    *gauge_study.CALCULATIONS,
    *gauge_bias.CALCULATIONS,
    *agreement.CALCULATIONS,
    *capability.CALCULATIONS,
    *outliers.CALCULATIONS,
    *groups.CALCULATIONS,
    *control_chart.CALCULATIONS,
    *control_chart_constants.CALCULATIONS,
    *tolerance.CALCULATIONS,
    *series.CALCULATIONS,
    *sampling.CALCULATIONS,
    *loops.CALCULATIONS,
    *allocation.CALCULATIONS,
    *rings.CALCULATIONS,
    *ring_order.CALCULATIONS,
    *casting_shrinkage.CALCULATIONS,
    *casting_lifting.CALCULATIONS,
    *casting_strength.CALCULATIONS,
    *casting_maturity.CALCULATIONS,
    *casting_fresh.CALCULATIONS,
    *compaction_curve.CALCULATIONS,
    *compaction_field.CALCULATIONS,
    *ring_setting_out.CALCULATIONS,
    *site_control.CALCULATIONS,
    *traverse.CALCULATIONS,
    *levelling.CALCULATIONS,
    *anchors.CALCULATIONS,
    *fits.CALCULATIONS,
    *learning.CALCULATIONS,
    *scaling.CALCULATIONS,
    *lengths.CALCULATIONS,
)  # fmt: skip


def find(name: str) -> AnyCalculation:
    """The calculation of that name. Raises InputError (unknown-calculation) with the nearest name."""
    for calculation in CALCULATIONS:
        if calculation.name == name:
            return calculation
    near = get_close_matches(name, [one.name for one in CALCULATIONS], n=1, cutoff=0.5)
    hint = f"Did you mean “{near[0]}”?" if near else "See them all with --list."
    raise InputError("unknown-calculation", f"There is no calculation “{name[:60]}”. {hint}")


def by_subject() -> list[tuple[str, list[AnyCalculation]]]:
    """The subjects that have calculations, in the order of the index."""
    groups = [(subject, [one for one in CALCULATIONS if one.subject == subject]) for subject in SUBJECTS]
    return [(subject, rows) for subject, rows in groups if rows]
