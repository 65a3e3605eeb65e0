"""What people type about lessons. Rules of the trade are in the services."""

from typing import Any

from django import forms

from casting.models import Cast
from casting.moments import said
from lessons.models import Lesson, Trial
from lessons.queries.lessons import people
from parts.models import Component, Kit, Revision

from .photos import WithPhotos


def text(label: str, rows: int = 3, **kwargs: Any) -> forms.CharField:
    return forms.CharField(label=label, widget=forms.Textarea(attrs={"rows": rows}), **kwargs)


class RevisionChoice(forms.ModelChoiceField):
    def label_from_instance(self, revision: Revision) -> str:
        return f"{revision}, {revision.get_state_display()}"


class TrialChoice(forms.ModelChoiceField):
    def label_from_instance(self, trial: Trial) -> str:
        return f"{trial}, {trial.mockup.name}, {said(trial.kit, trial.started_at)}"


def trial_choice(label: str) -> TrialChoice:
    return TrialChoice(label=label, queryset=Trial.objects.none(), required=False, empty_label="no trial")


def cast_choice(label: str) -> forms.ModelChoiceField:
    return forms.ModelChoiceField(
        label=label, queryset=Cast.objects.none(), required=False, empty_label="no certain cast"
    )


def fill(form: forms.Form, kit: Kit) -> None:
    """Offer the trials, casts and revisions of the kit where the form asks for them."""
    offered = {
        "trial": Trial.objects.filter(kit=kit).select_related("kit", "mockup"),
        "cast": Cast.objects.filter(kit=kit).order_by("-poured_at", "-pk"),
        "component": Component.objects.filter(kit=kit),
        "carried_by": Revision.objects.filter(component__kit=kit)
        .exclude(state=Revision.State.WITHDRAWN)
        .select_related("component")
        .order_by("component__part_number", "-created_at"),
        "owner": people(),
    }
    offered["seen_in_trial"] = offered["trial"]
    for name, queryset in offered.items():
        if name in form.fields:
            form.fields[name].queryset = queryset


class ChangeForm(forms.Form):
    """The text of a lesson, and who takes care of it."""

    title = forms.CharField(label="In a few words", max_length=120)
    component = forms.ModelChoiceField(label="Part", queryset=Component.objects.none(), empty_label="choose the part")
    what_happened = text("What happened", rows=4)
    cause = text("Cause", required=False)
    action = text("Action", required=False)
    applies_next = text("Where it applies next", rows=2, required=False)
    proof_wanted = text("What proves the fix", rows=2, required=False)
    blocking = forms.BooleanField(label="Blocks the release until the fix is proven", required=False)
    carried_by = RevisionChoice(
        label="Revision that carries the fix",
        queryset=Revision.objects.none(),
        required=False,
        empty_label="none yet",
    )
    owner = forms.ModelChoiceField(
        label="Who takes care of it", queryset=Lesson.objects.none(), required=False, empty_label="nobody yet"
    )

    def __init__(self, *args: Any, kit: Kit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        fill(self, kit)


class WriteForm(WithPhotos, ChangeForm):
    """A new lesson: also where it was seen, and what it looked like."""

    cast = cast_choice("Seen on cast")
    seen_in_trial = trial_choice("Seen in trial")

    field_order = ["title", "component", "what_happened", "cast", "seen_in_trial", "photos", "cause", "action"]


class ProveForm(forms.Form):
    proof = text("What was seen that proves it", rows=4)
    trial = trial_choice("Seen in trial")

    def __init__(self, *args: Any, kit: Kit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        fill(self, kit)


class WithdrawProofForm(forms.Form):
    reason = text("Why the proof does not hold")


class SeenForm(WithPhotos):
    cast = cast_choice("On cast")
    trial = trial_choice("In trial")
    note = forms.CharField(label="Note", max_length=200, required=False)

    field_order = ["cast", "trial", "note", "photos"]

    def __init__(self, *args: Any, kit: Kit, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        fill(self, kit)
