"""Values published outside the project, one table per test file; docs/checks.md is written from these tables.

A test file has CHECKS = [published(…), …] and one test that runs them. `python -m tests.published` writes the paper.
"""

import importlib
import math
import pkgutil
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

PAPER = Path(__file__).resolve().parent.parent / "docs" / "checks.md"
HEAD = """# Checks against published values

Written by `python -m tests.published` from the tables in `tests/`; a test says when it is out of date. Status: READ in
hand; COMPUTED with the library named; from memory; definition: a closed form. "Got" has the digits its tolerance tells.

| calculation | what | source | status | expected | got | within |
|---|---|---|---|---|---|---|
"""


@dataclass(frozen=True)
class Published:
    """calculation: its name in the registry, or the module of metrology. get: gives what the code says now."""

    calculation: str
    what: str
    source: str
    status: str
    expected: Any
    get: Callable[[], Any]
    within: float

    def __str__(self) -> str:
        return f"{self.calculation}, {self.what}"

    def holds(self) -> None:
        got = self.get()
        assert close(got, self.expected, self.within), f"{self}: got {got}, published {self.expected}"


def published(
    calculation: str,
    what: str,
    *,
    source: str,
    status: str,
    expected: Any,
    given: dict[str, Any] | None = None,
    figure: str = "",
    get: Callable[[], Any] | None = None,
    within: float = 0.0,
) -> Published:
    """One check. given and figure: inputs of the registered calculation and which of its figures, as "zones.0.lower";
    or get: a function of no arguments. within: absolute, in the unit of the figure; 0 for equality.
    """
    return Published(
        calculation, what, source, status, expected, get or (lambda: ask(calculation, given, figure)), within
    )


def ask(calculation: str, given: dict[str, Any] | None, figure: str) -> Any:
    """A figure of a registered calculation, by the way that the shell goes."""
    from metrology.calculations.registry import find
    from metrology.calculations.running import answer, run

    found = find(calculation)
    said = answer(found, *run(found, given))
    value: Any = said if figure == "sentence" else said["figures"]
    for step in figure.split("."):
        value = value[int(step)] if isinstance(value, list) else value[step]
    return value


def close(got: Any, expected: Any, within: float) -> bool:
    if isinstance(expected, list | tuple):
        return len(got) == len(expected) and all(close(g, e, within) for g, e in zip(got, expected, strict=True))
    if isinstance(expected, float | int) and not isinstance(expected, bool) and got is not None:
        return math.isfinite(got) and abs(got - expected) <= within
    return bool(got == expected)


def all_checks() -> list[Published]:
    """The tables of all test files of numbers, by calculation, in the order they stand there."""
    import tests.metrology as folder

    found: list[Published] = []
    for module in sorted(pkgutil.walk_packages(folder.__path__, "tests.metrology."), key=lambda one: one.name):
        if module.name.rpartition(".")[2].startswith("test_"):
            found += getattr(importlib.import_module(module.name), "CHECKS", [])
    return sorted(found, key=lambda check: check.calculation)


def paper() -> str:
    return HEAD + "".join(_row(check) for check in all_checks())


def _row(check: Published) -> str:
    within = f"{check.within:g}" if check.within else "equal"
    cells = (
        check.calculation,
        check.what,
        check.source,
        check.status,
        _shown(check.expected, 0.0),
        _shown(check.get(), check.within),
        within,
    )
    return "| " + " | ".join(cell.replace("|", "\\|").replace("\n", " ") for cell in cells) + " |\n"


def _shown(value: Any, within: float) -> str:
    if isinstance(value, list | tuple):
        return ", ".join(_shown(item, within) for item in value)
    if isinstance(value, float) and within:
        places = max(0, 1 - math.floor(math.log10(within)))
        return f"{value:.{places}f}".replace("-0." + "0" * places, "0." + "0" * places)
    return f"{value:.12g}" if isinstance(value, float) else str(value)


if __name__ == "__main__":
    PAPER.write_text(paper(), encoding="utf-8")
    sys.stdout.write(f"{PAPER.name}: {len(all_checks())} checks\n")
