"""What can be worked out with the figures of a record: inputs of registered calculations, as the shell takes them."""

from collections.abc import Iterable, Sequence
from typing import Any

from parts.models import Geometry

from .models import Batch, Cast, StrengthTest

# As many tests as an address carries easily.
MOST_TESTS = 60


def of_cast(cast: Cast) -> list[dict[str, Any]]:
    """Mass on the hook and the forces in the slings; from the nominal's volume where nobody weighed it."""
    if cast.mass is not None:
        mass = float(cast.mass)
        return [{"name": "lift-mass", "given": {"mass": mass}}, {"name": "sling-force", "given": {"mass": mass}}]
    nominal = cast.revision.geometry.filter(role=Geometry.Role.NOMINAL, current=True).first()
    if nominal is None or (nominal.litres or 0) <= 0:
        return []
    return [{"name": "lift-mass", "given": {"volume": round(nominal.litres / 1000, 6)}}]


def of_batch(batch: Batch, tests: Sequence[StrengthTest], casts: Iterable[Cast]) -> list[dict[str, Any]]:
    """casts: from this batch, with their revisions: what the first of them asks is what the tests are held against."""
    rows: list[dict[str, Any]] = []
    asked = next((cast.revision for cast in casts if cast.revision.strength_required is not None), None)
    age = asked.strength_age_days if asked else 28
    ripe = [float(test.strength) for test in tests if test.age_days >= age][-MOST_TESTS:]
    if ripe:
        given: dict[str, Any] = {"tests": ripe}
        if asked:
            given["specified"] = float(asked.strength_required)
        rows.append({"name": "strength-acceptance", "given": given, "words": f"tests at {age} days or later"})
    rows.append({"name": "batch-proportions", "given": _mix(batch)})
    if batch.air_temperature is not None:
        rows.append({"name": "evaporation-rate", "given": {"air_temperature": float(batch.air_temperature)}})
    return rows


def _mix(batch: Batch) -> dict[str, Any]:
    """Binder as 1, and the water; what else is in the mix stands in its design."""
    if batch.water_binder is None:
        return {}
    return {
        "materials": [
            {"material": "binder", "kind": "binder", "parts": 1},
            {"material": "water", "kind": "water", "parts": float(batch.water_binder)},
        ]
    }
