"""What people type about mock-ups, questions and trials. Rules of the trade are in the services."""

from typing import Any

from django import forms
from django.utils import timezone

from casting.forms import Day, Moment
from casting.models import Cast
from inspection.models import Instrument
from lessons.models import Mockup, Question, Trial
from lessons.queries.trials import casts_to_try, revisions_to_try
from lessons.services.trials import Piece
from metrology.wording import NBSP
from parts.fields import DecimalCommaField
from parts.limits import shown
from parts.models import Component, Interface, Kit, Revision, code_validator

MOST_PIECES_SHOWN = 60


def _text(label: str, rows: int = 3, **kwargs: Any) -> forms.CharField:
    return forms.CharField(label=label, widget=forms.Textarea(attrs={"rows": rows}), **kwargs)


def _components(kit: Kit, label: str, **kwargs: Any) -> forms.ModelMultipleChoiceField:
    return forms.ModelMultipleChoiceField(
        label=label,
        queryset=Component.objects.filter(kit=kit).order_by("part_number"),
        widget=forms.CheckboxSelectMultiple,
        error_messages={"required": "Name at least one part."},
        **kwargs,
    )


class MockupForm(forms.Form):
    name = forms.CharField(label="Name", max_length=120)
    scale = DecimalCommaField(
        label="Scale, 1 to",
        max_digits=6,
        decimal_places=2,
        initial=1,
        help_text="10 for a model 1 : 10; 1 for a full-size mock-up.",
    )
    built_on = Day(label="Built on")
    code = forms.CharField(
        label="Code",
        max_length=20,
        required=False,
        validators=[code_validator],
        help_text="Empty: the next free number.",
    )
    about = _text("What it must answer", required=False)

    def __init__(self, *args: Any, kit: Kit, mockup: Mockup | None = None, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["components"] = _components(kit, "Parts that stand in it", required=False)
        if mockup:
            self.fields["code"].required = True
            self.fields["code"].help_text = ""
            self.initial = {name: getattr(mockup, name) for name in ("name", "scale", "built_on", "code", "about")}
            self.initial["components"] = [component.pk for component in mockup.components.all()]
        else:
            self.initial.setdefault("built_on", timezone.localdate())


class QuestionForm(forms.Form):
    text = _text("Question", help_text="What must be known, so that yes, no or a number can answer it.")

    def __init__(self, *args: Any, mockup: Mockup, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.fields["components"] = _components(
            mockup.kit, "Parts that wait for the answer", help_text="None of them is released while it is open."
        )


class TrialChoice(forms.ModelChoiceField):
    def label_from_instance(self, trial: Trial) -> str:
        return f"{trial.code} on {trial.mockup}"


class AnswerForm(forms.Form):
    answer = _text("Answer", rows=4)
    answered_in = TrialChoice(
        label="Seen in", queryset=Trial.objects.none(), required=False, empty_label="no trial: known otherwise"
    )

    def __init__(self, *args: Any, question: Question, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        trials = Trial.objects.filter(kit=question.kit_id).select_related("mockup").order_by("-started_at")
        self.fields["answered_in"].queryset = trials
        self.initial.setdefault("answered_in", trials.filter(mockup=question.mockup_id).first())


class BeginForm(forms.Form):
    """A trial begins: which pieces, where and with whom. A piece is "cast-<key>" or "revision-<key>"."""

    pieces = forms.MultipleChoiceField(
        label="What is fitted",
        widget=forms.CheckboxSelectMultiple,
        error_messages={
            "required": "Name at least one piece that is fitted.",
            "invalid_choice": "One of the pieces cannot be fitted any more. Look at the list again.",
        },
    )
    conditions = forms.CharField(
        label="Conditions", max_length=200, required=False, help_text="Weather, ground, light."
    )
    crew = forms.CharField(label="Crew", max_length=200, required=False)
    started_at = Moment(label="Begins")

    def __init__(self, *args: Any, mockup: Mockup, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.things = pieces_to_try(mockup)
        self.fields["pieces"].choices = [(key, piece_label(thing)) for key, thing in self.things.items()]
        self.initial.setdefault("started_at", timezone.now())

    def chosen(self) -> list[Piece]:
        return [Piece(self.things[key]) for key in self.cleaned_data["pieces"]]


def pieces_to_try(mockup: Mockup) -> dict[str, Cast | Revision]:
    """What may be ticked; where the mock-up names its parts, only pieces of these. Others are added by their name."""
    parts = {component.pk for component in mockup.components.all()}
    casts = casts_to_try(mockup.kit) if mockup.is_full_size else Cast.objects.none()
    revisions = revisions_to_try(mockup)
    if parts:
        casts = casts.filter(revision__component__in=parts)
        revisions = revisions.filter(component__in=parts)
    found: dict[str, Cast | Revision] = {f"cast-{cast.pk}": cast for cast in casts[:MOST_PIECES_SHOWN]}
    return found | {f"revision-{revision.pk}": revision for revision in revisions[:MOST_PIECES_SHOWN]}


def piece_label(thing: Cast | Revision) -> str:
    if isinstance(thing, Revision):
        return f"{thing}, {thing.component.name}, {thing.get_state_display()}"
    where = f", {thing.place}" if thing.place else ""
    return f"{thing.serial}, {thing.revision} {thing.revision.component.name}, {thing.get_standing_display()}{where}"


class PieceForm(forms.Form):
    """One more piece, by its name: a serial, or a part number and a letter."""

    piece = forms.CharField(
        label="Serial, or part number and revision", max_length=60, help_text="TP-SB-0013, or SB-02 C."
    )
    place = forms.CharField(label="Place", max_length=80, required=False)

    def __init__(self, *args: Any, trial: Trial, **kwargs: Any) -> None:
        super().__init__(*args, auto_id="piece-%s", **kwargs)
        self.trial = trial
        self.suggested = [str(thing) for thing in pieces_to_try(trial.mockup).values()]
        self.fields["piece"].widget.attrs["list"] = "pieces-known"

    def clean_piece(self) -> Cast | Revision:
        name = " ".join(self.cleaned_data["piece"].split())
        kit = self.trial.kit
        casts = Cast.objects.filter(kit=kit, serial__iexact=name).select_related("kit", "revision__component__kit")
        if cast := casts.first():
            return cast
        number, _, letter = name.rpartition(" ")
        revision = (
            Revision.objects.filter(component__kit=kit, component__part_number__iexact=number, letter__iexact=letter)
            .select_related("component__kit")
            .first()
        )
        if revision is None:
            raise forms.ValidationError(f"“{name}” is no serial and no revision of this kit. Look at the tag again.")
        return revision


class StepForm(forms.Form):
    text = forms.CharField(label="What was done", max_length=200, required=False)
    minutes = DecimalCommaField(
        label="Minutes it took", unit="min", max_digits=7, decimal_places=1, required=False, min_value=0
    )
    went_wrong = forms.CharField(label="What went wrong", max_length=300, required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, auto_id="step-%s", **kwargs)
        self.fields["text"].widget.attrs |= {"list": "step-texts", "autocomplete": "off"}


class InstrumentChoice(forms.ChoiceField):
    """Instruments read once for all joints of a page. Cleans to an instrument or None."""

    def __init__(self, *, instruments: list[Instrument], **kwargs: Any) -> None:
        self.by_key = {str(row.pk): row for row in instruments}
        rows = [(key, f"{row}, U {shown(row.uncertainty)}{NBSP}mm") for key, row in self.by_key.items()]
        super().__init__(choices=[("", "not in this list: give U"), *rows], **kwargs)

    def prepare_value(self, value: Any) -> Any:
        return str(value.pk) if isinstance(value, Instrument) else value

    def clean(self, value: Any) -> Instrument | None:
        return self.by_key.get(super().clean(value))


class GapForm(forms.Form):
    """A gap at one interface. Its fields are named after the interface, for a page holds one form for each."""

    gap = DecimalCommaField(label="Gap", unit="mm", max_digits=10, decimal_places=3)
    where = forms.CharField(label="Where", max_length=80, required=False)

    def __init__(self, *args: Any, interface: Interface, instruments: list[Instrument], **kwargs: Any) -> None:
        super().__init__(*args, prefix=interface.code, **kwargs)
        self.fields["instrument"] = InstrumentChoice(label="Measured with", instruments=instruments, required=False)
        self.fields["uncertainty"] = DecimalCommaField(
            label="U, when not in the list",
            unit="mm",
            max_digits=8,
            decimal_places=4,
            required=False,
            help_text="Expanded, k = 2: how far the reading may be off.",
        )


class NoteForm(forms.Form):
    conditions = forms.CharField(
        label="Conditions", max_length=200, required=False, help_text="Weather, ground, light."
    )
    crew = forms.CharField(label="Crew", max_length=200, required=False)
    went_wrong = _text("What went wrong so far", required=False)

    def __init__(self, *args: Any, **kwargs: Any) -> None:
        super().__init__(*args, auto_id="note-%s", **kwargs)


class EndForm(forms.Form):
    went_wrong = _text("What went wrong", rows=4, required=False, help_text="Empty: nothing to note.")
    ended_at = Moment(label="Ended")


class ReasonForm(forms.Form):
    reason = forms.CharField(label="Why it is taken out", max_length=200)
