"""What people type about moulds, batches, casts and nonconformities. Rules of the trade are in the services."""

from typing import Any

from django import forms
from django.utils import timezone

from parts.fields import DecimalCommaField
from parts.models import Component, Kit, Revision, code_validator

from .models import Batch, Cast, Mould, Nonconformity, StrengthTest
from .moments import local_day, said
from .queries import moulds_in_use, revisions_to_cast
from .serials import propose_serial

NEW_BATCH, NO_BATCH = "new", "none"
RECENT_BATCHES = 20


class Moment(forms.DateTimeField):
    """A day and a minute at the kit, with the browser's own chooser."""

    widget = forms.DateTimeInput(attrs={"type": "datetime-local"}, format="%Y-%m-%dT%H:%M")


class Day(forms.DateField):
    widget = forms.DateInput(attrs={"type": "date"}, format="%Y-%m-%d")


def _mass() -> DecimalCommaField:
    return DecimalCommaField(label="Mass", unit="kg", max_digits=10, decimal_places=2, required=False)


def _code() -> forms.CharField:
    return forms.CharField(
        label="Code",
        max_length=20,
        required=False,
        validators=[code_validator],
        help_text="Empty: the next free number.",
    )


def _text(label: str, rows: int = 2, **kwargs: Any) -> forms.CharField:
    return forms.CharField(label=label, widget=forms.Textarea(attrs={"rows": rows}), **kwargs)


class RevisionChoice(forms.ModelChoiceField):
    def label_from_instance(self, revision: Revision) -> str:
        return f"{revision.letter}, {revision.get_state_display()}"


class AnyRevisionChoice(forms.ModelChoiceField):
    def label_from_instance(self, revision: Revision) -> str:
        return f"{revision} {revision.component.name}, {revision.get_state_display()}"


class MouldChoice(forms.ModelChoiceField):
    def label_from_instance(self, mould: Mould) -> str:
        pours = getattr(mould, "pours", None)
        used = "" if pours is None else ", not used yet" if pours == 0 else f", poured {pours} times"
        return f"{mould.code}, made to {mould.revision.letter}{used}".replace("poured 1 times", "poured once")


class CastForm(forms.Form):
    """A pour, with a new batch in the same form if need be. Everything that can be known is filled in."""

    revision = RevisionChoice(queryset=Revision.objects.none(), empty_label=None)
    mould = MouldChoice(queryset=Mould.objects.none(), required=False, empty_label="no mould")
    batch = forms.ChoiceField()
    mix_design = forms.CharField(label="Mix design", max_length=120, required=False)
    water_binder = DecimalCommaField(label="Water to binder", max_digits=4, decimal_places=3, required=False)
    slump = DecimalCommaField(label="Slump", unit="mm", max_digits=5, decimal_places=0, required=False)
    air_temperature = DecimalCommaField(label="Air", unit="°C", max_digits=4, decimal_places=1, required=False)
    serial = forms.CharField(max_length=40, validators=[code_validator])
    poured_at = Moment(label="Poured at")
    mass = _mass()
    defects = _text("Defects seen", required=False)
    place = forms.CharField(label="Place", max_length=80, required=False)

    def __init__(self, *args: Any, component: Component, **kwargs: Any) -> None:
        self.component, kit = component, component.kit
        revisions = revisions_to_cast(component)
        moulds = moulds_in_use(component)
        batches = list(Batch.objects.filter(kit=kit).order_by("-mixed_at")[:RECENT_BATCHES])
        kwargs["initial"] = _usual(component, revisions, moulds, batches) | kwargs.get("initial", {})
        super().__init__(*args, **kwargs)
        self.fields["revision"].queryset = revisions
        self.fields["mould"].queryset = moulds
        self.batches = {str(batch.pk): batch for batch in batches}
        self.fields["batch"].choices = [
            (NEW_BATCH, "New batch"),
            *[(pk, f"{b.code}, {b.mix_design}, {said(kit, b.mixed_at)}") for pk, b in self.batches.items()],
            (NO_BATCH, "no batch"),
        ]

    def clean(self) -> dict[str, Any]:
        data = super().clean()
        if data.get("batch") == NEW_BATCH and not data.get("mix_design"):
            self.add_error("mix_design", "Name the mix design, or choose a batch that is logged already.")
        return data

    @property
    def chosen_batch(self) -> Batch | None:
        return self.batches.get(self.cleaned_data["batch"])


