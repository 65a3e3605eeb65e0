"""Keeping photos and marking what is to be seen on them."""

from datetime import datetime
from typing import Any
from zoneinfo import ZoneInfo

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.db.models import Max
from django.utils import timezone

from casting.models import Cast
from logbook.files import keep
from logbook.services import record as log

from .errors import LessonsRefusal
from .models import Lesson, Photo, PhotoMark, Trial
from .pictures import Picture, prepare

OWNERS = {Lesson: "lesson", Trial: "trial", Cast: "cast"}


def add_photo(
    record: Lesson | Trial | Cast, *, file: Any, caption: str = "", by: AbstractUser, at: datetime | None = None
) -> Photo:
    """Keep a photo with a lesson, a trial or a cast. file: an upload, an open file, bytes, or a prepared Picture.

    Raises PhotoRefused. Turned upright and without metadata; the time it was taken is kept when the camera said it.
    """
    at = at or timezone.now()
    picture = file if isinstance(file, Picture) else prepare(file)
    owner = OWNERS[type(record)]
    with transaction.atomic():
        photo = Photo.objects.create(
            file=keep(picture.full, "image/jpeg"),
            thumbnail=keep(picture.thumbnail, "image/jpeg"),
            width=picture.width,
            height=picture.height,
            caption=caption.strip(),
            taken_at=_taken_at(record, picture, at),
            added_by=by,
            added_at=at,
            **{owner: record},
        )
        what = f" “{photo.caption}”" if photo.caption else ""
        log(by, "photo.added", photo, f"Photo{what} added to {owner} {record}.",
            details={"sha256": photo.file.sha256}, at=at)  # fmt: skip
    return photo


@transaction.atomic
def mark_photo(
    photo: Photo, *, x: float, y: float, text: str, by: AbstractUser, at: datetime | None = None
) -> PhotoMark:
    """A numbered balloon on the photo. x, y: shares of width and height from the top left, 0 to 1."""
    if not (0 <= x <= 1 and 0 <= y <= 1):
        raise LessonsRefusal("That place is not on the photo. Touch the photo itself.", code="outside")
    if not text.strip():
        raise LessonsRefusal("Say what is to be seen there.", code="empty", field="text")
    last = Photo.objects.select_for_update().get(pk=photo.pk).marks.aggregate(last=Max("number"))["last"] or 0
    mark = PhotoMark.objects.create(photo=photo, number=last + 1, x=x, y=y, text=text.strip())
    log(by, "photo.marked", photo, f"Photo of {photo.record} marked at {mark}.", at=at)
    return mark


def _taken_at(record: Lesson | Trial | Cast, picture: Picture, at: datetime) -> datetime | None:
    taken = picture.taken
    if taken and taken.tzinfo is None:
        taken = taken.replace(tzinfo=ZoneInfo(record.kit.time_zone))
    return taken if taken and taken <= at else None
