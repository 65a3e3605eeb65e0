from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser

from proofmark import running
from proofmark.models import Person
from proofmark.people import first_run_code


class Command(BaseCommand):
    help = "Serve Proofmark to this machine, or with --lan to the workshop, and run its jobs."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--lan", action="store_true", help="answer other machines too, not only this one")
        parser.add_argument("--port", type=int, default=8017)

    def handle(self, *args: Any, **options: Any) -> None:
        host, port = ("0.0.0.0" if options["lan"] else "127.0.0.1"), options["port"]
        running.free_port(host, port)
        if options["lan"]:
            settings.ALLOWED_HOSTS.append(running.lan_address())
        running.prepare()
        self.stdout.write(f"Proofmark on http://localhost:{port}/  (Ctrl+C stops it)")
        if options["lan"]:
            self.stdout.write(f"In the workshop: http://{running.lan_address()}:{port}/")
        self.stdout.write(f"Data in {settings.DATA_DIR}")
        if not Person.objects.exists():
            self.stdout.write(
                f"Nobody has an account yet. Open the address; the code is {first_run_code(settings.DATA_DIR)}."
            )
        self.stdout.flush()
        running.run(host, port, self.stdout.write)
