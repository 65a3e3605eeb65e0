"""How a job that works something out is claimed, followed, ended and taken up again when its worker died."""

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

from .mould_models import Work

logger = logging.getLogger(__name__)
State = Work.State
W = TypeVar("W", bound=Work)

SECONDS_BETWEEN_WRITES = 0.5
STALE = timedelta(seconds=60)
SOON = timedelta(seconds=20)
TOO_LITTLE_MEMORY = "There is too little memory for this. Smooth over a longer length, or compare fewer casts."
UNEXPECTED = (
    "Something went wrong in the program, not in your scans. Ask for it again. If that ends the same way, tell whoever "
    "runs Proofmark: the log has the details."
)
DIED = "The worker died while it worked this out, most likely for want of memory. Ask for it again."


class Ended(Exception):
    """The attempt is no longer ours: asked for again, or taken up by another worker."""


class Reporter:
    """Writes stage and share to the row, at most about twice a second; ends the job when the attempt is not ours."""

    def __init__(self, work: Work, stages: Mapping[str, float], clock: Callable[[], float] = time.monotonic) -> None:
        self.own = _own(work)
        self.stages, self.clock = stages, clock
        self.stage, self.written = "", -1e9

    def __call__(self, stage: str, share: float) -> None:
        if stage == self.stage and self.clock() - self.written < SECONDS_BETWEEN_WRITES:
            return
        self.stage, self.written = stage, self.clock()
        before = 0.0
        for name, weight in self.stages.items():
            if name == stage:
                before += weight * min(max(share, 0.0), 1.0)
                break
            before += weight
        try:
            rows = self.own.update(stage=stage, share=min(before, 1.0), heartbeat=timezone.now())
        except OperationalError:  # a busy database must not cost the work that was done
            logger.warning("Progress could not be written", exc_info=True)
            return
        if rows != 1:
            raise Ended


def run(
    model: type[W],
    pk: int,
    attempt: int,
    stages: Mapping[str, float],
    work_out: Callable[[W, Reporter, datetime], None],
    at: datetime | None = None,
) -> bool:
    """Claim and work out; False when the attempt was not there to be claimed. `work_out` writes its result and ends
    with `claim_the_end` inside its transaction. at: the moment to write into the records; now, unless a story is told.
    """
    waiting = model._default_manager.filter(pk=pk, state=State.WAITING, attempt=attempt)
    if waiting.update(state=State.RUNNING, stage=next(iter(stages)), share=0.0, heartbeat=timezone.now()) != 1:
        return False
    work = model._default_manager.get(pk=pk)
    at = at or timezone.now()
    try:
        work_out(work, Reporter(work, stages), at)
    except (Ended, Stopped):
        return False
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
    """Inside the transaction that writes the result: only the attempt that is still ours may end."""
    if _own(work).update(state=State.DONE, stage="", share=1.0, heartbeat=None, done_at=at, **fields) != 1:
        raise Ended
    for name, value in fields.items():
        setattr(work, name, value)
    work.state, work.done_at = State.DONE, at


@transaction.atomic
def fail(work: Work, code: str, sentence: str, at: datetime | None = None) -> None:
    if _own(work).update(state=State.FAILED, stage="", heartbeat=None, error_code=code, error=sentence):
        record(None, f"{work._meta.model_name}.failed", work, f"{work.named} failed: {sentence}", at=at)


def _own(work: Work) -> Any:
    return type(work)._default_manager.filter(pk=work.pk, state=State.RUNNING, attempt=work.attempt)


def recover(
    model: type[W],
    enqueue: Callable[[int, int], None],
    *,
    stale_after: timedelta = STALE,
    waiting_too: bool = False,
) -> str:
    """Take up work whose worker died, once; says in words what was done. See `inspection.jobs.recover`."""
    limit = timezone.now() - stale_after
    taken_up = ended = handed = 0
    for work in model._default_manager.filter(state=State.RUNNING, heartbeat__lte=limit):
        if work.attempt > 1:
            fail(work, "worker-died", DIED)
            ended += 1
        elif _own(work).update(state=State.WAITING, attempt=work.attempt + 1, stage="", share=0.0, heartbeat=None):
            enqueue(work.pk, work.attempt + 1)
            taken_up += 1
    if waiting_too:
        for pk, attempt in model._default_manager.filter(state=State.WAITING).values_list("pk", "attempt"):
            enqueue(pk, attempt)
            handed += 1
    name = model._meta.verbose_name
    said = [
        f"{count(taken_up, name, name)} taken up again" if taken_up else "",
        f"{count(ended, name, name)} ended" if ended else "",
        f"{count(handed, name, name)} handed over" if handed else "",
    ]
    return ", ".join(filter(None, said))


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
        if work.state == State.WAITING:
            if self.now - work.asked_at > SOON:
                return (
                    "No worker has taken it up yet. If this lasts, ask whoever runs Proofmark whether the worker is on."
                )
            return "Waiting for its turn."
        if work.heartbeat and self.now - work.heartbeat > STALE:
            return "No sign of life for a minute: the worker seems to have died. It is taken up again by itself."
        return f"{work.stage.capitalize()}, {self.percent}{NBSP}% of the whole."
