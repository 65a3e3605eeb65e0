"""The home boards: what stops us building, for the lead; my bench today, for the technician."""

from datetime import timedelta

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from inspection.models import GaugeStudy
from inspection.services import plan_gauge_study, withdraw_gauge_study
from logbook.services import record
from parts.models import Revision
from proofmark.boards.bench import bench, said
from proofmark.boards.lead import lead_board
from releases import services
from tests import make
from tests.inspection.rows import make_scan
from tests.releases.conftest import open_gate  # noqa: F401

pytestmark = pytest.mark.django_db
LATER = make.NOON + timedelta(days=40)


def drawn(number, author, **fields):
    return make.revision(make.component(number), author=author, **({"cautions": "Gloves."} | fields))


def line_of(person, number="SB-02", last_entry=0):
    board = lead_board(make.kit(), person, LATER, last_entry)
    return next(
        one for one in (*board.stopped, *board.waiting, *board.buildable) if one.component.part_number == number
    )


def test_components_stand_in_their_groups_held_and_yours_first(open_gate, lead, second_lead):  # noqa: F811
    drawn("A-1", lead, state="buildable")
    drawn("B-1", lead, cautions="")
    drawn("C-1", lead)
    services.place_hold(on=drawn("D-1", lead), by=lead, reason="Crack.")
    board = lead_board(make.kit(), lead, LATER, 0)
    names = [
        [line.component.part_number for line in group] for group in (board.stopped, board.waiting, board.buildable)
    ]
    assert names == [["D-1"], ["C-1", "B-1"], ["A-1"]]
    assert board.sentence.replace("\u00a0", " ") == "1 of 4 components stops the build. 2 wait for your decision."
    assert board.then == "1 buildable, 2 waiting for evidence."


def on_hold(revision, lead):
    services.place_hold(on=revision, by=lead, reason="Crack.")


def forward(revision, lead):
    services.put_forward(revision=revision, by=lead, at=make.NOON)


def no_cautions(revision, lead):
    Revision.objects.update(cautions="")


def buildable(revision, lead):
    Revision.objects.update(state="buildable")


@pytest.mark.parametrize(
    ("what", "who", "whose", "yours", "then"),
    [
        (on_hold, "second_lead", "you", True, "Decide on hold H-01"),
        (on_hold, "technician", "lead", False, "Decide on hold H-01"),
        (forward, "second_lead", "you", True, "Read the evidence and sign"),
        (forward, "lead", "second lead", False, "Read the evidence and sign"),
        (forward, "technician", "second lead", False, "Read the evidence and sign"),
        (lambda revision, lead: None, "lead", "you", True, "Put A forward"),
        (lambda revision, lead: None, "technician", "lead", False, "Put A forward"),
        (buildable, "lead", "", False, ""),
    ],
)
def test_the_board_says_whose_action_comes_next(what, who, whose, yours, then, open_gate, lead, request):  # noqa: F811
    what(drawn("SB-02", lead), lead)
    line = line_of(request.getfixturevalue(who))
    assert (line.whose, line.yours, line.then) == (whose, yours, then)


def test_a_check_that_stops_gives_its_sentence_and_its_owner(open_gate, lead, technician):  # noqa: F811
    no_cautions(drawn("SB-02", lead), lead)
    line = line_of(technician)
    stopping = line.row.reading.stopping[0]
    assert (line.why, line.then, line.whose) == (stopping.finding.sentence, stopping.check.NEXT, stopping.check.OWNER)


def test_a_component_without_a_revision_waits_for_a_drawing(lead):
    make.component()
    line = line_of(lead)
    assert (line.why, line.then) == ("No revision to build.", "Draw the next revision")
    assert {cell.verdict for cell in line.checks} == {"missing"}


