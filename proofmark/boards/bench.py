"""My bench today: what to demould, pour, scan, read, break, fix and answer."""

from dataclasses import dataclass
from datetime import datetime, timedelta

from django.db.models import Exists, OuterRef, Q
from django.urls import reverse

from casting.models import Batch, Cast, Nonconformity, StrengthTest
from inspection.gauge_queries import studies_of
from inspection.models import GaugeStudy, Scan
from lessons.models import Lesson, Question, Trial
from metrology.wording import count, day, quantity
from parts.models import Kit, Revision
from releases.models import Verdict
from releases.queries import board, open_holds_on

State = Revision.State


@dataclass(frozen=True)
class Task:
    """Something to do: on what, what it needs to know, and where it is done."""

    what: str
    about: str
    url: str
    held: str = ""


@dataclass(frozen=True)
class Stack:
    """The tasks of one kind. button: what the link of each task says."""

    title: str
    button: str
    tasks: tuple[Task, ...]
    nothing: str


def bench(kit: Kit, at: datetime) -> list[Stack]:
    """All stacks in the order of the day, in a fixed number of queries."""
    return [
        Stack("Demould", "Demould", _to_demould(kit, at), "Nothing stands in a mould."),
        Stack("Pour", "Log a cast", _to_pour(kit, at), "Every part on trial has its casts."),
        Stack("Scan", "Upload a scan", _to_scan(kit), "Every cast on trial is scanned."),
        Stack("Read", "Open", _to_read(kit), "No gauge study is waiting for readings."),
        Stack("Break", "Log a test", _to_break(kit, at), "No batch is due for its strength test."),
        Stack("Fix", "Open", _to_fix(kit), "Nothing is waiting to be fixed."),
        Stack("Try and answer", "Open", _to_answer(kit), "No trial is under way and no question is open."),
    ]


def said(stacks: list[Stack]) -> str:
    """The day in one sentence: "3 to demould, 1 to scan"."""
    words = {"Demould": "to demould", "Pour": "to pour", "Scan": "to scan", "Read": "to read", "Break": "to break",
             "Fix": "to fix"}  # fmt: skip
    parts = [f"{len(s.tasks)} {words.get(s.title, 'to try or answer')}" for s in stacks if s.tasks]
    return ", ".join(parts) + "." if parts else "Nothing waits on the bench."


def _to_demould(kit: Kit, at: datetime) -> tuple[Task, ...]:
    casts = list(
        Cast.objects.filter(kit=kit, standing=Cast.Standing.IN_MOULD)
        .select_related("kit", "revision__component", "mould")
        .order_by("poured_at")
    )
    holds = open_holds_on(casts)
    return tuple(
        Task(
            f"{cast.serial}, {cast.revision.component.name}",
            f"{_age(at - cast.poured_at)} in {cast.mould or 'its mould'}",
            reverse("casting:demould", args=[kit.code, cast.serial]),
            holds[cast.pk][0].reason if holds[cast.pk] else "",
        )
        for cast in casts
    )


def _to_pour(kit: Kit, at: datetime) -> tuple[Task, ...]:
    tasks = []
    for row in board(kit, at):
        if not row.trial or not row.reading or row.trial.state != State.ON_TRIAL:
            continue
        check = next(one for one in row.reading.rows if one.code == "casts")
        if check.verdict in (Verdict.MISSING, Verdict.FAIL):
            tasks.append(
                Task(
                    str(row.trial) + f", {row.component.name}",
                    check.finding.sentence,
                    reverse("casting:log-cast", args=[kit.code]) + f"?part={row.component.part_number}",
                    row.holds[0].reason if row.holds else "",
                )
            )
    return tuple(tasks)


def _to_scan(kit: Kit) -> tuple[Task, ...]:
    useful = Scan.objects.filter(cast=OuterRef("pk"), withdrawn_at__isnull=True).exclude(
        state__in=[Scan.State.FAILED, Scan.State.STOPPED]
    )
    casts = (
        Cast.objects.filter(
            ~Exists(useful),
            kit=kit,
            demoulded_at__isnull=False,
            revision__state__in=[State.IN_PREPARATION, State.ON_TRIAL],
        )
        .exclude(standing=Cast.Standing.SCRAPPED)
        .select_related("kit", "revision__component")
        .order_by("demoulded_at")
    )
    return tuple(
        Task(
            f"{cast.serial}, {cast.revision.component.name}",
            f"demoulded {day(cast.demoulded_at)}{', ' + cast.place if cast.place else ''}",
            reverse("inspection:upload", args=[kit.code, cast.serial]),
        )
        for cast in casts
    )


