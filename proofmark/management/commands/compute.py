import json
import sys
from typing import Any

from django.core.management.base import BaseCommand, CommandParser

from metrology.calculations.problems import Refused
from metrology.calculations.registry import by_subject, find
from metrology.calculations.running import answer, plain, run
from metrology.calculations.schema import schema
from metrology.errors import InputError

BAD_INPUT = 2


class Command(BaseCommand):
    """Reads standard input, writes standard output. Needs no database. Exit status 2 for inputs that are refused."""

    help = "Run one calculation: JSON in, JSON out. compute NAME < in.json > out.json"
    requires_system_checks: list[str] = []
    requires_migrations_checks = False

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("name", nargs="?", help="which calculation")
        asked = parser.add_mutually_exclusive_group()
        asked.add_argument("--list", action="store_true", help="all calculations, one a line")
        asked.add_argument("--schema", metavar="NAME", help="JSON Schema of its inputs")
        asked.add_argument("--example", metavar="NAME", help="inputs of its worked example")

    def handle(self, *args: Any, **options: Any) -> None:
        try:
            if options["list"]:
                self._list()
            elif options["schema"]:
                self._write(schema(find(options["schema"])))
            elif options["example"]:
                self._write(plain(find(options["example"]).example))
            elif options["name"]:
                calculation = find(options["name"])
                self._write(answer(calculation, *run(calculation, self._read())))
            else:
                self._refuse(["Say which calculation: compute NAME < in.json, or compute --list."])
        except Refused as refused:
            self._refuse([f"{problem.path}: {problem.sentence}".removeprefix(": ") for problem in refused.problems])
        except InputError as error:
            self._refuse([error.sentence])

    def _list(self) -> None:
        for subject, rows in by_subject():
            for one in rows:
                self.stdout.write(f"{one.name:30} {subject}: {one.asks}")

    def _write(self, data: Any) -> None:
        self.stdout.write(json.dumps(data, ensure_ascii=False, indent=2, allow_nan=False))

    def _read(self) -> Any:
        try:
            return json.loads(sys.stdin.read(), parse_constant=_no_constant, object_pairs_hook=_no_twice)
        except (ValueError, RecursionError) as error:
            raise InputError("bad-json", f"The input is not JSON: {error}. See --example for its shape.") from error

    def _refuse(self, lines: list[str]) -> None:
        for line in lines:
            self.stderr.write(line)
        sys.exit(BAD_INPUT)


def _no_constant(word: str) -> None:
    raise ValueError(f"{word} is not a number that can be measured")


def _no_twice(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found: dict[str, Any] = {}
    for key, value in pairs:
        if key in found:
            raise ValueError(f"“{key}” stands twice in one object")
        found[key] = value
    return found
