"""Acts of lessons and photos. All records are invented."""

from datetime import timedelta

import pytest

from lessons import services
from lessons.errors import LessonsRefusal
from lessons.models import Lesson, Photo
from lessons.pictures import prepare
from logbook.models import Entry
from parts.errors import Refusal
from tests import make
from tests.lessons.test_pictures import encoded, taken_photo
from tests.make import NOON

pytestmark = pytest.mark.django_db


@pytest.fixture
def block(lead):
    return make.revision(author=lead)


@pytest.fixture
def trial(technician):
    return make.trial(make.mockup(), technician)


@pytest.fixture
def lesson(block, technician):
    return make.lesson(block.component, technician, action="Bolt at 45 min")


def written(block, by, **given):
    usual = {"title": "Seat grows", "component": block.component, "what_happened": "1.8 mm too high"}
    return services.write_lesson(make.kit(), by=by, at=NOON, **(usual | given))


def test_a_lesson_gets_the_next_code_and_its_entry(block, technician):
    assert [written(block, technician).code, written(block, technician).code] == ["L-01", "L-02"]
    assert Entry.objects.filter(act="lesson.written").count() == 2


def test_the_cast_it_was_seen_on_is_the_first_stroke(block, technician, trial):
    cast = make.cast(block, technician)
    lesson = written(block, technician, cast=cast, seen_in_trial=trial)
    assert [(row.cast, row.trial) for row in lesson.sightings.all()] == [(cast, trial)]


def test_without_cast_and_trial_there_is_no_stroke(block, technician):
    assert not written(block, technician).sightings.exists()


def test_photos_come_with_the_lesson(block, technician):
    lesson = written(block, technician, photos=[prepare(encoded(size=(120, 160)))])
    assert lesson.photos.get().height == 160


@pytest.mark.parametrize(
    ("given", "code"),
    [
        ({"title": " "}, "no-text"),
        ({"what_happened": ""}, "no-text"),
        ({"blocking": True}, "no-proof-wanted"),
        ({"title": "x" * 121}, "unusable"),
    ],
)
def test_a_lesson_that_says_too_little_is_refused(block, technician, given, code):
    with pytest.raises(Refusal) as refused:
        written(block, technician, **given)
    assert refused.value.code == code
    assert not Lesson.objects.exists()
    assert not Entry.objects.exists()


def test_a_revision_of_another_part_carries_no_fix(block, technician, lead):
    other = make.revision(make.component("PC-01"), author=lead)
    with pytest.raises(LessonsRefusal, match="another part"):
        written(block, technician, carried_by=other)
    assert not Lesson.objects.exists()


def test_what_changes_is_in_the_logbook_with_what_was_before(lesson, technician):
    services.change_lesson(lesson, cause="Bolted early", by=technician, at=NOON)
    assert Entry.objects.get(act="lesson.changed").details == {"cause": ["", "Bolted early"]}


def test_a_lesson_blocks_until_it_is_proven(lesson, technician, lead):
    services.change_lesson(lesson, blocking=True, proof_wanted="Two casts", by=technician, at=NOON)
    assert lesson.blocks
    services.prove_lesson(lesson, proof="Two casts within 1 mm", by=lead, at=NOON)
    assert not Lesson.objects.get().blocks


def test_the_writer_does_not_prove_the_lesson(lesson, technician):
    with pytest.raises(LessonsRefusal, match="Somebody else"):
        services.prove_lesson(lesson, proof="Two casts", by=technician, at=NOON)
    assert not Lesson.objects.get().is_proven


def test_a_lesson_is_proven_once(lesson, lead, second_lead):
    services.prove_lesson(lesson, proof="Two casts", by=lead, at=NOON)
    with pytest.raises(LessonsRefusal, match="by Ines Halvorsen already"):
        services.prove_lesson(Lesson.objects.get(), proof="Three casts", by=second_lead, at=NOON)
    assert Lesson.objects.get().proof == "Two casts"


def test_without_an_action_there_is_nothing_to_prove(block, technician, lead):
    with pytest.raises(LessonsRefusal, match="no action"):
        services.prove_lesson(make.lesson(block.component, technician), proof="Two casts", by=lead, at=NOON)