def _to_read(kit: Kit) -> tuple[Task, ...]:
    """Gauge studies with readings still to take."""
    rows = studies_of(kit).filter(state__in=[GaugeStudy.State.PLANNED, GaugeStudy.State.RUNNING])
    return tuple(
        Task(
            f"Gauge study {row}, {row.instrument}",
            f"{row.what}: {row.taken} of {count(row.wanted, 'reading')} taken",
            row.get_absolute_url(),
        )
        for row in rows.order_by("planned_at", "pk")
    )


def _to_break(kit: Kit, at: datetime) -> tuple[Task, ...]:
    """Batches of standing casts whose required age is reached and which have no test at that age."""
    rows = (
        Cast.objects.filter(
            kit=kit,
            batch__isnull=False,
            revision__strength_required__isnull=False,
            revision__state__in=[State.ON_TRIAL, State.PUT_FORWARD, State.BUILDABLE],
        )
        .exclude(standing=Cast.Standing.SCRAPPED)
        .values_list("batch_id", "revision__strength_age_days", "revision__strength_required")
        .distinct()
    )
    asked: dict[int, tuple[int, float]] = {}
    for batch_id, age, required in rows:
        asked[batch_id] = max(asked.get(batch_id, (0, 0.0)), (age, float(required)))
    tested: dict[int, int] = {}
    for batch_id, age in StrengthTest.objects.filter(batch__in=asked).values_list("batch_id", "age_days"):
        tested[batch_id] = max(tested.get(batch_id, 0), age)
    tasks = []
    for batch in Batch.objects.filter(pk__in=asked).select_related("kit").order_by("mixed_at"):
        age, required = asked[batch.pk]
        if tested.get(batch.pk, 0) < age and at >= batch.mixed_at + timedelta(days=age):
            tasks.append(
                Task(
                    f"Batch {batch}",
                    f"{count((at - batch.mixed_at).days, 'day')} old; "
                    f"{quantity(required, 'MPa')} asked at {count(age, 'day')}",
                    reverse("casting:batch", args=[kit.code, batch.code]),
                )
            )
    return tuple(tasks)


def _to_fix(kit: Kit) -> tuple[Task, ...]:
    open_ones = Nonconformity.objects.filter(kit=kit, disposition="").select_related("kit", "cast")
    unread = Scan.objects.filter(
        kit=kit, withdrawn_at__isnull=True, state__in=[Scan.State.FAILED, Scan.State.STOPPED]
    ).select_related("kit", "cast")
    lessons = Lesson.objects.filter(kit=kit, blocking=True, proven_at__isnull=True).select_related("kit", "component")
    return (
        *(Task(f"{row} on {row.cast}", row.what, row.get_absolute_url()) for row in open_ones),
        *(Task(f"Scan {row} of {row.cast}", row.error or "Stopped.", row.get_absolute_url()) for row in unread),
        *(
            Task(f"Lesson {row.code}, {row.component.part_number}", row.title, row.get_absolute_url())
            for row in lessons
        ),
    )


def _to_answer(kit: Kit) -> tuple[Task, ...]:
    trials = Trial.objects.filter(kit=kit, ended_at__isnull=True).select_related("kit", "mockup")
    questions = Question.objects.filter(Q(answered_at__isnull=True), kit=kit).select_related("kit", "mockup")
    return (
        *(
            Task(f"Trial {row} on {row.mockup}", f"since {day(row.started_at)}", row.get_absolute_url())
            for row in trials
        ),
        *(Task(f"{row} for {row.mockup}", row.text, row.get_absolute_url()) for row in questions),
    )


def _age(span: timedelta) -> str:
    hours = int(span.total_seconds() // 3600)
    return count(hours, "hour") if hours < 72 else count(span.days, "day")