def test_changes_are_numbered_newest_first_and_found_again_at_their_component(open_gate, lead, technician):  # noqa: F811
    one, two = drawn("A-1", lead), drawn("B-1", lead)
    record(technician, "cast.logged", one, "Not notable.")
    services.place_hold(on=one, by=lead, reason="Crack.", at=make.NOON)
    services.put_forward(revision=two, by=lead, at=make.NOON)
    board = lead_board(make.kit(), lead, LATER, 0)
    assert [(change.number, change.part_number, change.entry.act) for change in board.changes] == [
        (1, "B-1", "revision.put-forward"),
        (2, "A-1", "hold.placed"),
    ]
    assert (line_of(lead, "A-1").change, line_of(lead, "B-1").change) == (2, 1)
    seen = board.changes[0].entry.number
    assert lead_board(make.kit(), lead, LATER, seen).changes == ()


def test_since_you_last_looked_begins_where_the_look_before_ended(open_gate, lead, signed_in, monkeypatch):  # noqa: F811
    first, second = drawn("A-1", lead), drawn("B-1", lead)
    session, now = signed_in(lead), timezone.now()
    clock = [now]
    monkeypatch.setattr(timezone, "now", lambda: clock[0])

    def look():
        return [change.part_number for change in session.get("/TPW/").context["board"].changes]

    services.place_hold(on=first, by=lead, reason="Crack.")
    assert look() == ["A-1"]
    services.place_hold(on=second, by=lead, reason="Crack.")
    clock[0] = now + timedelta(hours=20)
    assert look() == ["B-1"]
    clock[0] += timedelta(minutes=5)
    assert look() == ["B-1"]  # a second look right after the first still shows what was new
    clock[0] += timedelta(hours=20)
    assert look() == []


def test_the_lead_board_costs_the_same_for_two_components_and_thirty(open_gate, lead, signed_in):  # noqa: F811
    def build(numbers):
        for n in numbers:
            revision = drawn(f"P-{n:02}", lead)
            piece = make.cast(revision, lead, f"S-{n}")
            services.place_hold(on=(revision, piece)[n % 2], by=lead, reason="Crack.")

    session = signed_in(lead)
    build(range(2))
    session.get("/TPW/")
    with CaptureQueriesContext(connection) as few:
        session.get("/TPW/")
    build(range(2, 30))
    with CaptureQueriesContext(connection) as many:
        page = session.get("/TPW/").content.decode()
    assert len(few) == len(many)
    assert "P-29" in page


def work(numbers, by):
    """In every stack of the bench one task per number."""
    mockup = make.mockup(f"MU-{numbers[0]}")
    for n in numbers:
        asked = drawn(f"P-{n:02}", by, strength_required=40, strength_age_days=28)
        make.cast(asked, by, f"M-{n}", demoulded_at=None, standing="in mould")
        make.cast(asked, by, f"O-{n}", batch=make.batch(by, f"B-{n}"))
        make.nonconformity(make.cast(asked, by, f"N-{n}", standing="scrapped"), by, f"N-{n}")
        make.question(mockup, by, f"Q-{n}")
        gauge = make.instrument(f"G-{n:02}")
        plan_gauge_study(
            make.kit(), instrument=gauge, what="Blocks", parts=["1", "2"], appraisers=[by], repeats=2, by=by,
            at=make.NOON + timedelta(hours=n),
        )  # fmt: skip


def counts(stacks):
    return {stack.title: len(stack.tasks) for stack in stacks}


def test_each_stack_of_the_bench_has_its_task(technician):
    work(range(1), technician)
    stacks = bench(make.kit(), LATER)
    assert counts(stacks) == dict.fromkeys(("Demould", "Pour", "Scan", "Read", "Break", "Fix", "Try and answer"), 1)
    tasks = {stack.title: stack.tasks[0] for stack in stacks}
    assert tasks["Demould"].url == reverse("casting:demould", args=["TPW", "M-0"])
    assert tasks["Pour"].url.endswith("?part=P-00")
    assert tasks["Scan"].url == reverse("inspection:upload", args=["TPW", "O-0"])
    assert "40.0 MPa asked at 28 days" in tasks["Break"].about.replace("\u00a0", " ")
    assert tasks["Read"].about.replace("\u00a0", " ") == "Blocks: 0 of 4 readings taken"
    assert said(stacks) == "1 to demould, 1 to pour, 1 to scan, 1 to read, 1 to break, 1 to fix, 1 to try or answer."


