"""May this piece go in? One verdict, one reason. Read for many pieces at once, decided purely."""

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from datetime import date, datetime
from enum import StrEnum

from django.db.models import Exists, OuterRef, Prefetch

from casting.models import Cast, Nonconformity, StrengthTest
from inspection.models import Result, Scan
from metrology.concrete.strength import lowest_allowed
from metrology.wording import listed, quantity
from parts.models import Revision
from releases.gate import GateReading, evaluate
from releases.models import Hold, Release, Verdict, Withdrawal
from releases.queries import open_holds_on

from .models import Installation, Position

State = Revision.State


class Answer(StrEnum):
    CLEARED = "cleared"
    NOT_CLEARED = "not cleared"
    CANT_TELL = "can't tell"  # treated as not cleared


@dataclass(frozen=True)
class Conceded:
    """A concession that the revision's gate rests on today."""

    code: str
    sentence: str
    condition: str
    expires_on: date
    serials: frozenset[str]
    quantity: int | None
    used: int  # pieces of the revision installed so far


@dataclass(frozen=True)
class Evidence:
    """Everything that the answer rests on."""

    serial: str
    standing: str
    demoulded: bool
    open_nonconformities: tuple[str, ...]
    scan: tuple[str, str] | None  # result and sentence of this piece's own newest scan
    strength_required: float | None
    strength_age_days: int
    batch: str
    strengths: tuple[float, ...]  # of its own batch at the required age or later
    revision: str
    letter: str
    state: str
    state_since: datetime
    withdrawn: tuple[datetime, str] | None
    holds: tuple[tuple[datetime, str, str, str, str], ...]  # when, code, reason, what to do, by whom
    released_at: datetime | None
    signed_by: str
    gate_stops: tuple[tuple[str, str, str], ...]  # verdict, title, sentence of each row that stops today
    concessions: tuple[Conceded, ...]
    installed: tuple[datetime, str] | None
    free_positions: tuple[str, ...]


@dataclass(frozen=True)
class Clearance:
    """answer: the word. reason: one sentence. since: when that began. todo: what the site team does now."""

    answer: Answer
    code: str
    reason: str
    since: datetime | None
    todo: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()

    @property
    def cleared(self) -> bool:
        return self.answer == Answer.CLEARED


LEAVE = ("Do not install it.", "Leave it where it is and call the lead.")


