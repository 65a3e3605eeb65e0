"""The pages of lessons and photos: who may do what, what is shown, what a list costs. All records are invented."""

import re
import uuid
from datetime import timedelta

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from lessons import services
from lessons.forms.photos import AGAIN, WIDTHS
from lessons.models import Lesson, Photo, PhotoMark, Sighting
from logbook.models import Entry
from tests import make
from tests.lessons.test_pictures import BAD, encoded
from tests.make import NOON

pytestmark = pytest.mark.django_db


def at(name, *args):
    return reverse(f"lessons:{name}", args=["TPW", *args])


def upload(content=None, name="seat.jpg"):
    return SimpleUploadedFile(name, content if content is not None else encoded(size=(120, 160)), "image/jpeg")


@pytest.fixture
def room(lead, technician):
    """A lesson written by the technician, not proven; one that is proven; a photo; a cast; a trial."""
    block = make.revision(author=lead)
    cast = make.cast(block, technician)
    trial = make.trial(make.mockup(), technician)
    lesson = make.lesson(
        block.component, technician, action="Bolt at 45 min", seen_in_trial=trial, blocking=True, proof_wanted="Two"
    )
    make.lesson(
        block.component, technician, "L-02", action="Oil it", proven_at=NOON, proven_by=lead, proof="Dry", title="Pits"
    )
    photo = services.add_photo(lesson, file=encoded(size=(120, 160)), by=technician, at=NOON)
    Entry.objects.all()._raw_delete("default")
    return {"block": block, "cast": cast, "trial": trial, "lesson": lesson, "photo": photo}


@pytest.fixture
def later(monkeypatch):
    monkeypatch.setattr(timezone, "now", lambda: NOON + timedelta(days=60))


def new_lesson(x, **given):
    usual = {"title": "Seat rocks", "component": x["block"].component_id, "what_happened": "It rocks by 2 mm"}
    return usual | given


# What each writing page is sent, the record it makes, and who may.
WRITERS = ("lead", "technician", "site_person")
MAKERS = ("lead", "technician")
WRITES = {
    "write": (lambda x: (at("write"), new_lesson(x)), Lesson, WRITERS),
    "seen": (lambda x: (at("seen", "L-01"), {"cast": x["cast"].pk}), Sighting, WRITERS),
    "add-photo": (lambda x: (at("add-photo", "lesson", "L-01"), {"photos": upload()}), Photo, WRITERS),
    "mark-photo": (
        lambda x: (at("mark-photo", x["photo"].pk), {"text": "Crown", "across": "50", "down": "25,5"}),
        PhotoMark,
        MAKERS,
    ),
    "change": (
        lambda x: (at("change", "L-01"), new_lesson(x, title="Seat grows", cause="Lid")),
        None,
        MAKERS,
    ),
    "prove": (lambda x: (at("prove", "L-01"), {"proof": "Two casts"}), None, ("lead",)),
    "withdraw-proof": (lambda x: (at("withdraw-proof", "L-02"), {"reason": "Seen on a third"}), None, ("lead",)),
}
EVERYBODY = ("lead", "technician", "site_person", "visitor", "stranger")


@pytest.mark.parametrize(("name", "who"), [(name, who) for name in WRITES for who in WRITES[name][2]])
def test_who_may_does(name, who, room, signed_in, request, later):
    made, model, _ = WRITES[name]
    url, form = made(room)
    before = model.objects.count() if model else 0
    answer = signed_in(request.getfixturevalue(who)).post(url, form)
    assert answer.status_code == 302, answer.context["form"].errors
    assert Entry.objects.exists()
    assert model is None or model.objects.count() == before + 1


@pytest.mark.parametrize(
    ("name", "who"), [(name, who) for name in WRITES for who in EVERYBODY if who not in WRITES[name][2]]
)
def test_others_are_refused_and_nothing_changes(name, who, room, signed_in, request, later):
    made, model, _ = WRITES[name]
    url, form = made(room)
    before = model.objects.count() if model else 0
    assert signed_in(request.getfixturevalue(who)).post(url, form).status_code == 403
    assert not Entry.objects.exists()
    assert model is None or model.objects.count() == before


@pytest.mark.parametrize("name", list(WRITES))
def test_who_is_not_signed_in_is_asked_to(name, room, client):
    url, form = WRITES[name][0](room)
    assert "next=" in client.post(url, form).url
    assert not Entry.objects.exists()


@pytest.mark.parametrize("name", list(WRITES))
def test_other_methods_are_refused(name, room, lead, signed_in):
    url, _ = WRITES[name][0](room)
    session = signed_in(lead)
    assert session.put(url).status_code == session.delete(url).status_code == 405
    assert not Entry.objects.exists()


@pytest.mark.parametrize("name", [name for name in WRITES if name != "mark-photo"])
def test_every_form_opens(name, room, lead, signed_in):
    assert signed_in(lead).get(WRITES[name][0](room)[0]).status_code == 200


