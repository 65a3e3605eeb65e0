"""Reads that more than one page needs. Lists carry their counts, so that a page costs the same for 2 and 200 rows."""

from django.contrib.auth.models import AbstractUser
from django.db.models import (
    BooleanField,
    Count,
    Exists,
    ExpressionWrapper,
    F,
    Max,
    OuterRef,
    Q,
    QuerySet,
    Subquery,
)
from django.db.models.functions import Coalesce
from django.http import Http404
from django.shortcuts import get_object_or_404

from parts.models import Component, Kit, Revision

from .models import Batch, Cast, Mould, Nonconformity, StrengthTest
from .services.casts import CASTABLE

SCRAPPED = Cast.Standing.SCRAPPED


def moulds_of(kit: Kit) -> QuerySet[Mould]:
    return (
        Mould.objects.filter(kit=kit)
        .select_related("kit", "component__kit", "revision__component__kit", "corrects")
        .annotate(pours=Count("casts"), last_poured=Max("casts__poured_at"))
        .order_by("code")
    )


def batches_of(kit: Kit) -> QuerySet[Batch]:
    tests = StrengthTest.objects.filter(batch=OuterRef("pk")).order_by().values("batch")
    return (
        Batch.objects.filter(kit=kit)
        .select_related("kit", "mixed_by")
        .annotate(
            cast_count=Count("casts"),
            test_count=Coalesce(Subquery(tests.annotate(n=Count("pk")).values("n")), 0),
            last_age=Subquery(tests.annotate(n=Max("age_days")).values("n")),
        )
        .order_by("-mixed_at", "-pk")
    )


def casts_with_facts() -> QuerySet[Cast]:
    """Casts with everything a row shows; `open_count` is the number of open nonconformities."""
    return (
        Cast.objects.select_related("kit", "revision__component__kit", "mould", "batch", "logged_by")
        .annotate(open_count=Count("nonconformities", filter=Q(nonconformities__disposition="")))
        .order_by("-poured_at", "-pk")
    )


def cast_or_404(kit: Kit, serial: str) -> Cast:
    """By serial, large and small letters alike."""
    cast = casts_with_facts().filter(kit=kit, serial__iexact=serial).first()
    if cast is None:
        raise Http404(f"No cast {serial} in this kit.")
    return cast


def mould_or_404(kit: Kit, code: str) -> Mould:
    return get_object_or_404(moulds_of(kit), code=code)


def batch_or_404(kit: Kit, code: str) -> Batch:
    return get_object_or_404(batches_of(kit), code=code)


def nonconformities_of(kit: Kit) -> QuerySet[Nonconformity]:
    """Open ones first, newest first."""
    return (
        Nonconformity.objects.filter(kit=kit)
        .select_related("kit", "cast__kit", "cast__revision__component__kit", "found_by", "decided_by")
        .annotate(is_decided=ExpressionWrapper(Q(disposition__gt=""), output_field=BooleanField()))
        .order_by("is_decided", "-found_at")
    )


def nonconformity_or_404(kit: Kit, code: str) -> Nonconformity:
    return get_object_or_404(nonconformities_of(kit), code=code)


def components_to_cast(kit: Kit) -> QuerySet[Component]:
    """Components with a revision that may be cast to."""
    return Component.objects.filter(
        Exists(Revision.objects.filter(component=OuterRef("pk"), state__in=CASTABLE)), kit=kit
    ).select_related("kit")


def revisions_to_cast(component: Component) -> QuerySet[Revision]:
    """Revisions that may be cast to, newest letter first."""
    return (
        Revision.objects.filter(component=component, state__in=CASTABLE)
        .select_related("component__kit")
        .order_by("-created_at", "-pk")
    )


def moulds_in_use(component: Component) -> QuerySet[Mould]:
    """Moulds to pour into, the last used first, then the newest made."""
    return (
        moulds_of(component.kit)
        .filter(component=component, state=Mould.State.IN_USE)
        .order_by(F("last_poured").desc(nulls_last=True), "-made_on", "-pk")
    )


def strength_tests_for(revision: Revision) -> QuerySet[StrengthTest]:
    """Tests of every batch that a cast of this revision came from, in the order of testing."""
    return (
        StrengthTest.objects.filter(
            Exists(Cast.objects.filter(revision=revision, batch=OuterRef("batch")).exclude(standing=SCRAPPED))
        )
        .select_related("batch__kit", "logged_by")
        .order_by("tested_on", "pk")
    )


def last_component(kit: Kit, person: AbstractUser) -> Component | None:
    """What this person cast last, and if they never did, what anybody cast last."""
    casts = Cast.objects.filter(kit=kit).select_related("revision__component__kit").order_by("-logged_at", "-pk")
    cast = casts.filter(logged_by=person).first() or casts.first()
    return cast.revision.component if cast else None