def _usual(component: Component, revisions, moulds, batches) -> dict[str, Any]:
    """The newest revision to cast to, its mould that was used last, today's batch."""
    now = timezone.now()
    revision = revisions.first()
    own = [mould for mould in moulds if revision and mould.revision_id == revision.pk]
    mould = next(iter(own or moulds), None)
    last = batches[0] if batches else None
    kit = component.kit
    fresh = last and local_day(kit, last.mixed_at) == local_day(kit, now)
    return {
        "revision": revision,
        "mould": mould,
        "batch": str(last.pk) if fresh else NEW_BATCH,
        "mix_design": last.mix_design if last else "",
        "serial": propose_serial(component),
        "poured_at": now,
    }


class DemouldForm(forms.Form):
    demoulded_at = Moment(label="Out of the mould at")
    mass = _mass()
    defects = _text("Defects seen", required=False)
    place = forms.CharField(label="Cures at", max_length=80, required=False)


class CorrectForm(forms.Form):
    mass = _mass()
    defects = _text("Defects seen", required=False)
    place = forms.CharField(label="Place", max_length=80, required=False)


class MoveForm(forms.Form):
    """Where a person moves a cast by hand. Installing is logged at its position, scrapping on a nonconformity."""

    PLACES = [Cast.Standing.CURING, Cast.Standing.IN_STORE, Cast.Standing.SEGREGATED, Cast.Standing.ON_SITE]

    standing = forms.ChoiceField(label="Where it stands", choices=[(s.value, s.label) for s in PLACES])
    place = forms.CharField(label="Place", max_length=80, required=False, help_text="Bay, rack or site.")


class MouldForm(forms.Form):
    revision = AnyRevisionChoice(label="Made to", queryset=Revision.objects.none())
    code = _code()
    kind = forms.ChoiceField(label="Kind", choices=Mould.Kind)
    pull = forms.ChoiceField(label="Pull direction", choices=Mould.Pull)
    scale_x = DecimalCommaField(label="Scale applied, forward", max_digits=8, decimal_places=5, initial=1)
    scale_y = DecimalCommaField(label="Scale applied, left", max_digits=8, decimal_places=5, initial=1)
    scale_z = DecimalCommaField(label="Scale applied, up", max_digits=8, decimal_places=5, initial=1)
    made_on = Day(label="Made on")
    corrects = MouldChoice(
        label="Corrects", queryset=Mould.objects.none(), required=False, empty_label="no earlier mould"
    )
    correction = _text("What was changed", required=False)

    def __init__(self, *args: Any, kit: Kit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        states = [Revision.State.SUPERSEDED, Revision.State.WITHDRAWN]
        self.fields["revision"].queryset = (
            Revision.objects.filter(component__kit=kit)
            .exclude(state__in=states)
            .select_related("component__kit")
            .order_by("component__part_number", "-created_at")
        )
        self.fields["corrects"].queryset = Mould.objects.filter(kit=kit).select_related("revision")
        self.initial.setdefault("made_on", local_day(kit, timezone.now()))


class MouldStateForm(forms.Form):
    state = forms.ChoiceField(label="State", choices=Mould.State)
    reason = forms.CharField(label="Why", max_length=200, required=False)


class BatchForm(forms.Form):
    code = _code()
    mix_design = forms.CharField(label="Mix design", max_length=120)
    mixed_at = Moment(label="Mixed at")
    water_binder = DecimalCommaField(label="Water to binder", max_digits=4, decimal_places=3, required=False)
    slump = DecimalCommaField(label="Slump", unit="mm", max_digits=5, decimal_places=0, required=False)
    air_temperature = DecimalCommaField(label="Air", unit="°C", max_digits=4, decimal_places=1, required=False)
    note = _text("Note", required=False)


class StrengthForm(forms.Form):
    specimen = forms.ChoiceField(label="Specimen", choices=StrengthTest.Specimen)
    label = forms.CharField(label="Label", max_length=40)
    strength = DecimalCommaField(label="Strength", unit="MPa", max_digits=6, decimal_places=2)
    tested_on = Day(label="Tested on")


class ReportForm(forms.Form):
    what = _text("What is wrong", rows=4)
    found_at = Moment(label="Found at")
    segregate = forms.BooleanField(label="It is set apart and marked", required=False, initial=True)
    place = forms.CharField(label="Where it is set apart", max_length=80, required=False)


class DecideForm(forms.Form):
    disposition = forms.ChoiceField(
        label="What becomes of it", choices=Nonconformity.Disposition, widget=forms.RadioSelect
    )
    correction = _text("Correction", required=False, help_text="What was done to this piece.")
    corrective_action = _text("Corrective action", required=False, help_text="What removes the cause.")
