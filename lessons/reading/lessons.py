"""A lesson as its page reads it out, and a photo as it is drawn."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import NamedTuple

from casting.moments import local_day
from lessons.balloons import Balloon, drawn_height, place_balloons
from lessons.models import Lesson, Photo
from metrology.wording import count, day


class Spoken(NamedTuple):
    mark: str
    sentence: str
    then: str = ""


def standing(lesson: Lesson) -> Spoken:
    """One line for lists. lesson: from `queries.lessons.lessons_of`."""
    if lesson.is_proven:
        where = f" in {lesson.proven_in}" if lesson.proven_in else ""
        return Spoken("pass", f"proven{where}, {day(local_day(lesson.kit, lesson.proven_at))}")
    if not lesson.action:
        fix = "no action yet" if lesson.cause else "no cause yet"
    elif lesson.carried_by:
        fix = f"fix in {lesson.carried_by.letter}, not proven"
    else:
        fix = "fix not proven"
    if lesson.blocking:
        return Spoken("fail", f"blocks {lesson.component.part_number}, {fix}")
    return Spoken("way" if lesson.action else "missing", fix)


def said_in_full(lesson: Lesson) -> Spoken:
    """The verdict on the lesson's own page."""
    seen = f"Seen {times(lesson.seen)}." if lesson.seen else "Not logged on a cast or in a trial yet."
    if lesson.is_proven:
        return Spoken("pass", f"{seen} The fix is proven.", lesson.proof)
    if not lesson.action:
        state = "No action is written down yet."
    elif lesson.carried_by:
        state = f"The fix is in {lesson.carried_by} but not proven."
    else:
        state = "The fix is not proven."
    part = lesson.component.part_number
    blocks = f" No revision of {part} is signed off until it is." if lesson.blocking else ""
    then = f"Proven when: {lesson.proof_wanted}" if lesson.proof_wanted else ""
    return Spoken(standing(lesson).mark, f"{seen} {state}{blocks}", then)


def times(number: int) -> str:
    return {1: "once", 2: "twice"}.get(number) or count(number, "time")


@dataclass(frozen=True)
class Shot:
    """A photo with its balloons, in a drawing 640 wide and `height` high. said: for who cannot see it."""

    photo: Photo
    height: float
    balloons: list[Balloon]
    said: str

    @property
    def tall(self) -> bool:
        return self.photo.height > self.photo.width


def shots(photos: Iterable[Photo]) -> list[Shot]:
    return [shot(photo) for photo in photos]


def shot(photo: Photo) -> Shot:
    marks = [(mark.number, mark.text, mark.x, mark.y) for mark in photo.marks.all()]
    said = photo.caption or "Photo"
    if marks:
        said += f", with {count(len(marks), 'numbered mark')}"
    balloons = place_balloons(marks, photo.width, photo.height)
    return Shot(photo, drawn_height(photo.width, photo.height), balloons, said)