def test_what_is_done_leaves_the_bench(technician):
    work(range(1), technician)
    arm = make.instrument("A-01", kind="arm")
    out = make.kit().casts.get(serial="O-0")
    make.strength(out.batch, technician)
    make_scan(out, arm, technician, state="waiting")
    withdraw_gauge_study(GaugeStudy.objects.get(), reason="Not needed", by=technician)
    left = counts(bench(make.kit(), LATER))
    assert (left["Break"], left["Scan"], left["Read"]) == (0, 0, 0)


def test_a_batch_is_not_broken_before_its_age(technician):
    work(range(1), technician)
    assert counts(bench(make.kit(), make.NOON + timedelta(days=27)))["Break"] == 0


def test_a_scan_that_failed_is_to_be_fixed_and_its_piece_scanned_again(technician):
    work(range(1), technician)
    arm = make.instrument("A-01", kind="arm")
    make_scan(make.kit().casts.get(serial="O-0"), arm, technician, state="failed", error="Not a mesh.")
    left = counts(bench(make.kit(), LATER))
    assert (left["Fix"], left["Scan"]) == (2, 1)


@pytest.mark.parametrize(("state", "tasks"), [("on trial", 1), ("in preparation", 0), ("put forward", 0)])
def test_only_a_revision_on_trial_is_poured(state, tasks, technician):
    drawn("SB-02", technician, state=state)
    assert counts(bench(make.kit(), LATER))["Pour"] == tasks


def test_a_hold_is_said_beside_the_task(technician, lead):
    work(range(1), technician)
    services.place_hold(on=make.kit().casts.get(serial="M-0"), by=lead, reason="Crack.")
    assert bench(make.kit(), LATER)[0].tasks[0].held == "Crack."


def test_an_empty_bench_says_so(technician, signed_in):
    make.kit()
    page = signed_in(technician).get("/TPW/bench/").content.decode()
    assert "Nothing waits on the bench." in page
    assert "Nothing stands in a mould." in page


def test_the_bench_costs_the_same_for_two_and_twenty_of_each(technician, signed_in):
    session, url = signed_in(technician), "/TPW/bench/"
    work(range(2), technician)
    session.get(url)
    with CaptureQueriesContext(connection) as few:
        session.get(url)
    work(range(2, 20), technician)
    with CaptureQueriesContext(connection) as many:
        page = session.get(url).content.decode()
    assert len(few) == len(many)
    assert "M-19" in page


@pytest.mark.parametrize("url", ["/TPW/", "/TPW/bench/"])
def test_boards_are_read_with_a_role_and_only_read(url, visitor, stranger, client, signed_in):
    make.kit()
    assert signed_in(visitor).get(url).status_code == 200
    assert signed_in(stranger).get(url).status_code == 403
    assert client.get(url).status_code == 302
    assert signed_in(visitor).post(url).status_code == 405


@pytest.mark.parametrize(
    ("who", "to"),
    [("lead", "/TPW/"), ("technician", "/TPW/bench/"), ("site_person", "/TPW/sites/NORTH/"), ("visitor", "/TPW/")],
)
def test_home_leads_each_person_to_the_board_of_their_work(who, to, signed_in, request):
    make.site()
    assert signed_in(request.getfixturevalue(who)).get("/").url == to


def test_a_part_that_a_characteristic_stops_leads_to_its_casts_over_the_pours(lead):
    revision = drawn("B-1", lead)
    make.characteristic(revision)
    assert line_of(lead, "B-1").pours == "/TPW/parts/B-1/A/characteristics/"


def test_a_part_that_no_characteristic_stops_does_not(open_gate, lead):  # noqa: F811
    drawn("C-1", lead)
    assert line_of(lead, "C-1").pours == ""
