"""What can be worked out with what a mould's casts said of it: inputs of registered calculations."""

from typing import Any

from casting.models import Mould
from metrology.moulds.compared_words import WAYS
from parts.models import Geometry

from .mould_models import CastsCompared


def of_mould(mould: Mould, compared: CastsCompared | None) -> list[dict[str, Any]]:
    """The pattern's size along each direction that the scans could tell, for the nominal's size."""
    if compared is None:
        return []
    nominal = mould.revision.geometry.filter(role=Geometry.Role.NOMINAL, current=True).first()
    size = dict(zip("xyz", (nominal.facts.get("size") if nominal else None) or (), strict=False))
    rows = []
    for axis in compared.figures.get("shrinkage", []):
        if axis["value"] is None:
            continue
        given: dict[str, Any] = {"shrinkage": round(axis["value"], 6)}
        if axis["axis"] in size:
            given["wanted"] = round(size[axis["axis"]], 3)
        rows.append({"name": "pattern-scale", "given": given, "words": WAYS[axis["axis"]]})
    return rows
