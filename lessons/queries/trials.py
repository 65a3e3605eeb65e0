"""Reads of mock-ups, questions and trials that more than one page needs, each with a fixed number of queries."""

from collections.abc import Iterable
from dataclasses import dataclass

from django.contrib.auth.models import AbstractUser
from django.db.models import BooleanField, Count, ExpressionWrapper, OuterRef, Prefetch, Q, QuerySet, Subquery
from django.db.models.functions import Coalesce
from django.shortcuts import get_object_or_404

from casting.models import Cast
from inspection.models import Instrument
from lessons.models import FitCheck, Mockup, Question, Step, Trial, TrialPiece
from lessons.services.trials import WITHOUT_CASTS
from parts.models import Characteristic, Component, Interface, Kit, Revision

STAND_READY = (Cast.Standing.CURING, Cast.Standing.IN_STORE, Cast.Standing.SEGREGATED, Cast.Standing.ON_SITE)


def mockups_for_list(kit: Kit) -> QuerySet[Mockup]:
    """With `trial_count`, `question_count` and `open_count`, and their components. Two queries."""
    questions = Question.objects.filter(mockup=OuterRef("pk")).order_by().values("mockup")
    trials = Trial.objects.filter(mockup=OuterRef("pk")).order_by().values("mockup")
    return (
        Mockup.objects.filter(kit=kit)
        .select_related("kit")
        .annotate(
            trial_count=_counted(trials),
            question_count=_counted(questions),
            open_count=_counted(questions.filter(answered_at__isnull=True)),
        )
        .prefetch_related(Prefetch("components", Component.objects.select_related("kit")))
        .order_by("code")
    )


def _counted(rows: QuerySet) -> Coalesce:
    return Coalesce(Subquery(rows.annotate(n=Count("pk")).values("n")), 0)


def mockup_or_404(kit: Kit, code: str) -> Mockup:
    return get_object_or_404(mockups_for_list(kit), code=code)


def questions_for_list(kit: Kit) -> QuerySet[Question]:
    """Open ones first, then the newest; with everything a row shows."""
    return (
        Question.objects.filter(kit=kit)
        .select_related("kit", "mockup__kit", "asked_by", "answered_by", "answered_in__kit")
        .prefetch_related(Prefetch("components", Component.objects.select_related("kit")))
        .annotate(is_answered=ExpressionWrapper(Q(answered_at__isnull=False), output_field=BooleanField()))
        .order_by("is_answered", "-asked_at", "-pk")
    )


def question_or_404(kit: Kit, code: str) -> Question:
    return get_object_or_404(questions_for_list(kit), code=code)


def trials_for_list(kit: Kit) -> QuerySet[Trial]:
    """Those under way first, then the newest; with their pieces, gaps and steps. Four queries."""
    return (
        Trial.objects.filter(kit=kit)
        .select_related("kit", "mockup__kit", "logged_by")
        .prefetch_related(
            Prefetch("pieces", TrialPiece.objects.select_related("cast__kit", "revision__component__kit")),
            Prefetch("fit_checks", fit_checks()),
            Prefetch("steps", Step.objects.order_by("number")),
        )
        .annotate(is_over=ExpressionWrapper(Q(ended_at__isnull=False), output_field=BooleanField()))
        .order_by("is_over", "-started_at", "-pk")
    )


def fit_checks() -> QuerySet[FitCheck]:
    return FitCheck.objects.select_related("interface__kit", "instrument", "measured_by").order_by(
        "interface__code", "pk"
    )


def trial_or_404(kit: Kit, code: str) -> Trial:
    """One trial with its pieces, gaps and steps. Four queries."""
    return get_object_or_404(trials_for_list(kit), code=code)


@dataclass(frozen=True)
class Joint:
    """An interface with the gaps measured at it in one trial, in order. here: both its parts stand in the trial."""

    interface: Interface
    checks: tuple[FitCheck, ...]
    here: bool


def joints(trial: Trial) -> list[Joint]:
    """Interfaces of the components in a trial; those of which both parts stand there first. One query.

    trial: with its pieces and fit checks prefetched, as `trial_or_404` gives it.
    """
    present = {piece.revision.component_id for piece in trial.pieces.all()}
    interfaces = Interface.objects.filter(
        Q(component_a__in=present) | Q(component_b__in=present), kit=trial.kit_id
    ).select_related("kit", "component_a", "component_b")
    found = [
        Joint(
            interface,
            tuple(check for check in trial.fit_checks.all() if check.interface_id == interface.pk),
            {interface.component_a_id, interface.component_b_id} <= present,
        )
        for interface in interfaces.order_by("code")
    ]
    return sorted(found, key=lambda joint: (not joint.here, joint.interface.code))


