"""Acts of release: put forward, sign off, withdraw, concede, hold, lift."""

import hashlib
from collections.abc import Iterable, Mapping
from datetime import date, datetime
from typing import Any

from django.db import models, transaction
from django.utils import timezone

from casting.models import Batch, Cast, Mould
from logbook.services import record
from metrology.wording import day, listed
from parts.models import Component, Kit, Revision
from parts.numbering import next_code

from .errors import GateClosed, NotNow, NotYours
from .gate import CHECKS, GateReading, check, evaluate
from .gate.base import canonical
from .jobs import make_packet
from .models import (
    CheckResult,
    Concession,
    GatePlan,
    Hold,
    Packet,
    PlannedCheck,
    PutForward,
    Release,
    SignOff,
    Withdrawal,
)

State = Revision.State
HOLDABLE = {Revision: "revision", Mould: "mould", Batch: "batch", Cast: "cast"}


@transaction.atomic
def set_plan(
    *,
    kit: Kit,
    component: Component | None,
    checks: Mapping[str, Mapping[str, Any]],
    by: Any,
    at: datetime | None = None,
) -> GatePlan:
    """Say which checks apply, with what settings. checks: {code: {"applies": bool, "reason": str, "settings": dict}}.

    A check that is not named applies with its starting values. component None: the plan of the whole kit.
    """
    at = at or timezone.now()
    plan, _ = GatePlan.objects.update_or_create(kit=kit, component=component, defaults={"set_by": by, "set_at": at})
    plan.checks.all().delete()
    for code, said in checks.items():
        if not said.get("applies", True) and not said.get("reason", "").strip():
            raise NotNow(f"Say why {check(code).TITLE} does not apply.", code="no-reason", field=f"{code}-reason")
        PlannedCheck.objects.create(
            plan=plan,
            check_code=check(code).CODE,
            applies=said.get("applies", True),
            reason=said.get("reason", "").strip(),
            settings=dict(said.get("settings", {})),
        )
    left_out = [check(code).TITLE for code, said in checks.items() if not said.get("applies", True)]
    sentence = f"Gate plan of {component or kit} set: {len(CHECKS) - len(left_out)} of {len(CHECKS)} checks apply."
    record(by, "plan.set", plan, sentence, details={code: dict(said) for code, said in checks.items()}, at=at)
    return plan


@transaction.atomic
def put_forward(*, revision: Revision, by: Any, at: datetime | None = None) -> PutForward:
    """Lay a revision before the second lead. Refused while a check stops it or while it is on hold."""
    at = at or timezone.now()
    _refuse_on_hold(revision)
    _refuse_stopped(_read(revision, at), "put forward")
    _move(revision, (State.ON_TRIAL,), State.PUT_FORWARD, at)
    row = PutForward.objects.create(revision=revision, by=by, at=at)
    record(by, "revision.put-forward", revision, f"{revision} put forward.", at=at)
    return row


@transaction.atomic
def send_back(*, revision: Revision, by: Any, why: str, at: datetime | None = None) -> Revision:
    """Return a revision that was put forward to trial, with a reason."""
    at = at or timezone.now()
    if not why.strip():
        raise NotNow("Say why it is sent back.", code="no-reason", field="why")
    _move(revision, (State.PUT_FORWARD,), State.ON_TRIAL, at)
    PutForward.objects.filter(revision=revision, closed_at__isnull=True).update(
        closed_at=at, sent_back_by=by, sent_back_why=why
    )
    record(by, "revision.sent-back", revision, f"{revision} sent back: {why}", at=at)
    return revision


