import os
import sys
import threading
from datetime import timedelta
from typing import Any

from django.core.management import call_command
from django.core.management.base import BaseCommand, CommandParser

from inspection.jobs import recover


class Command(BaseCommand):
    help = "Run the jobs: measure scans, draw packets. Any number of workers may run on PostgreSQL; one on SQLite."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--with-parent", action="store_true", help="end when standard input closes")
        parser.add_argument("--alone", action="store_true", help="no other worker runs: take up what was left at once")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["with_parent"]:
            threading.Thread(target=_leave_with_parent, daemon=True).start()
        alone = options["alone"] or options["with_parent"]
        said = recover(stale_after=timedelta(0), waiting_too=True) if alone else recover()
        if said:
            self.stdout.write(said)
        call_command("db_worker", interval=0.5, verbosity=0)


def _leave_with_parent() -> None:
    """The parent holds the other end of standard input; it closes when the parent is gone, however it went."""
    while os.read(sys.stdin.fileno(), 1024):  # not sys.stdin.buffer: its lock, held here, aborts a worker that ends
        pass
    os._exit(0)
