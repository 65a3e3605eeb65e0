"""What people type about a loop: its limits, its dimensions, and a change to try."""

from collections.abc import Mapping, Sequence
from decimal import Decimal
from typing import Any

from django import forms

from metrology.closure.closing import Change
from parts.fields import DecimalCommaField, ToleranceField
from parts.models import Characteristic, Interface, Kit

from .closure import ANGLES, COUNTS, MemberRow, unit_of
from .closure_models import ClosureLoop, LoopMember
from .services.closure import MemberSaid

How = ClosureLoop.How
FEWEST_ROWS, MOST_ROWS = 4, 60
TYPED = ("", "typed here")
WHOLE = {"inputmode": "numeric", "autocomplete": "off"}


def _mm(label: str, **more: Any) -> DecimalCommaField:
    return DecimalCommaField(label=label, unit="mm", max_digits=10, decimal_places=3, **{"required": False, **more})


class LoopForm(forms.Form):
    """The loop itself; which fields it has depends on how the loop closes."""

    name = forms.CharField(label="What must close", max_length=120, help_text="As: bay between the abutments.")
    formula = forms.CharField(
        label="Formula of the gap",
        max_length=500,
        help_text="Of the names below: bay - sqrt(a^2 + b^2). Angles: rad(p).",
    )
    unit = forms.ChoiceField(label="The gap is in", choices=ClosureLoop.Unit)
    pieces = forms.IntegerField(
        label="Pieces in the ring", min_value=3, max_value=1000, widget=forms.TextInput(attrs=WHOLE)
    )
    chord = _mm("Length of a piece between its joint faces", required=True, min_value=Decimal("0.001"))
    joint = _mm("Nominal joint", min_value=0)
    depth = _mm("Depth of the joint face, inner to outer edge", min_value=0)
    built = forms.ChoiceField(label="Built", choices=ClosureLoop.Built)
    interface = forms.ModelChoiceField(
        label="Limits of interface", queryset=None, required=False, empty_label="none: the limits below",
        help_text="Then the limits below are not read.",
    )  # fmt: skip
    lower = _mm("Least gap")
    upper = _mm("Greatest gap")
    step = _mm("Largest step across", min_value=0)
    height_step = _mm("Largest step in height", min_value=0)
    assemblies = forms.IntegerField(
        label="Assemblies of this kind in the works", min_value=1, max_value=100_000, initial=1,
        widget=forms.TextInput(attrs=WHOLE), error_messages={"required": "Say how many, usually 1."},
    )  # fmt: skip
    for_gate = forms.BooleanField(
        label="Counts for the gate", required=False, initial=True,
        help_text="Off: a sketch. On: every part with a dimension in it is judged by it.",
    )  # fmt: skip
    note = forms.CharField(label="Note", widget=forms.Textarea(attrs={"rows": 2}), required=False)

    ONLY = {
        How.FORMULA: ("formula", "unit"),
        How.RING: ("pieces", "chord", "joint", "depth", "built", "step", "height_step"),
    }

    def __init__(self, *args: Any, kit: Kit, how: str, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        for kind, names in self.ONLY.items():
            for name in names if kind != how else ():
                del self.fields[name]
        self.fields["interface"].queryset = Interface.objects.filter(kit=kit).order_by("code")
        if how == How.FORMULA:  # a gap in degrees has no unit of length
            for name in ("lower", "upper"):
                self.fields[name] = DecimalCommaField(
                    label=self.fields[name].label, required=False, max_digits=10, decimal_places=3,
                    help_text="In the unit of the gap.",
                )  # fmt: skip
            self.order_fields(["name", "formula", "unit", "interface", "lower", "upper"])
        if how == How.RING:
            self.fields["lower"].label, self.fields["upper"].label = "Least joint", "Greatest joint"


class MemberForm(forms.Form):
    """One row: a characteristic that is drawn, or a dimension that is typed. An empty row is none."""

    name = forms.CharField(label="Name", max_length=40, required=False)
    drawn = forms.ChoiceField(label="Dimension", required=False)

    def __init__(self, data: Any = None, *, how: str, role: str = "", drawn: Sequence[tuple[str, str]], **kwargs: Any):
        super().__init__(data, **kwargs)
        self.how, self.role = how, role
        unit = "" if how == How.FORMULA else "°" if role in ANGLES else "mm"
        self.fields["drawn"].choices = drawn
        if how == How.RING:
            del self.fields["name"]
        self.fields["nominal"] = DecimalCommaField(
            label="Mean error" if how == How.RING else "Nominal",
            unit=unit,
            required=False,
            max_digits=14,
            decimal_places=4,
        )
        self.fields["tolerance"] = tolerance = ToleranceField(
            label="Tolerance ±", unit=unit, required=False, max_length=60
        )
        tolerance.unit = tolerance.figure.unit  # shown beside the field
        if sides := self.initial.get("sides"):
            below, above = (tolerance.figure.prepare_value(side) for side in sides)
            self.initial["tolerance"] = above if below == above else f"+{above}/-{below}"
        if how == How.ROW:
            self.fields["sensitivity"] = DecimalCommaField(
                label="Sensitivity", required=False, initial=Decimal(1), max_digits=12, decimal_places=6
            )
            self.fields["times"] = forms.IntegerField(
                label="Pieces",
                required=False,
                initial=1,
                min_value=1,
                max_value=200,
                widget=forms.TextInput(attrs=WHOLE),
            )

    @property
    def title(self) -> str:
        return LoopMember.Role(self.role).label if self.role else ""

    def clean(self) -> dict[str, Any]:
        said = super().clean() or self.cleaned_data
        if self.is_empty:
            return said
        if self.how != How.RING and not said.get("name"):
            self.add_error("name", "Give it a name, as: bay.")
        if said.get("drawn"):
            return said
        if self.how != How.RING and said.get("nominal") is None and "nominal" not in self.errors:
            self.add_error("nominal", "Give its nominal, or choose a dimension that is drawn.")
        if said.get("tolerance") is None and "tolerance" not in self.errors:
            self.add_error("tolerance", "Give its tolerance, as 1.5.")
        return said

    @property
    def is_empty(self) -> bool:
        names = ("drawn", "nominal", "tolerance") + (() if self.how == How.RING else ("name",))
        return not any((self.data.get(self.add_prefix(name)) or "").strip() for name in names)

    def said(self, components: Mapping[int, Any]) -> MemberSaid:
        data = self.cleaned_data
        row: dict[str, Any] = {"name": self.title.capitalize() if self.role else data["name"], "role": self.role}
        if self.how == How.ROW:
            row |= {"sensitivity": _or(data.get("sensitivity"), Decimal(1)), "times": data.get("times") or 1}
        if data.get("drawn"):
            component, number = data["drawn"].split("-")
            return MemberSaid(component=components[int(component)], number=int(number), **row)
        below, above = data["tolerance"]
        middle = _or(data.get("nominal"), Decimal(0))
        nominal = Decimal(0) if self.role else middle
        return MemberSaid(nominal=nominal, lower=middle + below, upper=middle + above, **row)


def _or(value: Decimal | None, standard: Decimal) -> Decimal:
    return standard if value is None else value


class Members:
    """The rows of a loop as they are typed: of a ring one for each kind of error, else as many as are asked for."""

    def __init__(self, data: Any, *, kit: Kit, how: str, loop: ClosureLoop | None = None) -> None:
        self.components = {component.pk: component for component in kit.components.all()}
        choices = [TYPED, *drawn_choices(kit, loop)]
        kept = list(loop.members.all()) if loop else []
        if how == How.RING:
            by_role = {member.role: member for member in kept}
            places = [(role, by_role.get(role)) for role in LoopMember.Role.values]
        else:
            wanted = len(kept) + 2 if data is None else _count(data) + (3 if "more" in data else 0)
            places = [("", kept[n] if n < len(kept) else None) for n in range(min(MOST_ROWS, max(FEWEST_ROWS, wanted)))]
        self.rows = [
            MemberForm(data, how=how, role=role, drawn=choices, prefix=f"m{n}", initial=_initial(member))
            for n, (role, member) in enumerate(places, 1)
        ]

    def is_valid(self) -> bool:
        return all([row.is_valid() for row in self.rows if not row.is_empty])  # every row says its faults

    def said(self) -> list[MemberSaid]:
        return [row.said(self.components) for row in self.rows if not row.is_empty]


def _count(data: Mapping[str, str]) -> int:
    text = data.get("rows", "")
    return int(text) if text.isdecimal() and len(text) < 4 else FEWEST_ROWS


def _initial(member: LoopMember | None) -> dict[str, Any]:
    if member is None:
        return {}
    said: dict[str, Any] = {"name": member.name, "sensitivity": member.sensitivity, "times": member.times}
    if member.component_id:
        return said | {"drawn": f"{member.component_id}-{member.number}"}
    middle = (member.lower + member.upper) / 2
    nominal = middle if member.role else member.nominal
    return said | {"nominal": nominal, "sides": (nominal - member.lower, member.upper - nominal)}


def drawn_choices(kit: Kit, loop: ClosureLoop | None = None) -> list[tuple[str, str]]:
    """Characteristics by component and number, on any revision that counts; and what the loop has already."""
    rows = (
        Characteristic.objects.filter(revision__component__kit=kit, revision__state__in=COUNTS)
        .exclude(kind=Characteristic.Kind.PROFILE)
        .filter(lower__isnull=False, upper__isnull=False)
        .select_related("revision__component")
        .order_by("revision__component__part_number", "number", "revision__letter")
    )
    found = {}
    for row in rows:
        component = row.revision.component
        found[f"{component.pk}-{row.number}"] = f"{component.part_number} number {row.number}, {row.name}"
    for member in loop.members.all() if loop else ():
        if member.component_id:
            known = f"{member.component.part_number} number {member.number}"
            found.setdefault(f"{member.component_id}-{member.number}", known)
    return list(found.items())


class EndForm(forms.Form):
    why = forms.CharField(label="Why it ends", max_length=200)


class ChangeForm(forms.Form):
    """A change to try, without saving: for each member another tolerance, a moved mean. Sent by GET."""

    wanted = DecimalCommaField(
        label="Wanted chance", unit="%", required=False, min_value=50, max_value=Decimal("99.99")
    )
    built = forms.ChoiceField(label="Built", choices=ClosureLoop.Built, required=False)
    matched = forms.BooleanField(label="Casts matched into sets", required=False)

    def __init__(self, data: Any, *, loop: ClosureLoop, rows: Sequence[MemberRow], can_match: bool) -> None:
        super().__init__(data)
        self.rows = rows
        if loop.how != How.RING:
            del self.fields["built"]
        if not can_match:
            del self.fields["matched"]
        for row in rows:
            unit = unit_of(loop, row)
            place, name = row.member.position, row.member.name
            self.fields[f"t{place}"] = DecimalCommaField(
                label=f"{name}: tolerance ±", unit=unit, required=False, min_value=0, max_digits=14, decimal_places=4
            )
            self.fields[f"s{place}"] = DecimalCommaField(
                label=f"{name}: mean moved by", unit=unit, required=False, max_digits=14, decimal_places=4
            )

    def pairs(self) -> list[tuple[MemberRow, forms.BoundField, forms.BoundField]]:
        return [(row, self[f"t{row.member.position}"], self[f"s{row.member.position}"]) for row in self.rows]

    @property
    def changes(self) -> dict[str, Change]:
        found = {}
        for row in self.rows:
            tolerance, shift = (self.cleaned_data.get(f"{kind}{row.member.position}") for kind in "ts")
            if tolerance is not None or shift:
                found[row.member.name] = Change(None if tolerance is None else float(tolerance), float(shift or 0))
        return found