@transaction.atomic
def sign_off(*, revision: Revision, by: Any, address: str = "", at: datetime | None = None) -> Release:
    """Make a revision buildable, and the one before it superseded, on evidence read inside this transaction.

    Refuses the author, a revision on hold, any check that fails, is inconclusive or missing, and a second signature
    at the same moment: exactly one signs. address: where the project answers, for the packet's QR code.
    """
    at = at or timezone.now()
    locked = Revision.objects.select_for_update().select_related("component__kit", "author").get(pk=revision.pk)
    if locked.author_id == by.pk:
        raise NotYours(f"You drew {locked}. The author may not sign; ask another lead.", code="author")
    if locked.state != State.PUT_FORWARD:
        raise NotNow(_why_not(locked), code="state")
    _refuse_on_hold(locked)
    reading = _read(locked, at)
    _refuse_stopped(reading, "signed")

    forward = PutForward.objects.get(revision=locked, closed_at__isnull=True)
    before = Revision.objects.filter(component=locked.component, state=State.BUILDABLE).first()
    if before:
        _move(before, (State.BUILDABLE,), State.SUPERSEDED, at)
        Release.objects.filter(revision=before, ended_at__isnull=True).update(ended_at=at)
        record(by, "revision.superseded", before, f"{before} superseded by {locked.letter}.", at=at)
    _move(locked, (State.PUT_FORWARD,), State.BUILDABLE, at)
    PutForward.objects.filter(pk=forward.pk).update(closed_at=at)
    release = Release.objects.create(
        revision=locked,
        component=locked.component,
        put_forward_by=forward.by,
        put_forward_at=forward.at,
        released_at=at,
        evidence_hash=hashlib.sha256("".join(row.evidence_hash for row in reading.rows).encode()).hexdigest(),
    )
    SignOff.objects.create(revision=locked, release=release, signed_by=by, signed_name=str(by), signed_at=at)
    CheckResult.objects.bulk_create(_frozen(release, reading))
    packet = Packet.objects.create(release=release, asked_at=at, address=address)
    transaction.on_commit(lambda: make_packet.enqueue(packet.pk))
    record(
        by, "revision.signed-off", locked, f"{locked} signed off by {by}: buildable. {reading.summary}",
        details={"evidence": release.evidence_hash}, at=at,
    )  # fmt: skip
    revision.state, revision.state_since = locked.state, locked.state_since
    return release


@transaction.atomic
def ask_packet_again(*, packet: Packet, by: Any, at: datetime | None = None) -> Packet:
    """Have a packet drawn that could not be drawn. One that is on file stays."""
    at = at or timezone.now()
    if Packet.objects.filter(pk=packet.pk, file__isnull=True).update(error="", asked_at=at) != 1:
        raise NotNow("The packet is on file already.", code="state")
    record(by, "packet.asked", packet.release, f"Packet of {packet.release.revision} asked for again.", at=at)
    transaction.on_commit(lambda: make_packet.enqueue(packet.pk))
    return packet


@transaction.atomic
def withdraw(*, revision: Revision, by: Any, reason: str, at: datetime | None = None) -> Withdrawal:
    """Take a revision out of use for good. Sites must acknowledge it."""
    at = at or timezone.now()
    if not reason.strip():
        raise NotNow("Say why it is withdrawn.", code="no-reason", field="reason")
    _move(revision, tuple(state for state in State if state != State.WITHDRAWN), State.WITHDRAWN, at)
    Release.objects.filter(revision=revision, ended_at__isnull=True).update(ended_at=at)
    PutForward.objects.filter(revision=revision, closed_at__isnull=True).update(closed_at=at)
    row = Withdrawal.objects.create(revision=revision, reason=reason, withdrawn_by=by, withdrawn_at=at)
    record(by, "revision.withdrawn", revision, f"{revision} withdrawn: {reason}", at=at)
    return row


@transaction.atomic
def grant_concession(
    *,
    revision: Revision,
    check_code: str,
    reason: str,
    asked_by: Any,
    by: Any,
    expires_on: date,
    serials: Iterable[Cast] = (),
    quantity: int | None = None,
    condition: str = "",
    at: datetime | None = None,
) -> Concession:
    """Permit the use of what does not meet a check: for serials or a quantity, until a day, by a second person."""
    at = at or timezone.now()
    serials = list(serials)
    if check_code not in {one.CODE for one in CHECKS}:
        raise NotNow("Choose the check that is conceded.", code="unknown-check", field="check_code")
    if by.pk in (asked_by.pk, revision.author_id):
        raise NotYours(
            "Neither who asks nor the author may grant a concession; ask another lead.", code="author", field="asked_by"
        )
    if not reason.strip():
        raise NotNow("Say why it may be used all the same.", code="no-reason", field="reason")
    if bool(serials) == (quantity is not None):
        raise NotNow("Limit it to named serials or to a quantity: one of the two.", code="no-scope", field="quantity")
    if expires_on < at.date():
        raise NotNow("It would be over before it begins: choose a later day.", code="expired", field="expires_on")
    row = Concession.objects.create(
        kit=revision.component.kit,
        code=next_code(Concession, revision.component.kit, "CN"),
        revision=revision,
        check_code=check_code,
        reason=reason,
        condition=condition,
        quantity=quantity,
        expires_on=expires_on,
        asked_by=asked_by,
        granted_by=by,
        granted_at=at,
    )
    row.serials.set(serials)
    scope = listed([cast.serial for cast in serials], 6) if serials else f"{quantity} pieces"
    record(
        by, "concession.granted", row,
        f"{row.code}: {check(check_code).TITLE} of {revision} conceded for {scope} until {day(expires_on)}: {reason}",
        at=at,
    )  # fmt: skip
    return row