def instruments_for_gaps(kit: Kit) -> list[Instrument]:
    """Instruments that measure mm and have a U, scanners last."""
    rows = Instrument.objects.filter(kit=kit, unit=Characteristic.Unit.MM, uncertainty__gt=0).order_by("code")
    return sorted(rows, key=lambda row: row.kind == Instrument.Kind.SCANNER)


def usual_instrument(trial: Trial, person: AbstractUser) -> Instrument | None:
    """What a gap was measured with last: in this trial, else by this person, else by anybody."""
    checks = FitCheck.objects.filter(trial__kit=trial.kit_id, instrument__isnull=False).select_related("instrument")
    newest = checks.order_by("-measured_at", "-pk")
    last = newest.filter(trial=trial).first() or newest.filter(measured_by=person).first() or newest.first()
    return last.instrument if last else None


def usual_step(trial: Trial) -> str:
    """What comes next by the last trial on this mock-up that went as far; empty when there is none."""
    done = len(trial.steps.all())
    before = (
        Step.objects.filter(trial__mockup=trial.mockup_id, number=done + 1)
        .exclude(trial=trial.pk)
        .order_by("-trial__started_at")
        .first()
    )
    return before.text if before else ""


def step_texts(mockup: Mockup) -> list[str]:
    """Steps logged on a mock-up before, for suggestions."""
    return list(
        Step.objects.filter(trial__mockup=mockup).order_by("text").values_list("text", flat=True).distinct()[:50]
    )


def casts_to_try(kit: Kit) -> QuerySet[Cast]:
    """Casts that may be fitted at full size: demoulded, not installed or scrapped, in no running trial."""
    busy = TrialPiece.objects.filter(trial__ended_at__isnull=True, cast__isnull=False).values("cast")
    return (
        Cast.objects.filter(kit=kit, standing__in=STAND_READY)
        .exclude(pk__in=busy)
        .exclude(revision__state=Revision.State.WITHDRAWN)
        .select_related("kit", "revision__component__kit")
        .order_by("revision__component__part_number", "-poured_at", "-pk")
    )


def revisions_to_try(mockup: Mockup) -> QuerySet[Revision]:
    """Revisions that a piece may be made to: all but withdrawn ones on a model; at full size what is not cast."""
    rows = (
        Revision.objects.filter(component__kit=mockup.kit_id)
        .exclude(state=Revision.State.WITHDRAWN)
        .select_related("component__kit")
        .order_by("component__part_number", "-created_at", "-pk")
    )
    return rows.filter(component__made_how__in=WITHOUT_CASTS) if mockup.is_full_size else rows


def trials_of(revision: Revision) -> list[Trial]:
    """Trials in which a piece of the revision stood, newest first, with their pieces, gaps and steps."""
    stood = TrialPiece.objects.filter(revision=revision).values("trial")
    return list(trials_for_list(revision.component.kit).filter(pk__in=stood).order_by("-started_at", "-pk"))


@dataclass(frozen=True)
class Tried:
    """An interface of a component with every gap measured at it in certain trials, newest trial first."""

    interface: Interface
    checks: tuple[FitCheck, ...]

    @property
    def newest(self) -> tuple[FitCheck, ...]:
        """The gaps of the newest trial: those that count at the gate."""
        return tuple(check for check in self.checks if check.trial_id == self.checks[0].trial_id)


def tried(component: Component, trials: Iterable[Trial]) -> list[Tried]:
    """Every interface of the component with its gaps from these trials (newest first, as `trials_of`). One query."""
    interfaces = (
        Interface.objects.filter(Q(component_a=component) | Q(component_b=component))
        .select_related("kit", "component_a", "component_b")
        .order_by("code")
    )
    checks = []
    for trial in trials:
        for check in trial.fit_checks.all():
            check.trial = trial
            checks.append(check)
    return [
        Tried(interface, tuple(check for check in checks if check.interface_id == interface.pk))
        for interface in interfaces
    ]
