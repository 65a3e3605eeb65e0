"""The form of a region: faces grown from seed points, a direction, a box, a plane, and other regions."""

from collections.abc import Iterable
from decimal import Decimal
from typing import Any

from django import forms

from metrology.surfaces.selection import AllOf, AnyOf, Beyond, Box, Facing, Grown, NearPlane, Selection, Vector, Without
from metrology.surfaces.selection_plain import WAYS

from .act_forms import ActForm
from .fields import DecimalCommaField
from .forms import limits_checked
from .models import Region

SEEDS = 4
AXES = {"x": (1.0, 0.0, 0.0), "y": (0.0, 1.0, 0.0), "z": (0.0, 0.0, 1.0)}


def length(label: str, *, needed: bool = False, **kwargs: Any) -> DecimalCommaField:
    return DecimalCommaField(label=label, unit="mm", required=needed, max_digits=12, decimal_places=4, **kwargs)


def part(label: str) -> DecimalCommaField:
    """One component of a direction."""
    return DecimalCommaField(label=label, required=False, max_digits=12, decimal_places=6)


class RegionForm(ActForm):
    """cleaned_data["selection"] is what was asked for, as a selection."""

    lower = DecimalCommaField(label="lower limit", unit="mm", max_digits=10, decimal_places=3)
    upper = DecimalCommaField(label="upper limit", unit="mm", max_digits=10, decimal_places=3)
    moved_limit = DecimalCommaField(
        label="moved at most, ±", unit="mm", required=False, max_digits=8, decimal_places=3,
        min_value=Decimal("0.001"), help_text="High, low, forward, back, left, right, as a whole.",
    )  # fmt: skip
    turned_limit = DecimalCommaField(
        label="turned at most, ±", unit="°", required=False, max_digits=7, decimal_places=3,
        min_value=Decimal("0.001"), help_text="About each axis, as a whole.",
    )  # fmt: skip
    angle = DecimalCommaField(
        label="grow while it turns by up to", unit="°", max_digits=5, decimal_places=2, initial=Decimal(15),
        min_value=Decimal("0.1"), max_value=Decimal(180), required=False,
    )  # fmt: skip
    against = forms.ChoiceField(
        label="compared with",
        required=False,
        choices=[("seed", "the first face: flat faces"), ("neighbour", "each face's neighbour: round a hole")],
    )
    facing = forms.ChoiceField(
        label="faces", required=False, choices=[("", "any way")] + [(way, way) for way in WAYS],
        help_text="Within 45° of that direction.",
    )  # fmt: skip
    x_from, y_from, z_from, x_to, y_to, z_to = (
        length(label) for label in ("x from", "y from", "z from", "x to", "y to", "z to")
    )
    plane_axis = forms.ChoiceField(
        label="plane", required=False,
        choices=[("", "none"), ("x", "x ="), ("y", "y ="), ("z", "z ="), ("other", "another direction")],
    )  # fmt: skip
    plane_at = length("at", help_text="Along the axis, or along the direction from the origin.")
    plane_nx, plane_ny, plane_nz = (part(f"direction, {axis}") for axis in "xyz")
    plane_side = forms.ChoiceField(
        label="take", required=False,
        choices=[("near", "what lies near it"), ("beyond", "what lies beyond it"), ("before", "what lies before it")],
    )  # fmt: skip
    plane_within = length("within", min_value=Decimal(0), help_text="For what lies near it.")
    join = forms.ChoiceField(
        label="of these conditions", required=False,
        choices=[("all", "all must hold"), ("any", "one is enough")],
    )  # fmt: skip
    plus = forms.ModelMultipleChoiceField(Region.objects.none(), label="together with", required=False)
    minus = forms.ModelMultipleChoiceField(Region.objects.none(), label="without", required=False)

    BOX = ("x_from", "y_from", "z_from", "x_to", "y_to", "z_to")
    HOW = ("angle", "against", "facing", *BOX, "plane_axis", "plane_at", "plane_nx", "plane_ny", "plane_nz",
           "plane_side", "plane_within", "join", "plus", "minus")  # fmt: skip

    class Meta:
        model = Region
        fields = ["name", "lower", "upper", "moved_limit", "turned_limit"]
        help_texts = {"name": "As “seat”."}

    def __init__(self, *args: Any, others: Iterable[Region], **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        known = list(others)
        for name in ("plus", "minus"):
            self.fields[name].queryset = Region.objects.filter(pk__in=[region.pk for region in known])
            self.fields[name].widget = forms.CheckboxSelectMultiple(choices=[(r.pk, r.name) for r in known])
        if not known:
            del self.fields["plus"], self.fields["minus"]
        for number in range(1, SEEDS + 1):
            for axis in "xyz":
                self.fields[f"seed_{number}_{axis}"] = length(
                    f"seed {number}, {axis}", fixed=True
                )  # filled by the view
            for axis in "xyz":
                self.fields[f"seed_{number}_n{axis}"] = part(f"seed {number}, outward {axis}")
            for axis in ("x", "y", "z", "nx", "ny", "nz"):
                self.fields[f"seed_{number}_{axis}"].widget.attrs["data-axis"] = axis

    @property
    def seeds(self) -> list[dict[str, Any]]:
        """Bound fields of each seed, for the template."""
        return [
            {
                "number": number,
                "at": [self[f"seed_{number}_{axis}"] for axis in "xyz"],
                "way": [self[f"seed_{number}_n{axis}"] for axis in "xyz"],
                "errors": [
                    error
                    for axis in ("x", "y", "z", "nx", "ny", "nz")
                    for error in self[f"seed_{number}_{axis}"].errors
                ],
            }
            for number in range(1, SEEDS + 1)
        ]

    def clean(self) -> dict[str, Any]:
        cleaned = limits_checked(self, "mm")
        own: list[Selection] = [one for one in (self._grown(), self._facing(), self._box(), self._plane()) if one]
        given = {name: list(cleaned.get(name) or ()) for name in ("plus", "minus")}
        for name in self.HOW:
            cleaned.pop(name, None)
        for name in [name for name in cleaned if name.startswith("seed_")]:
            del cleaned[name]
        if set(self.errors) - {"name", "lower", "upper"}:  # these do not say where it is: it can be looked at without
            return cleaned
        if not own and not given["plus"]:
            self.add_error(
                "seed_1_x",
                "Say which part of the surface it is: a seed point on a face, a direction it faces, a box or a plane.",
            )
            return cleaned
        cleaned["selection"] = self._joined(own, given["plus"], given["minus"])
        return cleaned

    def _joined(self, own: list[Selection], plus: list[Region], minus: list[Region]) -> Selection:
        join = AnyOf if self.data.get("join") == "any" else AllOf
        selection: Selection | None = own[0] if len(own) == 1 else join(tuple(own)) if own else None
        if plus:
            every = [*([selection] if selection else []), *(region.chosen for region in plus)]
            selection = every[0] if len(every) == 1 else AnyOf(tuple(every))
        for region in minus:
            selection = Without(selection, region.chosen)
        return selection

    def _grown(self) -> Selection | None:
        cleaned, found = self.cleaned_data, []
        for number in range(1, SEEDS + 1):
            at = self._triple([f"seed_{number}_{axis}" for axis in "xyz"], "A seed point needs x, y and z.")
            way = self._triple([f"seed_{number}_n{axis}" for axis in "xyz"], "The outward direction needs x, y and z.")
            if way and not any(way):
                self.add_error(f"seed_{number}_nx", "A direction needs a length. Empty all three, or give one.")
            elif at:
                if cleaned.get("angle") is None and "angle" not in self.errors:
                    self.add_error("angle", "Give the angle to grow by, as 15.")
                    return None
                angle = float(cleaned.get("angle") or 0)
                found.append(Grown(at, angle, cleaned.get("against") or "seed", way))
        return found[0] if len(found) == 1 else AnyOf(tuple(found)) if found else None

    def _triple(self, names: list[str], need: str) -> Vector | None:
        values = [self.cleaned_data.get(name) for name in names]
        if all(value is None for value in values) or set(names) & set(self.errors):
            return None
        if any(value is None for value in values):
            self.add_error(names[values.index(None)], f"{need} Give this one too, or empty the others.")
            return None
        x, y, z = (float(value) for value in values)
        return x, y, z

    def _facing(self) -> Selection | None:
        way = self.cleaned_data.get("facing")
        return Facing(WAYS[way]) if way else None

    def _box(self) -> Selection | None:
        sides = [self.cleaned_data.get(name) for name in self.BOX]
        given = [side is not None for side in sides]
        if not any(given) or set(self.BOX) & set(self.errors):
            return None
        if not all(given):
            missing = self.BOX[given.index(False)]
            self.add_error(missing, "A box needs all six numbers. Give this one too, or empty the others.")
            return None
        for start, low, high in zip(self.BOX[:3], sides[:3], sides[3:], strict=True):
            if low >= high:
                self.add_error(start, f"Must be smaller than {high:g}. Swap the two.")
        low, high = (tuple(float(side) for side in half) for half in (sides[:3], sides[3:]))
        return None if set(self.BOX) & set(self.errors) else Box(low, high)

    def _plane(self) -> Selection | None:
        cleaned = self.cleaned_data
        axis, at = cleaned.get("plane_axis"), cleaned.get("plane_at")
        if not axis:
            return None
        if axis == "other":
            normal = self._triple(["plane_nx", "plane_ny", "plane_nz"], "A direction needs x, y and z.")
            if not normal or not any(normal):
                if not {"plane_nx", "plane_ny", "plane_nz"} & set(self.errors):
                    self.add_error("plane_nx", "Give the direction at right angles to the plane, as 0.6, 0, 0.8.")
                return None
            size = sum(value * value for value in normal) ** 0.5
            normal = tuple(value / size for value in normal)
        else:
            normal = AXES[axis]
        if at is None:
            if "plane_at" not in self.errors:
                self.add_error("plane_at", "Give where the plane lies, in mm.")
            return None
        offset, side, within = float(at), cleaned.get("plane_side") or "near", cleaned.get("plane_within")
        if side == "beyond":
            return Beyond(normal, offset)
        if side == "before":
            return Beyond(tuple(-value for value in normal), -offset)
        if within is None:
            if "plane_within" not in self.errors:
                self.add_error("plane_within", "Give the distance from the plane that still belongs, as 1.")
            return None
        return NearPlane(normal, offset, float(within))