@transaction.atomic
def end_concession(*, concession: Concession, by: Any, why: str, at: datetime | None = None) -> Concession:
    """End a concession before its day."""
    at = at or timezone.now()
    if not why.strip():
        raise NotNow("Say why it ends.", code="no-reason", field="why")
    if Concession.objects.filter(pk=concession.pk, ended_at__isnull=True).update(ended_at=at, ended_why=why) != 1:
        raise NotNow(f"{concession.code} has already ended.", code="state")
    record(by, "concession.ended", concession, f"{concession.code} ended: {why}", at=at)
    return concession


@transaction.atomic
def place_hold(
    *,
    on: Revision | Mould | Batch | Cast,
    reason: str,
    by: Any | None,
    what_to_do: str = "",
    by_rule: str = "",
    at: datetime | None = None,
) -> Hold:
    """Stop casting, moving and installing what is named. In force at once, on every tag."""
    at = at or timezone.now()
    if not reason.strip():
        raise NotNow("Say why it is held: the site team will read it.", code="no-reason", field="reason")
    field, kit = HOLDABLE[type(on)], _kit(on)
    row = Hold.objects.create(
        kit=kit,
        code=next_code(Hold, kit, "H"),
        reason=reason.strip(),
        what_to_do=what_to_do.strip(),
        placed_by=by,
        by_rule=by_rule,
        placed_at=at,
        **{field: on},
    )
    record(by, "hold.placed", row, f"{row.code}: {on} on hold. {reason}", at=at)
    return row


@transaction.atomic
def lift_hold(*, hold: Hold, by: Any, why: str, at: datetime | None = None) -> Hold:
    """End a hold, with what was found."""
    at = at or timezone.now()
    if not why.strip():
        raise NotNow("Say what was found and why it may go on.", code="no-reason", field="why")
    changed = Hold.objects.filter(pk=hold.pk, lifted_at__isnull=True).update(
        lifted_at=at, lifted_by=by, lifted_why=why.strip()
    )
    if changed != 1:
        raise NotNow(f"{hold.code} was lifted already.", code="state")
    hold.refresh_from_db()
    record(by, "hold.lifted", hold, f"{hold.code} lifted: {why}", at=at)
    return hold


def _read(revision: Revision, at: datetime) -> GateReading:
    return evaluate([revision], at)[revision.pk]


def _refuse_stopped(reading: GateReading, act: str) -> None:
    if reading.is_clear:
        return
    first = reading.stopping[0]
    titles = listed([row.title for row in reading.stopping], 5)
    raise GateClosed(
        f"{reading.revision} cannot be {act}: {titles} still to be settled. {first.title}: {first.finding.sentence}",
        code="gate-closed",
    )


def _refuse_on_hold(revision: Revision) -> None:
    hold = revision.holds.filter(lifted_at__isnull=True).first()
    if hold:
        raise NotNow(f"{revision} is on hold ({hold.code}): {hold.reason} Lift the hold first.", code="on-hold")


def _move(revision: Revision, allowed: tuple[str, ...], state: str, at: datetime) -> None:
    """One row must change, from a state in which the act is allowed: two people at once, one effect."""
    changed = Revision.objects.filter(pk=revision.pk, state__in=allowed).update(state=state, state_since=at)
    if changed != 1:
        raise NotNow(_why_not(Revision.objects.select_related("component").get(pk=revision.pk)), code="state")
    revision.state, revision.state_since = state, at


def _why_not(revision: Revision) -> str:
    signed = SignOff.objects.filter(revision=revision).order_by("-signed_at").first()
    if revision.state == State.BUILDABLE and signed:
        return f"{revision} is buildable already: {signed.signed_name} signed it on {day(signed.signed_at)}."
    return f"{revision} is {revision.get_state_display()}: look at the page again before you go on."


def _frozen(release: Release, reading: GateReading) -> list[CheckResult]:
    return [
        CheckResult(
            release=release,
            check_code=row.code,
            title=row.title,
            asked=row.asked,
            verdict=row.verdict,
            code=row.finding.code,
            sentence=row.finding.sentence,
            figures=dict(row.finding.figures),
            evidence=canonical(row.evidence),
            evidence_hash=row.evidence_hash,
            position=position,
        )
        for position, row in enumerate(reading.rows)
    ]


def _kit(on: models.Model) -> Kit:
    return on.component.kit if isinstance(on, Revision) else on.kit
