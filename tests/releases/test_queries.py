"""What the pages of release read: the board of a kit, holds and what they stop, what changed since a signature."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext

from parts.models import Revision
from releases import queries, services
from releases.gate import evaluate
from tests import make
from tests.inspection.rows import make_result, make_scan

pytestmark = pytest.mark.django_db
LATER = make.NOON + timedelta(hours=1)


@pytest.fixture
def shop(revision, technician):
    """Two pieces of one revision from different moulds and batches, and one of another component."""
    first = make.cast(revision, technician, batch=make.batch(technician), mould=make.mould(revision))
    second = make.cast(revision, technician, "TP-SB-0002", batch=make.batch(technician, "B-02"))
    panel = make.revision(make.component("PC-01"), author=revision.author, cautions="Gloves.")
    third = make.cast(panel, technician, "TP-PC-0001", batch=first.batch)
    return {"revision": revision, "first": first, "second": second, "third": third}


STOPPED = {
    "cast": (lambda x: x["first"], {"TP-SB-0001"}),
    "revision": (lambda x: x["revision"], {"TP-SB-0001", "TP-SB-0002"}),
    "mould": (lambda x: x["first"].mould, {"TP-SB-0001"}),
    "batch": (lambda x: x["first"].batch, {"TP-SB-0001", "TP-PC-0001"}),
}


@pytest.mark.parametrize("what", STOPPED)
def test_a_hold_stops_the_pieces_that_it_names_and_no_others(what, shop, lead):
    subject, serials = STOPPED[what]
    hold = services.place_hold(on=subject(shop), by=lead, reason="Crack.")
    casts = [shop["first"], shop["second"], shop["third"]]
    found = queries.open_holds_on(casts)
    assert {cast.serial for cast in queries.casts_under(hold)} == serials
    assert {cast.serial for cast in casts if found[cast.pk] == [hold]} == serials
    services.lift_hold(hold=hold, by=lead, why="No crack.")
    assert not any(queries.open_holds_on(casts).values())


def test_pieces_without_mould_or_batch_are_not_caught_by_a_hold_on_another(shop, lead, technician):
    loose = make.cast(shop["revision"], technician, "TP-SB-0003")
    services.place_hold(on=shop["second"], by=lead, reason="Crack.")
    assert queries.open_holds_on([loose]) == {loose.pk: []}


@pytest.mark.parametrize("what", STOPPED)
def test_a_held_component_is_stopped_on_the_board(what, shop, lead):
    services.place_hold(on=STOPPED[what][0](shop), by=lead, reason="Crack.")
    groups = {row.component.part_number: row.group for row in queries.board(make.kit(), LATER)}
    held = {"SB-02", "PC-01"} if what == "batch" else {"SB-02"}
    assert {number for number, group in groups.items() if group == "stopped"} == held


@pytest.mark.parametrize("what", ["revision", "mould", "batch"])
def test_nobody_casts_what_is_on_hold(what, shop, lead):
    services.place_hold(on=STOPPED[what][0](shop), by=lead, reason="Crack.")
    args = shop["revision"], shop["first"].mould, shop["first"].batch
    assert "is on hold (H-01): Crack. Ask the lead before you pour." in queries.stop_on_hold(*args)
    assert (queries.stop_on_hold(shop["revision"], None, None) is None) is (what != "revision")


def test_the_board_shows_the_buildable_revision_and_the_newest_under_way(put_forward, second_lead, lead):
    services.sign_off(revision=put_forward, by=second_lead, at=LATER)
    for letter, state in (("B", "withdrawn"), ("C", "on trial"), ("D", "in preparation")):
        make.revision(put_forward.component, letter, author=lead, state=state)
    (row,) = queries.board(make.kit(), LATER)
    assert (row.buildable.letter, row.trial.letter, row.shown.letter) == ("A", "D", "D")
    assert row.reading.revision == row.trial


@pytest.mark.parametrize(
    ("state", "cautions", "group"),
    [("on trial", "Gloves.", "waiting"), ("on trial", "", "waiting"), ("buildable", "Gloves.", "buildable")],
)
def test_a_component_stands_in_the_group_of_its_revision(state, cautions, group, open_gate, lead):
    make.revision(author=lead, state=state, cautions=cautions)
    assert [row.group for row in queries.board(make.kit(), LATER)] == [group]


def test_a_component_without_a_revision_waits(db):
    make.component()
    (row,) = queries.board(make.kit(), LATER)
    assert (row.group, row.shown, row.reading) == ("waiting", None, None)


def test_other_kits_are_not_on_the_board(revision):
    other = make.kit("OTHER", name="Other")
    assert queries.board(other, LATER) == []


def test_the_board_costs_the_same_for_two_components_and_twenty(open_gate, lead, technician):
    def build(numbers):
        for n in numbers:
            revision = make.revision(make.component(f"P-{n:02}"), author=lead, cautions="Gloves.")
            piece = make.cast(revision, technician, f"S-{n}", batch=make.batch(technician, f"B-{n}"))
            services.place_hold(on=(piece, piece.batch, revision)[n % 3], by=lead, reason="Crack.")

    build(range(6))
    with CaptureQueriesContext(connection) as few:
        queries.board(make.kit(), LATER)
    build(range(6, 20))
    with CaptureQueriesContext(connection) as many:
        queries.board(make.kit(), LATER)
    assert len(few) == len(many)


def test_evidence_that_changes_after_the_signature_is_named(put_forward, second_lead):
    release = services.sign_off(revision=put_forward, by=second_lead, at=LATER)
    fresh = Revision.objects.select_related("component__kit").get(pk=put_forward.pk)
    assert queries.changed_since_signed(release, evaluate([fresh], LATER)[fresh.pk]) == []
    Revision.objects.filter(pk=fresh.pk).update(cautions="")
    fresh = Revision.objects.select_related("component__kit").get(pk=fresh.pk)
    (changed,) = queries.changed_since_signed(release, evaluate([fresh], LATER)[fresh.pk])
    assert (changed.row.code, changed.signed, changed.worse) == ("cautions", "pass", True)


def test_the_trend_has_the_newest_scan_of_each_cast_over_all_revisions(revision, lead, technician):
    arm = make.instrument("A-01", kind="arm")
    make.geometry(revision, lead)
    first, second = (make.cast(revision, technician, f"TP-SB-000{n}") for n in (1, 2))
    make_result(make_scan(first, arm, technician, "S-01"), worst=2.1)
    make_result(make_scan(first, arm, technician, "S-02", make.NOON + timedelta(days=1)), worst=-0.9)
    make_result(make_scan(second, arm, technician, "S-03", withdrawn_at=LATER), worst=5)
    later = make.revision(revision.component, "B", author=lead)
    make.geometry(later, lead, content=b"solid b")
    make_result(make_scan(make.cast(later, technician, "TP-SB-0003"), arm, technician, "S-04"), worst=0.4)
    points = queries.trend(revision.component)
    assert [(point.letter, point.serial, point.worst) for point in points] == [
        ("A", "TP-SB-0001", -0.9),
        ("B", "TP-SB-0003", 0.4),
    ]
