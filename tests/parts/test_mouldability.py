"""Mouldability of a nominal: asked for, judged by its job, read out on its page, with the roles that may."""

from datetime import timedelta
from decimal import Decimal

import pytest
from django.db import connection
from django.test.utils import CaptureQueriesContext
from django.urls import reverse
from django.utils import timezone

from logbook.models import Entry
from parts import mould_job, work
from parts.mould_forms import MouldabilityForm
from parts.mould_models import MouldabilityCheck
from parts.mouldability import Reading
from parts.services import set_geometry
from parts.services.mouldability import ask_mouldability
from tests import make
from tests.parts.mesh_files import cube_obj
from tests.refusals import refused

pytestmark = pytest.mark.django_db
SHEET = ["TPW", "SB-02", "A"]
FORM = {"kind": "open-face", "pull": "up", "pull_numbers": "", "fill_at": "", "draft_wanted": "2", "wall_wanted": ""}


@pytest.fixture
def revision(lead):
    made = make.revision(author=lead)
    make.geometry(made, lead, content=cube_obj(), original_name="cube.obj")
    return made


@pytest.fixture
def ask(revision, technician):
    def act(**values):
        standard = {"kind": "open-face", "pull": (0, 0, 1), "by": technician}
        return ask_mouldability(revision, **(standard | values))

    return act


def judged(check):
    assert mould_job.run(check.pk, check.attempt)
    check.refresh_from_db()
    return check


def test_a_check_is_judged_by_its_job_and_kept_with_the_nominals_hash(ask):
    check = judged(ask(wall_wanted=Decimal(120)))
    assert check.state == "done"
    assert check.sentence.startswith("Comes out upwards: no undercut; least draft angle 0.0° (2.0° is wanted) on the ")
    assert check.figures["wall"] == pytest.approx(100)
    assert check.figures["litres"] == pytest.approx(1.0)
    assert check.above.media_type == check.below.media_type == "image/png"
    entry = Entry.objects.get(act="mouldability.judged")
    assert entry.details["nominal"] == check.geometry.file.sha256
    assert entry.sentence.startswith("Mouldability of SB-02 A: Comes out upwards")


def test_asking_writes_its_entry_and_hands_the_job_over(ask, settings, django_capture_on_commit_callbacks):
    settings.TASKS = {"default": {"BACKEND": "django_tasks_db.DatabaseBackend"}}
    from django_tasks_db.models import DBTaskResult

    with django_capture_on_commit_callbacks(execute=True):
        check = ask()
    assert DBTaskResult.objects.get().args_kwargs["args"] == [check.pk, 1]
    assert Entry.objects.get().act == "mouldability.asked"


def test_what_cannot_be_asked_is_refused(ask, revision):
    refused("unusable", ask, kind="three-part")
    refused("unusable", ask, pull=(0, 0, 0))
    refused("unusable", ask, draft_wanted=Decimal(60))
    refused("unusable", ask, wall_wanted=Decimal(0))
    revision.geometry.update(current=False)
    refused("no-nominal", ask)


def test_a_nominal_that_cannot_be_judged_fails_with_its_reason(lead):
    made = make.revision(author=lead)
    make.geometry(made, lead, content=b"no mesh at all", original_name="nominal.obj")
    check = judged(ask_mouldability(made, kind="open-face", by=lead))
    assert (check.state, check.code_version) == ("failed", "")
    assert check.error and Entry.objects.get(act="mouldabilitycheck.failed")


def test_an_open_nominal_says_what_is_not_known(lead):
    made = make.revision(author=lead)
    make.geometry(made, lead, content=cube_obj(without=1), original_name="open.obj")
    check = judged(ask_mouldability(made, kind="two-part", pull=(0, 0, 1), by=lead))
    assert check.figures["wall"] is None and check.figures["volume"] is None
    facts = {fact.name: fact.value for fact in Reading(check, made).facts}
    assert facts["Thinnest wall"] == facts["Volume"] == "not known"


def test_an_attempt_is_judged_once(ask):
    check = ask()
    assert mould_job.run(check.pk, 1)
    assert not mould_job.run(check.pk, 1)
    assert Entry.objects.filter(act="mouldability.judged").count() == 1


def test_a_waiting_job_is_stopped_at_once_and_a_running_one_at_its_next_step(ask, technician):
    waiting = ask()
    work.ask_stop(waiting, by=technician)
    assert waiting.state == "stopped"
    assert not mould_job.run(waiting.pk, 1)
    running = ask()
    MouldabilityCheck.objects.filter(pk=running.pk).update(state="running")
    running.refresh_from_db()
    report = work.Reporter(running, mould_job.STAGES)
    report("reading", 0.5)
    work.ask_stop(running, by=technician)
    with pytest.raises(work.Stopped):
        report("judging", 0.0)


