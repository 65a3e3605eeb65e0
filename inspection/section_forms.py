"""Where a section is cut: across an axis or at right angles to any direction, through a point; and how it is drawn."""

from typing import Any

from django import forms

from metrology.errors import MetrologyError
from metrology.sections.planes import Plane, plane_across, plane_through
from parts.fields import DecimalCommaField

AXES = [("x", "x, forward"), ("y", "y, left"), ("z", "z, up"), ("any", "a direction of your own")]
FACTORS = [("", "as large as fits"), *((str(f), f"{f} times") for f in (1, 2, 5, 10, 20, 50, 100, 200, 500, 1000))]


def _number(label: str, unit: str = "") -> DecimalCommaField:
    # Fixed: the view fills in mm, and addresses say the same to whoever opens them.
    return DecimalCommaField(label=label, required=False, max_digits=14, decimal_places=6, unit=unit, fixed=True)


class SectionForm(forms.Form):
    """`plane` once it was found valid."""

    cut = forms.ChoiceField(label="across", choices=AXES, required=False)
    px, py, pz = (_number(axis, "mm") for axis in "xyz")
    nx, ny, nz = (_number(axis) for axis in "xyz")
    times = forms.ChoiceField(label="deviation drawn", choices=FACTORS, required=False)

    plane: Plane | None = None

    def clean(self) -> dict[str, Any]:
        cleaned = self.cleaned_data
        if self.errors:
            return cleaned
        axis = cleaned["cut"] or "x"
        if axis == "any":
            self._any_plane(cleaned)
        elif cleaned[f"p{axis}"] is None:
            self.add_error(f"p{axis}", f"Say where along {axis} it is cut, in mm, or pick a place on the part.")
        else:
            self.plane = plane_across(axis, float(cleaned[f"p{axis}"]))
        return cleaned

    def _any_plane(self, cleaned: dict[str, Any]) -> None:
        point, way = ([cleaned[side + axis] for axis in "xyz"] for side in "pn")
        for values, first, said in (
            (point, "px", "Give all three coordinates of a point that it passes through, or pick one on the part."),
            (way, "nx", "Give all three numbers of the direction, as 1, 0.5 and 0."),
        ):
            if any(value is None for value in values):
                self.add_error(first, said)
        if not self.errors:
            try:
                self.plane = plane_through(tuple(map(float, way)), tuple(map(float, point)))
            except MetrologyError as error:
                self.add_error("nx", error.sentence)

    @property
    def where(self) -> str:
        """The field that a plane beside the part is to be corrected in."""
        axis = self.cleaned_data["cut"] or "x"
        return "px" if axis == "any" else f"p{axis}"

    @property
    def factor(self) -> float | None:
        times = self.cleaned_data.get("times")
        return float(times) if times else None
