"""What can be worked out with the times and gaps of trials: inputs of registered calculations."""

from typing import Any

from .models import FitCheck, Mockup, Trial

# As many trials, and gaps, as an address carries easily.
MOST_TRIALS, MOST_GAPS = 40, 6
_SECONDS_AN_HOUR = 3600


def of_mockup(mockup: Mockup) -> list[dict[str, Any]]:
    """How fast the crew learns over the trials that ended, in their order; and what a figure of a model stands for."""
    rows = _learning(mockup)
    if not mockup.is_full_size:
        rows.append({"name": "scale-figure", "given": {"scale": float(mockup.scale)}})
    return rows


def of_trial(trial: Trial) -> list[dict[str, Any]]:
    """trial: with its fit checks and their interfaces prefetched."""
    rows = _learning(trial.mockup)
    if not trial.mockup.is_full_size:
        rows += [_gap(check, float(trial.mockup.scale)) for check in list(trial.fit_checks.all())[:MOST_GAPS]]
    return rows


def _learning(mockup: Mockup) -> list[dict[str, Any]]:
    """Trials of one mock-up, each taken as one unit; two at least."""
    spans = (
        mockup.trials.filter(ended_at__isnull=False).order_by("started_at", "pk").values_list("started_at", "ended_at")
    )
    hours = [(ended - started).total_seconds() / _SECONDS_AN_HOUR for started, ended in spans[:MOST_TRIALS]]
    timed = [{"unit": unit, "hours": round(span, 4)} for unit, span in enumerate(hours, start=1) if span > 0]
    if len(timed) < 2:
        return []
    return [{"name": "learning-fit", "given": {"trials": timed}, "words": f"trials of {mockup.code}"}]


def _gap(check: FitCheck, scale: float) -> dict[str, Any]:
    """Limits stand on the check at the model's size; the calculation takes them at full size."""
    given: dict[str, Any] = {"gap": float(check.gap), "scale": scale}
    for name, limit in (("lower", check.lower), ("upper", check.upper)):
        if limit is not None:
            given[name] = round(float(limit) * scale, 6)
    where = f" {check.where}" if check.where else ""
    return {"name": "model-gap", "given": given, "words": f"{check.interface.code}{where}"}