READS = {
    "list": lambda x: at("list"),
    "lesson": lambda x: at("lesson", "L-01"),
    "revision_lessons": lambda x: at("revision_lessons", "SB-02", "A"),
    "photo": lambda x: at("photo", x["photo"].pk),
    "photo-file": lambda x: at("photo-file", x["photo"].pk, "full"),
    "thumbnail": lambda x: at("photo-file", x["photo"].pk, "small"),
}


@pytest.mark.parametrize("name", list(READS))
def test_every_page_is_read_by_a_visitor_and_by_nobody_without_a_role(name, room, visitor, stranger, client, signed_in):
    url = READS[name](room)
    assert signed_in(visitor).get(url).status_code == 200
    assert signed_in(stranger).get(url).status_code == 403
    assert client.get(url).status_code == 302
    assert signed_in(visitor).post(url).status_code == 405


def test_what_is_not_there_is_not_found(room, lead, signed_in):
    session = signed_in(lead)
    pk = room["photo"].pk
    for url in (
        at("lesson", "X"),
        at("photo", pk + 1),
        at("photo-file", pk, "huge"),
        at("add-photo", "cast", "X"),
        at("add-photo", "mould", "X"),
    ):
        assert session.get(url).status_code == 404


def test_a_photo_of_another_kit_is_not_found(room, lead, signed_in):
    make.kit("OTHER")
    url = reverse("lessons:photo", args=["OTHER", room["photo"].pk])
    assert signed_in(lead).get(url).status_code == 404


def test_the_file_of_a_photo_is_served_as_a_picture_that_never_changes(room, visitor, signed_in):
    answer = signed_in(visitor).get(READS["photo-file"](room))
    assert answer["Content-Type"] == "image/jpeg"
    assert "immutable" in answer["Cache-Control"]
    assert b"".join(answer.streaming_content).startswith(b"\xff\xd8\xff")


def test_blocking_lessons_come_first(room, technician, visitor, signed_in):
    make.lesson(room["block"].component, technician, "L-03", written_at=NOON + timedelta(days=3), title="Newer")
    rows = signed_in(visitor).get(at("list")).context["rows"]
    assert [row["lesson"].code for row in rows] == ["L-01", "L-03", "L-02"]
    assert [row["standing"].mark for row in rows] == ["fail", "missing", "pass"]


@pytest.mark.parametrize(("show", "codes"), [("all", 2), ("blocking", 1), ("again", 0), ("nonsense", 2)])
def test_the_list_shows_what_is_asked_for(room, show, codes, visitor, signed_in):
    assert len(signed_in(visitor).get(at("list") + f"?show={show}").context["rows"]) == codes


def test_an_empty_list_says_what_lessons_are_for(lead, signed_in):
    make.kit()
    assert b"went otherwise than meant" in signed_in(lead).get(at("list")).content


def test_the_writer_is_not_offered_to_prove_the_lesson(room, lead, technician, signed_in):
    room["lesson"].__class__.objects.update(written_by=lead)
    assert b"Say that it is proven" not in signed_in(lead).get(at("lesson", "L-01")).content
    answer = signed_in(lead).post(at("prove", "L-01"), {"proof": "Two"})
    assert "Somebody else" in answer.content.decode()


def test_the_cast_one_comes_from_is_filled_in(room, technician, signed_in):
    form = signed_in(technician).get(at("write") + "?cast=TP-SB-0001").context["form"]
    assert (form.initial["cast"], form.initial["component"]) == (room["cast"], room["block"].component_id)


def test_a_lesson_with_photos_is_written_in_one_go(room, technician, signed_in):
    form = new_lesson(room, photos=[upload(), upload(encoded(colour=9), "joint.jpg")], cast=room["cast"].pk)
    answer = signed_in(technician).post(at("write"), form)
    lesson = Lesson.objects.get(code="L-03")
    assert answer.url == lesson.get_absolute_url()
    assert (lesson.photos.count(), lesson.sightings.count()) == (2, 1)


@pytest.mark.parametrize("name", list(BAD))
def test_a_file_that_is_no_photo_is_said_by_name_and_nothing_typed_is_lost(name, room, technician, signed_in):
    content, _, words = BAD[name]
    form = new_lesson(room, cause="The lid was bolted early", photos=upload(content))
    answer = signed_in(technician).post(at("write"), form)
    assert answer.status_code == 200
    said = " ".join(answer.context["form"].errors["photos"])
    assert words in said
    assert "seat.jpg" in said
    assert "The lid was bolted early" in answer.content.decode()
    assert Lesson.objects.count() == 2


def test_a_good_photo_must_be_chosen_again_when_something_else_is_wrong(room, technician, signed_in):
    answer = signed_in(technician).post(at("write"), new_lesson(room, title="", photos=upload()))
    assert answer.context["form"].errors["photos"] == [AGAIN]


def test_a_good_photo_must_be_chosen_again_when_the_lesson_is_refused(room, technician, signed_in):
    answer = signed_in(technician).post(at("write"), new_lesson(room, blocking="on", photos=upload()))
    assert "what proves its fix" in answer.context["form"].errors["proof_wanted"][0]
    assert answer.context["form"].errors["photos"] == [AGAIN]
    assert Photo.objects.count() == 1


