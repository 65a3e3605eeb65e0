"""How a job that works something out is asked for, claimed, followed, stopped, ended, and taken up after a crash.

Each kind of work has a model below `Work` with `named` ("Mouldability of SB-02 C") and `trail`, its stages with their
usual shares of the whole, and a function that hands an attempt to the queue.
"""

import logging
import time
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta
from typing import Any, TypeVar

from django.db import OperationalError, transaction
from django.utils import timezone

from logbook.services import record
from metrology.errors import MetrologyError, Stopped
from metrology.wording import NBSP, count

from .errors import NotNow
from .work_models import Work

logger = logging.getLogger(__name__)
State = Work.State
W = TypeVar("W", bound=Work)
Enqueue = Callable[[int, int], None]

SECONDS_BETWEEN_WRITES = 0.5
STALE = timedelta(seconds=60)
SOON = timedelta(seconds=20)
TOO_LITTLE_MEMORY = "There is too little memory for this. Use a file with fewer triangles or points."
UNEXPECTED = (
    "Something went wrong in the program, not in your file. Ask for it again. If that ends the same way, tell whoever "
    "runs Proofmark: the log has the details."
)
DIED_TWICE = "The worker died twice while it worked this out, most likely for want of memory. Ask for it again."


class Reporter:
    """Writes stage and share to the row, at most about twice a second; stops the job when it is asked to, or when the
    attempt is no longer ours."""

    def __init__(self, work: Work, stages: Mapping[str, float], clock: Callable[[], float] = time.monotonic) -> None:
        self.own = _own(work).filter(stop_asked=False)
        self.stages, self.clock = stages, clock
        self.stage, self.written = "", -1e9

    def __call__(self, stage: str, share: float) -> None:
        if stage == self.stage and self.clock() - self.written < SECONDS_BETWEEN_WRITES:
            return
        self.stage, self.written = stage, self.clock()
        try:
            rows = self.own.update(stage=stage, share=overall(self.stages, stage, share), heartbeat=timezone.now())
        except OperationalError:  # a busy database must not cost the work that was done
            logger.warning("Progress could not be written", exc_info=True)
            return
        if rows != 1:
            raise Stopped


def overall(stages: Mapping[str, float], stage: str, share: float) -> float:
    """Finished share of the whole job, 0 to 1, from the finished share of one stage."""
    before = 0.0
    for name, weight in stages.items():
        if name == stage:
            return before + weight * min(max(share, 0.0), 1.0)
        before += weight
    return min(before, 1.0)


def run(
    model: type[W],
    pk: int,
    attempt: int,
    stages: Mapping[str, float],
    work_out: Callable[[W, Reporter, datetime], None],
    at: datetime | None = None,
) -> bool:
    """Claim and work out; False when the attempt was not there to be claimed: taken, stopped or asked for again.

    `work_out` writes its result and calls `claim_the_end` first inside its transaction. at: the moment to write into
    the records; now, unless a story is told.
    """
    waiting = model._default_manager.filter(pk=pk, state=State.WAITING, attempt=attempt)
    first = next(iter(stages))
    if waiting.update(state=State.RUNNING, stage=first, share=0.0, heartbeat=timezone.now(), stop_asked=False) != 1:
        return False
    work = model._default_manager.get(pk=pk)
    try:
        work_out(work, Reporter(work, stages), at or timezone.now())
    except Stopped:
        _end(work, State.STOPPED, "stopped", f"{work.named} stopped.", at)
    except MetrologyError as error:
        fail(work, error.code, error.sentence, at)
    except MemoryError:
        logger.exception("%s: out of memory", work)
        fail(work, "memory", TOO_LITTLE_MEMORY, at)
    except Exception:
        logger.exception("%s failed", work)
        fail(work, "unexpected", UNEXPECTED, at)
    return True


def claim_the_end(work: Work, at: datetime, **fields: Any) -> None:
    """Inside the transaction that writes the result: only the attempt that is still ours, and not stopped, may end."""
    own = _own(work).filter(stop_asked=False)
    if own.update(state=State.DONE, stage="", share=1.0, heartbeat=None, done_at=at, **fields) != 1:
        raise Stopped
    for name, value in fields.items():
        setattr(work, name, value)
    work.state, work.done_at = State.DONE, at


def fail(work: Work, code: str, sentence: str, at: datetime | None = None) -> None:
    said = f"{work.named} could not be worked out: {sentence}"
    _end(work, State.FAILED, "failed", said, at, error_code=code, error=sentence)


