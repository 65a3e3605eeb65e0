"""Putting forward, signing, holding: who may, when, and exactly one effect."""

from datetime import timedelta

import pytest

from logbook.models import Entry
from logbook.services import verify
from parts.models import Revision
from releases import services
from releases.errors import GateClosed, NotNow, NotYours
from releases.gate import CHECKS
from releases.models import CheckResult, Hold, Release, SignOff
from tests import make

pytestmark = pytest.mark.django_db


def sign(revision, by):
    return services.sign_off(revision=revision, by=by, at=make.NOON + timedelta(hours=1))


def test_a_second_lead_makes_a_revision_buildable(put_forward, second_lead):
    release = sign(put_forward, second_lead)
    assert Revision.objects.get(pk=put_forward.pk).state == "buildable"
    assert release.sign_offs.get().signed_name == "Kit Marsden"


def test_the_author_may_not_sign(put_forward, lead):
    with pytest.raises(NotYours, match="author may not sign"):
        sign(put_forward, lead)
    assert Revision.objects.get(pk=put_forward.pk).state == "put forward"


def test_a_revision_that_was_not_put_forward_cannot_be_signed(revision, second_lead):
    with pytest.raises(NotNow, match="on trial"):
        sign(revision, second_lead)


def test_a_stopping_check_refuses_the_signature_with_its_sentence(put_forward, second_lead):
    Revision.objects.filter(pk=put_forward.pk).update(cautions="")
    with pytest.raises(GateClosed, match="No cautions stated"):
        sign(put_forward, second_lead)
    assert not Release.objects.exists()


def test_a_stopping_check_refuses_putting_forward(revision, lead):
    Revision.objects.filter(pk=revision.pk).update(cautions="")
    revision.refresh_from_db()
    with pytest.raises(GateClosed):
        services.put_forward(revision=revision, by=lead)


def test_signing_twice_has_one_effect(put_forward, second_lead):
    sign(put_forward, second_lead)
    with pytest.raises(NotNow, match="Kit Marsden signed it"):
        sign(put_forward, second_lead)
    assert SignOff.objects.count() == 1


def test_the_old_revision_is_superseded_in_the_same_act(put_forward, second_lead, lead):
    sign(put_forward, second_lead)
    later = make.revision(put_forward.component, "B", author=lead, cautions="Wet cement burns.")
    services.put_forward(revision=later, by=lead, at=make.NOON)
    sign(later, second_lead)
    states = dict(Revision.objects.values_list("letter", "state"))
    assert states == {"A": "superseded", "B": "buildable"}
    assert Release.objects.filter(ended_at__isnull=True).get().revision == later


def test_sign_off_freezes_every_check(put_forward, second_lead):
    sign(put_forward, second_lead)
    assert list(CheckResult.objects.values_list("check_code", flat=True)) == [check.CODE for check in CHECKS]


def test_a_revision_on_hold_cannot_be_signed(put_forward, second_lead, lead):
    services.place_hold(on=put_forward, by=lead, reason="Crack at the insert.")
    with pytest.raises(NotNow, match="on hold"):
        sign(put_forward, second_lead)


def test_a_hold_is_lifted_once_with_a_reason(revision, lead):
    hold = services.place_hold(on=revision, by=lead, reason="Crack.")
    with pytest.raises(NotNow, match="what was found"):
        services.lift_hold(hold=hold, by=lead, why=" ")
    services.lift_hold(hold=hold, by=lead, why="Dye test: no crack.")
    with pytest.raises(NotNow, match="lifted already"):
        services.lift_hold(hold=hold, by=lead, why="Again.")


def test_a_concession_needs_a_second_person(revision, lead, second_lead):
    wanted = dict(revision=revision, check_code="strength", reason="Low load.", expires_on=make.NOON.date(), quantity=4)
    with pytest.raises(NotYours):
        services.grant_concession(asked_by=second_lead, by=second_lead, at=make.NOON, **wanted)
    with pytest.raises(NotYours):
        services.grant_concession(asked_by=second_lead, by=lead, at=make.NOON, **wanted)


def test_a_concession_turns_a_stop_into_conceded_never_into_pass(revision, technician, second_lead):
    Revision.objects.filter(pk=revision.pk).update(cautions="")
    services.grant_concession(
        revision=revision, check_code="cautions", reason="Stated on the drawing.", asked_by=technician, by=second_lead,
        expires_on=make.NOON.date(), quantity=4, at=make.NOON,
    )  # fmt: skip
    reading = services._read(Revision.objects.select_related("component__kit").get(pk=revision.pk), make.NOON)
    assert reading.rows[-1].verdict == "conceded"
    assert reading.is_clear


def test_a_concession_ends_on_its_day(revision, technician, second_lead):
    Revision.objects.filter(pk=revision.pk).update(cautions="")
    services.grant_concession(
        revision=revision, check_code="cautions", reason="Stated on the drawing.", asked_by=technician, by=second_lead,
        expires_on=make.NOON.date(), quantity=4, at=make.NOON,
    )  # fmt: skip
    fresh = Revision.objects.select_related("component__kit").get(pk=revision.pk)
    assert services._read(fresh, make.NOON + timedelta(days=1)).rows[-1].verdict == "missing"


def test_withdrawing_ends_the_release(put_forward, second_lead, lead):
    sign(put_forward, second_lead)
    services.withdraw(revision=put_forward, by=lead, reason="Insert cracks.")
    assert Revision.objects.get().state == "withdrawn"
    assert not Release.objects.filter(ended_at__isnull=True).exists()


def test_every_act_leaves_a_logbook_entry_and_the_chain_is_whole(put_forward, second_lead):
    sign(put_forward, second_lead)
    assert set(Entry.objects.values_list("act", flat=True)) >= {"revision.put-forward", "revision.signed-off"}
    assert list(verify()) == []


@pytest.mark.django_db(transaction=True)
def test_evidence_that_turns_bad_after_signing_places_a_hold_by_rule_once(put_forward, second_lead, technician):
    from releases.models import PlannedCheck
    from releases.review import review

    release = sign(put_forward, second_lead)
    PlannedCheck.objects.filter(check_code="lessons").delete()
    make.lesson(put_forward.component, technician, blocking=True)
    review([release], make.NOON + timedelta(days=1))
    review([release], make.NOON + timedelta(days=2))
    hold = Hold.objects.get()
    assert (hold.by_rule, hold.placed_by) == ("lessons", None)
    assert "Seat grows" in hold.reason
