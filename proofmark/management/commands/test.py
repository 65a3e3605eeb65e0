import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

from django.conf import settings
from django.core.management.base import BaseCommand, CommandParser

from proofmark import chromium

# In the order of the folders: the few long tests in the browser run beside the many short ones, not after them.
PARALLEL = ["-n", "2", "--dist", "loadfile", "--no-loadscope-reorder"]


class Command(BaseCommand):
    help = "Run the tests with pytest. Arguments go to pytest; unless they name a file, two processes share the work."
    requires_system_checks: list[str] = []

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("arguments", nargs="*")

    def run_from_argv(self, argv: list[str]) -> None:
        """Everything after the command belongs to pytest, options too."""
        self.handle(arguments=argv[2:])

    def handle(self, *args: Any, **options: Any) -> None:
        if importlib.util.find_spec("pytest") is None:
            sys.exit("The test packages are missing: install proofmark/locks/test.txt.")
        if chromium.find() is None:
            sys.stderr.write(f"Chromium is missing, so the browser tests are skipped. {chromium.HOW_TO_GET_IT}\n")
        command = pytest_command(options["arguments"], settings.BASE_DIR)
        sys.exit(subprocess.call(command, cwd=settings.BASE_DIR, env=without_own_data(os.environ)))


def pytest_command(arguments: list[str], base: Path) -> list[str]:
    """What to run for these arguments: in parallel unless they name a file or folder, or say themselves how."""
    named = any((base / word.partition("::")[0]).exists() for word in arguments if not word.startswith("-"))
    told = any(word.startswith(("-n", "--numprocesses", "--version", "--help", "-h")) for word in arguments)
    return [sys.executable, "-m", "pytest", "-q", *([] if named or told else PARALLEL), *arguments]


def without_own_data(environment: Any) -> dict[str, str]:
    """The environment less what names a person's data: tests make their own."""
    mine = ("PROOFMARK_TESTING", "PROOFMARK_DATA")
    return {name: value for name, value in environment.items() if not name.startswith(mine)}
