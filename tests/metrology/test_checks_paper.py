"""docs/checks.md says what the tests check."""

from metrology.calculations.registry import CALCULATIONS
from tests.published import PAPER, all_checks, paper


def test_the_paper_of_checks_is_up_to_date():
    assert PAPER.read_text(encoding="utf-8") == paper(), "Write it anew: python -m tests.published"


def test_every_calculation_is_checked_against_something_published():
    assert {one.name for one in CALCULATIONS} <= {check.calculation for check in all_checks()}


def test_every_check_names_its_source_and_status():
    known = ("READ", "COMPUTED", "from memory", "definition", "common practice")
    assert all(check.source and check.status.startswith(known) for check in all_checks())