def test_what_a_proof_rests_on_stays(lesson, lead, technician):
    services.prove_lesson(lesson, proof="Two casts", by=lead, at=NOON)
    with pytest.raises(LessonsRefusal, match="stays as it was"):
        services.change_lesson(lesson, action="Bolt at 60 min", by=technician, at=NOON)


def test_a_proof_that_does_not_hold_is_withdrawn_and_kept_in_the_logbook(lesson, lead, technician):
    services.prove_lesson(lesson, proof="Two casts", by=lead, at=NOON)
    services.withdraw_proof(lesson, reason="Seen on the third", by=lead, at=NOON)
    assert not Lesson.objects.get().is_proven
    assert Entry.objects.get(act="lesson.proof-withdrawn").details == {"proof": "Two casts"}


def test_each_cast_is_one_stroke(lesson, block, technician):
    cast = make.cast(block, technician)
    services.log_sighting(lesson, cast=cast, by=technician, at=NOON)
    with pytest.raises(LessonsRefusal, match="one stroke"):
        services.log_sighting(lesson, cast=cast, by=technician, at=NOON)
    assert lesson.sightings.count() == 1


@pytest.mark.parametrize(
    ("given", "code"), [({}, "nowhere"), ({"note": "Bay 2", "seen_at": NOON + timedelta(days=1)}, "future")]
)
def test_a_sighting_says_where_and_not_tomorrow(lesson, technician, given, code):
    with pytest.raises(LessonsRefusal) as refused:
        services.log_sighting(lesson, by=technician, at=NOON, **given)
    assert refused.value.code == code


@pytest.mark.parametrize("kind", ["lesson", "trial", "cast"])
def test_a_photo_belongs_to_a_lesson_a_trial_or_a_cast(kind, lesson, trial, block, technician):
    record = {"lesson": lesson, "trial": trial, "cast": make.cast(block, technician)}[kind]
    photo = services.add_photo(record, file=encoded(size=(120, 160)), caption="Joint", by=technician, at=NOON)
    assert photo.record == record
    assert photo.trail == record.trail
    assert (photo.width, photo.height) == (120, 160)


def test_the_time_on_the_camera_is_read_in_the_kits_zone(lesson, technician):
    make.kit().__class__.objects.update(time_zone="Asia/Tokyo")
    photo = services.add_photo(Lesson.objects.get(), file=taken_photo(), by=technician, at=NOON)
    assert photo.taken_at.isoformat() == "2026-03-02T10:15:00+09:00"


def test_a_camera_whose_clock_runs_ahead_is_not_believed(lesson, technician):
    early = NOON.replace(month=1)
    assert services.add_photo(lesson, file=taken_photo(), by=technician, at=early).taken_at is None


def test_a_file_that_is_no_photo_leaves_nothing_behind(lesson, technician):
    with pytest.raises(LessonsRefusal):
        services.add_photo(lesson, file=b"%PDF-1.7", by=technician, at=NOON)
    assert not Photo.objects.exists()
    assert not Entry.objects.exists()


def test_marks_are_numbered_on_their_photo(lesson, technician):
    photo = services.add_photo(lesson, file=encoded(size=(120, 160)), by=technician, at=NOON)
    for text in ("Crown", "Bolt"):
        services.mark_photo(photo, x=0.5, y=0.25, text=text, by=technician, at=NOON)
    assert [str(mark) for mark in photo.marks.all()] == ["1 Crown", "2 Bolt"]


@pytest.mark.parametrize("given", [{"x": 1.01}, {"y": -0.1}, {"text": " "}])
def test_a_mark_outside_the_photo_or_without_words_is_refused(lesson, technician, given):
    photo = services.add_photo(lesson, file=encoded(size=(120, 160)), by=technician, at=NOON)
    with pytest.raises(LessonsRefusal):
        services.mark_photo(photo, **({"x": 0.5, "y": 0.5, "text": "Crown"} | given), by=technician, at=NOON)
    assert not photo.marks.exists()