def test_more_than_eight_photos_at_once_are_refused(room, technician, signed_in):
    form = {"photos": [upload(b"x", f"{n}.jpg") for n in range(9)]}
    answer = signed_in(technician).post(at("add-photo", "lesson", "L-01"), form)
    assert "8 photos at most" in answer.context["form"].errors["photos"][0]


def test_a_form_pressed_twice_writes_one_lesson(room, technician, signed_in):
    form = new_lesson(room) | {"once": str(uuid.uuid4())}
    session = signed_in(technician)
    assert session.post(at("write"), form).url == session.post(at("write"), form).url
    assert Lesson.objects.count() == 3


@pytest.mark.parametrize("width", list(WIDTHS))
def test_a_place_touched_is_marked_at_its_share_of_the_photo(room, width, technician, signed_in):
    wide = WIDTHS[width]
    touch = {"text": "Crown", f"{width}.x": wide // 2, f"{width}.y": wide // 3}
    assert signed_in(technician).post(at("mark-photo", room["photo"].pk), touch).status_code == 302
    mark = PhotoMark.objects.get()
    assert (mark.x, mark.y) == (pytest.approx(0.5, abs=0.002), pytest.approx(0.25, abs=0.002))


def test_a_place_touched_before_its_words_is_kept(room, technician, signed_in):
    answer = signed_in(technician).post(at("mark-photo", room["photo"].pk), {"middle.x": 310, "middle.y": 0})
    assert answer.status_code == 200
    assert answer.context["form"]["across"].value() == "50.00"
    assert not PhotoMark.objects.exists()


@pytest.mark.parametrize(
    ("given", "field", "words"),
    [
        ({}, "across", "Touch the place"),
        ({"wide.x": 0, "wide.y": 0}, "across", "Touch the place"),
        ({"across": "120", "down": "5"}, "across", "Too high"),
        ({"across": "half", "down": "5"}, "across", "not a number"),
        ({"across": "5", "down": "5", "text": ""}, "text", "Say what is to be seen"),
    ],
)
def test_a_mark_without_a_place_is_refused(room, given, field, words, technician, signed_in):
    answer = signed_in(technician).post(at("mark-photo", room["photo"].pk), {"text": "Crown"} | given)
    assert words in answer.context["form"].errors[field][0]
    assert not PhotoMark.objects.exists()


def test_a_marked_photo_is_drawn_with_its_balloons(room, technician, visitor, signed_in):
    services.mark_photo(room["photo"], x=0.5, y=0.5, text="Crown", by=technician, at=NOON)
    page = signed_in(visitor).get(at("lesson", "L-01")).content.decode()
    assert len(re.findall(r'<circle class="halo"', page)) == 1
    assert 'aria-label="Photo, with 1\u00a0numbered mark"' in page


def test_the_page_of_a_cast_shows_its_photos_and_lessons(room, technician, visitor, signed_in):
    services.add_photo(room["cast"], file=encoded(size=(120, 160)), caption="In its mould", by=technician, at=NOON)
    services.log_sighting(room["lesson"], cast=room["cast"], by=technician, at=NOON)
    page = signed_in(visitor).get(reverse("casting:cast", args=["TPW", "TP-SB-0001"])).content.decode()
    assert "In its mould" in page
    assert at("lesson", "L-01") in page


def many(room, by, count, first=10):
    """count more lessons, sightings, photos, questions, each with everything that a row shows."""
    part, mockup = room["block"].component, room["trial"].mockup
    file = room["photo"].file
    for number in range(first, first + count):
        fields = {"owner": by, "carried_by": room["block"], "proven_in": room["trial"], "seen_in_trial": room["trial"]}
        lesson = make.lesson(part, by, f"L-{number}", **fields)
        cast = make.cast(room["block"], by, f"TP-SB-01{number}")
        Sighting.objects.create(lesson=lesson, cast=cast, trial=room["trial"], at=NOON, logged_by=by)
        Sighting.objects.create(lesson=room["lesson"], cast=cast, at=NOON, logged_by=by)
        size = {"width": 1200, "height": 1600, "file": file, "thumbnail": file}
        photo = Photo.objects.create(lesson=room["lesson"], added_by=by, added_at=NOON, **size)
        PhotoMark.objects.create(photo=photo, number=1, x=0.5, y=0.5, text="Crown")
        make.question(mockup, by, f"Q-{number}", [part], answer="No", answered_at=NOON, answered_in=room["trial"])


@pytest.mark.parametrize("name", ["list", "lesson", "revision_lessons"])
def test_a_list_costs_the_same_for_2_and_for_20_rows(name, room, technician, visitor, signed_in):
    session, url = signed_in(visitor), READS[name](room)
    many(room, technician, 2)
    session.get(url)
    with CaptureQueriesContext(connection) as few:
        session.get(url)
    many(room, technician, 18, first=40)
    with CaptureQueriesContext(connection) as lots:
        session.get(url)
    assert len(few) == len(lots)
