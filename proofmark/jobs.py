"""Looking after the queue of jobs: whether a worker lives, how many jobs wait, what a dead worker left behind."""

import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import datetime, timedelta
from pathlib import Path

from django.conf import settings
from django_tasks import TaskResultStatus
from django_tasks_db.models import DBTaskResult

BEAT = 10.0  # seconds between two signs of life
SILENT = 60.0  # seconds without one after which no worker is taken to live
MOST_RUNS = 2


def beat_file() -> Path:
    return Path(settings.DATA_DIR) / "worker-alive"


@contextmanager
def sign_of_life(every: float = BEAT) -> Iterator[None]:
    """Touches a file of the data folder every few seconds, also while a job keeps the worker busy."""
    ended = threading.Event()

    def beat() -> None:
        while not ended.is_set():
            with suppress(OSError):  # a full disk stops the sign, not the work
                beat_file().touch()
            ended.wait(every)

    thread = threading.Thread(target=beat, daemon=True)
    thread.start()
    try:
        yield
    finally:
        ended.set()
        thread.join()
        beat_file().unlink(missing_ok=True)


def worker_lives() -> bool:
    """Whether a worker on this data folder gave a sign of life within the last minute."""
    try:
        return time.time() - beat_file().stat().st_mtime < SILENT
    except OSError:
        return False


def waiting(now: datetime) -> int:
    """How many jobs have waited longer than a living worker would let them."""
    return DBTaskResult.objects.ready().filter(enqueued_at__lt=now - timedelta(seconds=SILENT)).count()


def hand_back() -> str:
    """Queue again what a dead worker had begun; says in words what was done, empty when nothing was.

    Only for a worker that knows itself alone. Jobs may be handed over more than once: each looks first whether there
    is still something to do. One that took a worker down twice is not tried a third time.
    """
    again = given_up = 0
    for row in DBTaskResult.objects.running():
        if len(row.worker_ids) < MOST_RUNS:
            row.status = TaskResultStatus.READY
            row.save(update_fields=["status"])
            again += 1
        else:
            row.set_failed(RuntimeError("The worker died twice while it ran this job."))
            given_up += 1
    said = [f"{_jobs(again)} taken up again" if again else "", f"{_jobs(given_up)} given up" if given_up else ""]
    return ", ".join(filter(None, said))


def _jobs(number: int) -> str:
    return "1 job" if number == 1 else f"{number} jobs"
