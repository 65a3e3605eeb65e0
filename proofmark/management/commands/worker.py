import logging
import os
import sys
import threading
from datetime import timedelta
from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandParser
from django.db import connections
from django.utils.crypto import get_random_string
from django_tasks_db.management.commands.db_worker import Worker

from inspection import mould_recovery
from inspection.jobs import recover
from lessons import recovery
from proofmark import jobs

logger = logging.getLogger(__name__)

SECONDS_BETWEEN_LOOKS = 0.5
SECONDS_BETWEEN_RECOVERIES = 60.0
# Longer than at the start: a living worker on a busy machine may be silent for a while, also this very one.
SILENT_FOR_GOOD = timedelta(minutes=5)
DAYS_KEPT = 14  # of the rows of jobs that ended
GIVES_WAY = 10  # a job may take a moment longer, a page that somebody waits for may not


class Command(BaseCommand):
    help = "Run the jobs: measure scans, draw packets. Any number of workers may run on PostgreSQL; one on SQLite."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--with-parent", action="store_true", help="end when standard input closes")
        parser.add_argument("--alone", action="store_true", help="no other worker runs: take up what was left at once")
        parser.add_argument("--until-done", action="store_true", help="end when no job waits")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["with_parent"]:
            threading.Thread(target=_leave_with_parent, daemon=True).start()
            if hasattr(os, "nice"):  # the parent answers people
                os.nice(GIVES_WAY)
        # The queue writes a line for each job; only what went wrong is of use to a person.
        for name in ("django_tasks", "django_tasks_db"):
            logging.getLogger(name).setLevel(logging.ERROR)
        call_command("prune_db_task_results", min_age_days=DAYS_KEPT, verbosity=0)
        self._take_up(alone=options["alone"] or options["with_parent"])
        worker = Worker(
            queue_names=["*"],
            excluded_queue_names=[],
            interval=SECONDS_BETWEEN_LOOKS,
            batch=options["until_done"],
            backend_name="default",
            startup_delay=False,
            max_tasks=None,
            worker_id=get_random_string(32),
        )
        worker.configure_signals()
        ended = threading.Event()
        recovering = threading.Thread(target=keep_recovering, args=(ended,), daemon=True)
        recovering.start()
        try:
            with jobs.sign_of_life():
                worker.run()
        finally:
            ended.set()
            recovering.join(timeout=5)

    def _take_up(self, *, alone: bool) -> None:
        """What a worker that died left half done, said in one line."""
        at_once = {"stale_after": timedelta(0), "waiting_too": True} if alone else {}
        rooms = (recover, mould_recovery.recover, recovery.recover)
        said = [*(take_up(**at_once) for take_up in rooms), jobs.hand_back() if alone else ""]
        if any(said):
            self.stdout.write(f"Worker: {', '.join(filter(None, said))}.")
            self.stdout.flush()


def keep_recovering(ended: threading.Event, every: float = SECONDS_BETWEEN_RECOVERIES) -> None:
    """Take up the scans of other workers that died meanwhile. What goes wrong is logged, and tried again later."""
    while not ended.wait(every):
        try:
            recover(stale_after=SILENT_FOR_GOOD)
            mould_recovery.recover(stale_after=SILENT_FOR_GOOD)
            recovery.recover(stale_after=SILENT_FOR_GOOD)
        except Exception:
            logger.exception("Scans of workers that died could not be taken up")
        finally:
            connections.close_all()  # this thread's own


def _leave_with_parent() -> None:
    """The parent holds the other end of standard input; it closes when the parent is gone, however it went."""
    while os.read(sys.stdin.fileno(), 1024):  # not sys.stdin.buffer: its lock, held here, aborts a worker that ends
        pass
    os._exit(0)
