import importlib.util
import os
import shutil
import subprocess
import sys
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser


class Command(BaseCommand):
    help = "Run the tests with pytest. Arguments go to pytest; without any, all tests run on two processes."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("arguments", nargs="*")

    def run_from_argv(self, argv: list[str]) -> None:
        """Everything after the command belongs to pytest, options too."""
        self.handle(arguments=argv[2:])

    def handle(self, *args: Any, **options: Any) -> None:
        given = list(options["arguments"])
        if importlib.util.find_spec("pytest") is None:
            sys.exit("The test packages are missing. Call: python3 manage.py test")
        if not any(shutil.which(name) for name in ("chromium", "chromium-browser", "google-chrome")):
            sys.stderr.write(
                "Chromium is missing, so the browser tests are skipped. Get it: apt install chromium (Debian, Ubuntu), "
                "brew install --cask chromium (macOS), or set PROOFMARK_CHROMIUM to its path.\n"
            )
        environment = {k: v for k, v in os.environ.items() if not k.startswith(("PROOFMARK_TESTING", "PROOFMARK_DATA"))}
        parallel = [] if given else ["-n", "2", "--dist", "loadfile"]
        sys.exit(
            subprocess.call(
                [sys.executable, "-m", "pytest", "-q", *parallel, *given], cwd=settings.BASE_DIR, env=environment
            )
        )
