"""What this room adds to the page of a cast."""

from typing import Any

from django.http import HttpRequest

from casting.models import Cast

from .models import Lesson
from .queries.lessons import lessons_of, photos_of
from .reading.lessons import shots, standing


def photos_and_lessons(request: HttpRequest, cast: Cast) -> tuple[str, dict[str, Any]] | None:
    """Photos of the cast and the lessons that were seen on it, for who may see them."""
    if not request.user.has_perms(["lessons.view_photo", "lessons.view_lesson"]):
        return None
    notes = dict(cast.sightings.values_list("lesson", "note"))
    lessons: list[Lesson] = list(lessons_of(request.kit).filter(pk__in=notes)) if notes else []
    seen = [{"lesson": row, "standing": standing(row), "note": notes[row.pk]} for row in lessons]
    return "lessons/_cast_panel.html", {"cast": cast, "shots": shots(photos_of(cast)), "sightings": seen}