@transaction.atomic
def ask_stop(work: Work, *, by: Any, at: datetime | None = None) -> Work:
    """Stop a job: at once while it waits, at its next step while it is under way. Raises NotNow when it has ended."""
    rows = type(work)._default_manager.filter(pk=work.pk)
    if rows.filter(state=State.WAITING).update(state=State.STOPPED, stage="", heartbeat=None):
        record(by, f"{work._meta.model_name}.stopped", work, f"{work.named} stopped.", at=at)
    elif not rows.filter(state=State.RUNNING).update(stop_asked=True):
        raise NotNow(f"{work.named} has ended already: there is nothing to stop.")
    work.refresh_from_db()
    return work


@transaction.atomic
def ask_again(work: W, enqueue: Enqueue, *, by: Any, at: datetime | None = None, **changes: Any) -> W:
    """Work it out again from the start. changes: columns of the row, such as the unit. NotNow while it is under way."""
    at = at or timezone.now()
    ended = type(work)._default_manager.filter(pk=work.pk).exclude(state__in=(State.WAITING, State.RUNNING))
    attempt = work.attempt + 1
    rows = ended.filter(attempt=work.attempt).update(
        state=State.WAITING, attempt=attempt, stage="", share=0.0, heartbeat=None, stop_asked=False, revived=False,
        error="", error_code="", asked_at=at, **changes,
    )  # fmt: skip
    if not rows:
        raise NotNow(f"{work.named} is under way already.")
    said = f"{work.named} asked for again."
    record(by, f"{work._meta.model_name}.asked-again", work, said, details=dict(changes), at=at)
    transaction.on_commit(lambda: enqueue(work.pk, attempt))
    work.refresh_from_db()
    return work


@transaction.atomic
def _end(work: Work, state: str, verb: str, sentence: str, at: datetime | None, **fields: str) -> None:
    if _own(work).update(state=state, stage="", heartbeat=None, stop_asked=False, **fields):
        record(None, f"{work._meta.model_name}.{verb}", work, sentence, at=at)


def _own(work: Work) -> Any:
    return type(work)._default_manager.filter(pk=work.pk, state=State.RUNNING, attempt=work.attempt)


def recover(model: type[W], enqueue: Enqueue, *, stale_after: timedelta = STALE, waiting_too: bool = False) -> str:
    """Take up work whose worker died, once each; says in words what was done, empty when nothing was.

    stale_after: how long ago the last sign of life must be. waiting_too: hand over again what waits (an attempt is
    worked out once however often it is handed over).
    """
    limit = timezone.now() - stale_after
    taken_up = ended = handed = 0
    for work in model._default_manager.filter(state=State.RUNNING, heartbeat__lte=limit):
        if work.stop_asked:
            _end(work, State.STOPPED, "stopped", f"{work.named} stopped.", None)
            ended += 1
        elif work.revived:
            fail(work, "worker-died", DIED_TWICE)
            ended += 1
        else:
            taken_up += _take_up(work, enqueue)
    if waiting_too:
        for pk, attempt in model._default_manager.filter(state=State.WAITING).values_list("pk", "attempt"):
            enqueue(pk, attempt)
            handed += 1
    one, many = str(model._meta.verbose_name), str(model._meta.verbose_name_plural)
    said = [
        f"{count(taken_up, one, many)} taken up again" if taken_up else "",
        f"{count(ended, one, many)} ended" if ended else "",
        f"{count(handed, one, many)} handed over" if handed else "",
    ]
    return ", ".join(filter(None, said))


@transaction.atomic
def _take_up(work: Work, enqueue: Enqueue) -> int:
    attempt = work.attempt + 1
    rows = _own(work).update(state=State.WAITING, attempt=attempt, revived=True, stage="", share=0.0, heartbeat=None)
    if rows:
        said = f"The worker died during: {work.named}; taken up again."
        record(None, f"{work._meta.model_name}.taken-up", work, said)
        transaction.on_commit(lambda: enqueue(work.pk, attempt))
    return rows


class Progress:
    """Where the work is, for its page."""

    def __init__(self, work: Work, stages: Mapping[str, float], now: datetime) -> None:
        self.work, self.names, self.now = work, list(stages), now

    @property
    def percent(self) -> int:
        return int(100 * self.work.share)

    @property
    def stages(self) -> list[tuple[str, str]]:
        at = self.names.index(self.work.stage) if self.work.stage in self.names else -1
        return [
            (name, "done" if place < at else "under way" if place == at else "waiting")
            for place, name in enumerate(self.names)
        ]

    @property
    def says(self) -> str:
        work = self.work
        if work.stop_asked:
            return "Stopping at the next step."
        if work.state == State.WAITING:
            if self.now - work.asked_at > SOON:
                return (
                    "No worker has taken it up yet. If this lasts, ask whoever runs Proofmark whether the worker is on."
                )
            return "Waiting for its turn."
        if work.heartbeat and self.now - work.heartbeat > STALE:
            return "No sign of life for a minute: the worker seems to have died. It is taken up again by itself."
        return f"{work.stage.capitalize()}, {self.percent}{NBSP}% of the whole."
