import time
from typing import Any

from django.core.management.base import BaseCommand, CommandError

from fixtures.demo import load
from parts.models import Kit
from proofmark import running


class Command(BaseCommand):
    help = "Fill an empty data folder with the demonstration. `demo` calls this; it refuses a folder in use."

    def handle(self, *args: Any, **options: Any) -> None:
        running.prepare()
        if Kit.objects.exists():
            raise CommandError("This data folder holds a kit already. Choose an empty one with PROOFMARK_DATA.")
        begun = time.monotonic()

        def say(line: str) -> None:
            self.stdout.write(f"{time.monotonic() - begun:5.0f} s  {line}")
            self.stdout.flush()

        load(say)