def test_a_job_whose_worker_died_is_taken_up_once(ask):
    check = ask()
    handed = []
    stale = {"state": "running", "heartbeat": timezone.now() - timedelta(minutes=9)}
    MouldabilityCheck.objects.filter(pk=check.pk).update(**stale)
    said = work.recover(MouldabilityCheck, lambda *args: handed.append(args))
    check.refresh_from_db()
    assert (check.state, check.attempt, check.revived) == ("waiting", 2, True)
    assert "taken up again" in said
    MouldabilityCheck.objects.filter(pk=check.pk).update(**stale)
    assert "ended" in work.recover(MouldabilityCheck, lambda *args: handed.append(args))
    check.refresh_from_db()
    assert (check.state, check.error_code) == ("failed", "worker-died")


def test_an_unexpected_error_is_told_without_its_traceback(ask, monkeypatch):
    def broken(*args, **kwargs):
        raise RuntimeError("secret inside")

    monkeypatch.setattr(mould_job, "mouldability", broken)
    check = judged(ask())
    assert check.error_code == "unexpected" and "secret" not in check.error


@pytest.mark.parametrize("text", ["0; 0; 1", "0 0 1", "(0, 0, 1)", "0;0;1,0", "0,0,1"])
def test_three_numbers_as_people_write_them(text, revision):
    form = MouldabilityForm(FORM | {"pull": "numbers", "pull_numbers": text}, component=revision.component)
    assert form.is_valid() and form.asked()["pull"] == (0, 0, 1)


@pytest.mark.parametrize("text", ["", "1; 2", "up", "0; 0; 1; 0"])
def test_no_three_numbers_are_refused_beside_their_field(text, revision):
    form = MouldabilityForm(FORM | {"pull": "numbers", "pull_numbers": text}, component=revision.component)
    assert not form.is_valid() and form.errors["pull_numbers"]


def url():
    return reverse("parts:mouldability", args=SHEET)


@pytest.mark.parametrize(
    ("who", "status"), [("lead", 302), ("technician", 302), ("site_person", 403), ("visitor", 403), ("stranger", 403)]
)
def test_who_may_ask(who, status, revision, request, signed_in):
    person = request.getfixturevalue(who)
    answer = signed_in(person).post(url(), FORM)
    assert answer.status_code == status
    assert MouldabilityCheck.objects.count() == (status == 302)


def test_reading_needs_the_permission_and_stopping_a_post(revision, visitor, stranger, signed_in):
    assert signed_in(visitor).get(url()).status_code == 200
    assert signed_in(stranger).get(url()).status_code == 403
    assert signed_in(visitor).put(url()).status_code == 405
    stop = reverse("parts:stop_mouldability", args=SHEET)
    assert signed_in(visitor).get(stop).status_code == 405
    assert signed_in(visitor).post(stop).status_code == 403


def test_what_was_typed_stays_when_it_is_refused(revision, technician, signed_in):
    answer = signed_in(technician).post(url(), FORM | {"draft_wanted": "two", "wall_wanted": "18,5"})
    assert answer.status_code == 200
    assert "“two” is not a number" in answer.content.decode() and "18,5" in answer.content.decode()
    assert not MouldabilityCheck.objects.exists()


def test_the_page_reads_out_what_was_found(ask, technician, signed_in):
    judged(ask())
    page = signed_in(technician).get(url()).content.decode()
    assert "Comes out upwards: no undercut" in page
    assert "mouldability-above.png" in page and "Crush hazard at demoulding" in page
    assert "less draft angle than wanted" in page


def test_the_page_says_when_the_nominal_is_another_by_now(ask, revision, lead, signed_in):
    judged(ask())
    set_geometry(revision, role="nominal", file=cube_obj(90), original_name="cube.obj", unit="mm", by=lead)
    page = signed_in(lead).get(url()).content.decode()
    assert "Judged on an earlier nominal: judge it again." in page


def test_while_it_is_under_way_the_page_asks_for_the_job_alone(ask, technician, signed_in):
    check = ask()
    client = signed_in(technician)
    htmx = {"HTTP_HX_REQUEST": "true"}
    part = client.get(url() + "?part=job", **htmx)
    assert part.status_code == 200 and "<html" not in part.content.decode()
    assert "Mouldability of SB-02 A" in part.content.decode()
    judged(check)
    assert client.get(url() + "?part=job", **htmx).headers["HX-Refresh"] == "true"


def test_the_definition_sheet_has_a_zone_that_costs_one_query(ask, revision, lead, signed_in):
    definition = reverse("parts:definition", args=SHEET)
    client = signed_in(lead)
    client.get(definition)
    counts = []
    for _ in range(2):
        with CaptureQueriesContext(
            connection,
        ) as queries:
            page = client.get(definition).content.decode()
        counts.append(len(queries))
        judged(ask())
        judged(ask())
    assert "Mouldability" in page and counts[0] == counts[1]
