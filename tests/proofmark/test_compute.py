"""Calculations in the shell: JSON in, JSON out, no database."""

import io
import json
import sys

import pytest
from django.core.management import call_command

from metrology.calculations.registry import CALCULATIONS


@pytest.fixture
def compute(monkeypatch):
    """compute("name", text=…) → (status, what was written, what was complained about)."""

    def run(*words, text=""):
        monkeypatch.setattr(sys, "stdin", io.StringIO(text))
        out, err, status = io.StringIO(), io.StringIO(), 0
        try:
            call_command("compute", *words, stdout=out, stderr=err, no_color=True)
        except SystemExit as end:
            status = end.code
        return status, out.getvalue(), err.getvalue()

    return run


def test_the_list_names_every_calculation(compute):
    status, said, _ = compute("--list")
    assert (
        status == 0 and [line.split()[0] for line in said.splitlines()].sort() == [c.name for c in CALCULATIONS].sort()
    )
    assert len(said.splitlines()) == len(CALCULATIONS)


def test_an_example_can_be_computed(compute):
    _, example, _ = compute("--example", "read-feet-inches")
    status, said, complaint = compute("read-feet-inches", text=example)
    answer = json.loads(said)
    assert (status, complaint) == (0, "")
    assert answer["sentence"] == "5'-7 3/8\" is 1711.33\u00a0mm."
    assert answer["figures"]["mm"] == 1711.325 and answer["units"]["mm"] == "mm"


def test_a_schema_is_written(compute):
    status, said, _ = compute("--schema", "read-feet-inches")
    assert status == 0 and json.loads(said)["required"] == ["text"]


def test_each_bad_field_gets_a_line_of_its_own(compute):
    status, said, complaint = compute("write-feet-inches", text='{"lenght": 3, "division": "5"}')
    assert (status, said) == (2, "")
    assert [line.split(":")[0] for line in complaint.splitlines()] == ["/lenght", "/length", "/division"]


@pytest.mark.parametrize(
    ("words", "text", "says"),
    [
        ([], "", "Say which calculation"),
        (["read-feet"], "{}", "Did you mean “read-feet-inches”?"),
        (["--schema", "qqqqqq"], "", "See them all with --list"),
        (["read-feet-inches"], "{text", "The input is not JSON"),
        (["read-feet-inches"], "", "The input is not JSON"),
        (["write-feet-inches"], '{"length": NaN}', "NaN is not a number that can be measured"),
        (["write-feet-inches"], '{"length": 1, "length": 2}', "“length” stands twice"),
        (["write-feet-inches"], "[]", "Give an object with the fields length, division"),
        (["write-feet-inches"], "[" * 100_000, "The input is not JSON"),
    ],
)
def test_what_cannot_be_computed_says_why_with_status_two(compute, words, text, says):
    status, said, complaint = compute(*words, text=text)
    assert (status, said) == (2, "") and says in complaint and "Traceback" not in complaint
