"""Reads of lessons and photos. A list costs the same however long it is."""

from django.contrib.auth import get_user_model
from django.contrib.auth.models import AbstractUser
from django.db.models import BooleanField, Count, ExpressionWrapper, Max, Prefetch, Q, QuerySet
from django.shortcuts import get_object_or_404

from casting.models import Cast
from casting.queries import cast_or_404
from lessons.models import Lesson, Photo, PhotoMark, Question, Sighting, Trial
from parts.models import Kit, Revision

SHOWN = ("all", "blocking", "again")


def lessons_of(kit: Kit) -> QuerySet[Lesson]:
    """Blocking ones first, then those not proven, then the newest; each with `seen` and `last_seen`."""
    return (
        Lesson.objects.filter(kit=kit)
        .select_related(
            "kit", "component__kit", "owner", "written_by", "carried_by__component__kit", "seen_in_trial__kit",
            "proven_by", "proven_in__kit",
        )
        .annotate(
            seen=Count("sightings"),
            last_seen=Max("sightings__at"),
            stops=ExpressionWrapper(Q(blocking=True, proven_at__isnull=True), output_field=BooleanField()),
            waits=ExpressionWrapper(Q(proven_at__isnull=True), output_field=BooleanField()),
        )
        .order_by("-stops", "-waits", "-written_at", "-pk")
    )  # fmt: skip


def filtered(rows: QuerySet[Lesson], show: str) -> QuerySet[Lesson]:
    """show: one of SHOWN; "again" is what was seen more than once."""
    if show == "blocking":
        return rows.filter(stops=True)
    return rows.filter(seen__gt=1) if show == "again" else rows


def how_many(kit: Kit) -> dict[str, int]:
    """How many lessons each of SHOWN has. One query."""
    rows = lessons_of(kit).order_by().values_list("seen", "stops")
    found = list(rows)
    return {
        "all": len(found),
        "blocking": sum(stops for _, stops in found),
        "again": sum(seen > 1 for seen, _ in found),
    }


def lesson_or_404(kit: Kit, code: str) -> Lesson:
    return get_object_or_404(lessons_of(kit), code=code)


def sightings_of(lesson: Lesson) -> QuerySet[Sighting]:
    """Newest first."""
    return lesson.sightings.select_related(
        "cast__kit", "cast__revision__component__kit", "trial__kit", "logged_by"
    ).order_by("-at", "-pk")


def photos_of(record: Lesson | Trial | Cast) -> QuerySet[Photo]:
    """Photos with their marks. Two queries."""
    return _with_marks(record.photos.select_related("added_by"))


def photo_or_404(kit: Kit, pk: int) -> Photo:
    photos = Photo.objects.select_related(
        "lesson__kit", "lesson__component__kit", "trial__kit", "trial__mockup__kit", "cast__kit",
        "cast__revision__component__kit", "file", "thumbnail", "added_by",
    )  # fmt: skip
    own = Q(lesson__kit=kit) | Q(trial__kit=kit) | Q(cast__kit=kit)
    return get_object_or_404(_with_marks(photos).filter(own), pk=pk)


def photographed_or_404(kit: Kit, kind: str, code: str) -> Lesson | Trial | Cast:
    """What a photo is added to. kind: lesson, trial or cast."""
    if kind == "lesson":
        return lesson_or_404(kit, code)
    if kind == "trial":
        return get_object_or_404(Trial.objects.select_related("kit", "mockup__kit"), kit=kit, code=code)
    return cast_or_404(kit, code)


def lessons_for_revision(revision: Revision) -> QuerySet[Lesson]:
    """Lessons of the component."""
    return lessons_of(revision.component.kit).filter(component=revision.component)


def sightings_on(revision: Revision) -> QuerySet[Sighting]:
    """What was seen on a cast of the revision, or in a trial in which a piece of it stood; newest first."""
    return (
        Sighting.objects.filter(
            Q(cast__revision=revision)
            | Q(cast__isnull=True, trial__pieces__revision=revision, lesson__component=revision.component)
        )
        .select_related("lesson__kit", "lesson__component", "cast__kit", "trial__kit", "logged_by")
        .distinct()
        .order_by("-at", "-pk")
    )


def questions_about(revision: Revision) -> QuerySet[Question]:
    """Open ones first."""
    return (
        Question.objects.filter(components=revision.component)
        .select_related("kit", "mockup__kit", "answered_by", "answered_in__kit")
        .order_by("answered_at", "code")
    )


def people() -> QuerySet[AbstractUser]:
    """Who can own a lesson: everybody with a role."""
    person = get_user_model()
    return person.objects.filter(is_active=True, groups__isnull=False).distinct().order_by("first_name", "last_name")


def _with_marks(photos: QuerySet[Photo]) -> QuerySet[Photo]:
    return photos.prefetch_related(Prefetch("marks", queryset=PhotoMark.objects.order_by("number")))