def decide(evidence: Evidence) -> Clearance:
    """The gravest reason wins; only a piece without any reason against it is cleared."""

    def no(code: str, reason: str, since: datetime | None = None, todo: tuple[str, ...] = LEAVE) -> Clearance:
        return Clearance(Answer.NOT_CLEARED, code, reason, since, todo)

    revision = evidence.revision
    if evidence.withdrawn:
        since, why = evidence.withdrawn
        return no("withdrawn", f"{revision} was withdrawn: {why}", since, ("Do not install it.", "Set it aside."))
    if evidence.holds:
        since, code, reason, todo, _ = evidence.holds[0]
        return no("on-hold", f"On hold ({code}): {reason}", since, tuple(todo.splitlines()) or LEAVE)
    if evidence.standing == Cast.Standing.SCRAPPED:
        return no("scrapped", "This piece was scrapped.", None, ("Do not install it.", "Take it off the site."))
    if evidence.standing == Cast.Standing.SEGREGATED:
        return no("segregated", "This piece was set aside and nobody has said that it may be used.")
    if evidence.state == State.SUPERSEDED and not evidence.installed:
        return no("superseded", f"{revision} was superseded by a later revision.", evidence.state_since)
    if evidence.state not in (State.BUILDABLE, State.SUPERSEDED):
        return no("not-buildable", f"{revision} is {evidence.state}: it has not been released.", evidence.state_since)
    if not evidence.demoulded:
        return no("in-mould", "It has not been logged as demoulded.")
    if evidence.open_nonconformities:
        return no("nonconformity", f"Open on this piece: {listed(evidence.open_nonconformities)}.")
    if evidence.state == State.SUPERSEDED and evidence.installed:
        since, where = evidence.installed
        stays = f"Installed at {where}. {revision} has been superseded since; what is in stays in."
        return Clearance(Answer.CLEARED, "installed", stays, since)
    named = {concession.code for concession in evidence.concessions if evidence.serial in concession.serials}
    if evidence.scan and evidence.scan[0] == Result.DOES_NOT and not named:
        return no("own-scan", f"Its own scan says: {evidence.scan[1]}")
    for concession in evidence.concessions:
        if concession.serials and evidence.serial not in concession.serials:
            return no("outside-concession", f"{concession.code} lets only named pieces in; this is not one of them.")
        if concession.quantity is not None and concession.used >= concession.quantity and not evidence.installed:
            return no("concession-used-up", f"{concession.code} was for {concession.quantity} pieces; all are in.")
    if evidence.strength_required is not None:
        floor = lowest_allowed(evidence.strength_required)
        if not evidence.strengths:
            return no(
                "strength-unproven",
                f"Batch {evidence.batch or 'unknown'} has no strength test at {evidence.strength_age_days} days yet.",
            )
        if min(evidence.strengths) < floor:
            return no(
                "strength-low",
                f"Batch {evidence.batch} reached {quantity(min(evidence.strengths), 'MPa')}; "
                f"{quantity(floor, 'MPa')} is the least allowed.",
            )
    for verdict, title, sentence in evidence.gate_stops:
        if verdict == Verdict.FAIL:
            return no("gate", f"{title} no longer passes: {sentence}")
    if evidence.released_at is None or evidence.gate_stops:
        what = evidence.gate_stops[0] if evidence.gate_stops else ("", "Release", "No release on record.")
        return Clearance(
            Answer.CANT_TELL,
            "evidence-changed",
            f"The evidence has changed since it was signed. {what[1]}: {what[2]}",
            None,
            ("Treat it as not cleared.", "Call the lead."),
        )
    cautions = tuple(
        " ".join(filter(None, (one.sentence, one.condition and f"{one.condition}."))) for one in evidence.concessions
    )
    if evidence.installed:
        since, where = evidence.installed
        return Clearance(Answer.CLEARED, "installed", f"Installed at {where}.", since, (), cautions)
    if not evidence.free_positions:
        return no(
            "no-position", f"{revision} is buildable, but no position is free for it.", None,
            ("Do not install it.", "Ask the lead where it goes."),
        )  # fmt: skip
    where = (
        evidence.free_positions[0]
        if len(evidence.free_positions) == 1
        else listed(evidence.free_positions, 3).replace(" and ", " or ")
    )
    return Clearance(
        Answer.CLEARED, "buildable", f"Install at {where}, and nowhere else.", evidence.released_at, (), cautions
    )


def clearances(casts: Iterable[Cast], at: datetime) -> dict[int, Clearance]:
    """The answer for each piece. The number of queries does not depend on how many there are."""
    return {pk: decide(evidence) for pk, evidence in read(casts, at).items()}


def clearance(cast: Cast, at: datetime) -> Clearance:
    return clearances([cast], at)[cast.pk]


def read(casts: Iterable[Cast], at: datetime) -> dict[int, Evidence]:
    """Everything that `decide` needs, for all pieces together."""
    pks = [cast.pk for cast in casts]
    rows = list(
        Cast.objects.filter(pk__in=pks)
        .select_related("revision__component__kit", "revision__author", "batch", "mould")
        .prefetch_related(
            Prefetch(
                "nonconformities",
                Nonconformity.objects.filter(disposition="").order_by("code"),
                to_attr="open_nonconformities",
            ),
            Prefetch(
                "scans",
                Scan.objects.filter(state=Scan.State.DONE, withdrawn_at__isnull=True)
                .select_related("result")
                .order_by("-scanned_at", "-pk"),
                to_attr="finished_scans",
            ),
            Prefetch(
                "installations",
                Installation.objects.filter(removed_at__isnull=True).select_related("position__site"),
                to_attr="present",
            ),
        )
    )
    revisions = {row.revision_id: row.revision for row in rows}
    buildable = [revision for revision in revisions.values() if revision.state == State.BUILDABLE]
    readings = evaluate(buildable, at)
    releases = {
        release.revision_id: release
        for release in Release.objects.filter(revision__in=revisions, ended_at__isnull=True).prefetch_related(
            "sign_offs"
        )
    }
    withdrawals = {row.revision_id: row for row in Withdrawal.objects.filter(revision__in=revisions)}
    holds = open_holds_on(rows)
    conceded = _concessions(readings)
    strengths: dict[int, list[StrengthTest]] = {}
    for test in StrengthTest.objects.filter(batch__in={row.batch_id for row in rows}):
        strengths.setdefault(test.batch_id, []).append(test)
    free: dict[int, list[str]] = {}
    taken = Installation.objects.filter(position=OuterRef("pk"), removed_at__isnull=True)
    positions = Position.objects.filter(~Exists(taken), component__in={r.component_id for r in revisions.values()})
    for position in positions.select_related("site"):
        free.setdefault(position.component_id, []).append(f"{position.site.name}, {position.name}")
    return {
        row.pk: _evidence(
            row,
            holds[row.pk],
            withdrawals.get(row.revision_id),
            releases.get(row.revision_id),
            readings.get(row.revision_id),
            conceded.get(row.revision_id, ()),
            strengths.get(row.batch_id, ()),
            free.get(row.revision.component_id, ()),
        )
        for row in rows
    }


def _concessions(readings: Mapping[int, GateReading]) -> dict[int, tuple[Conceded, ...]]:
    rows = {pk: [row for row in reading.conceded if row.concession] for pk, reading in readings.items()}
    wanted = {row.concession.pk for group in rows.values() for row in group if row.concession}
    serials: dict[int, set[str]] = {pk: set() for pk in wanted}
    for concession_id, serial in Cast.objects.filter(concessions__in=wanted).values_list("concessions", "serial"):
        if concession_id in serials:
            serials[concession_id].add(serial)
    used: dict[int, int] = {}
    relying = [pk for pk, group in rows.items() if group]
    present = Installation.objects.filter(removed_at__isnull=True, cast__revision__in=relying)
    for revision_id in present.values_list("cast__revision_id", flat=True):
        used[revision_id] = used.get(revision_id, 0) + 1
    return {
        pk: tuple(
            Conceded(
                code=row.concession.code,
                sentence=row.finding.sentence,
                condition=row.concession.condition,
                expires_on=row.concession.expires_on,
                serials=frozenset(serials[row.concession.pk]),
                quantity=row.concession.quantity,
                used=used.get(pk, 0),
            )
            for row in group
            if row.concession
        )
        for pk, group in rows.items()
    }


def _evidence(
    cast: Cast,
    holds: list[Hold],
    withdrawal: Withdrawal | None,
    release: Release | None,
    reading: GateReading | None,
    concessions: tuple[Conceded, ...],
    tests: Iterable[StrengthTest],
    free: Iterable[str],
) -> Evidence:
    revision, scan = cast.revision, cast.finished_scans[0] if cast.finished_scans else None
    required, present = revision.strength_required, cast.present[0] if cast.present else None
    return Evidence(
        serial=cast.serial,
        standing=cast.standing,
        demoulded=cast.demoulded_at is not None,
        open_nonconformities=tuple(f"{row.code}, {row.what}" for row in cast.open_nonconformities),
        scan=(scan.result.result, scan.result.sentence) if scan else None,
        strength_required=None if required is None else float(required),
        strength_age_days=revision.strength_age_days,
        batch=cast.batch.code if cast.batch else "",
        strengths=tuple(float(test.strength) for test in tests if test.age_days >= revision.strength_age_days),
        revision=str(revision),
        letter=revision.letter,
        state=revision.state,
        state_since=revision.state_since,
        withdrawn=(withdrawal.withdrawn_at, withdrawal.reason) if withdrawal else None,
        holds=tuple(
            (hold.placed_at, hold.code, hold.reason, hold.what_to_do, str(hold.placed_by or "a rule"))
            for hold in sorted(holds, key=lambda hold: hold.placed_at)
        ),
        released_at=release.released_at if release else None,
        signed_by=listed([sign.signed_name for sign in release.sign_offs.all()]) if release else "",
        gate_stops=tuple(
            (row.verdict, row.title, row.finding.sentence) for row in (reading.stopping if reading else ())
        ),
        concessions=concessions,
        installed=(present.at, f"{present.position.site.name}, {present.position.name}") if present else None,
        free_positions=tuple(free),
    )
