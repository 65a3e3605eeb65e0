"""What holds for every registered calculation."""

import json
import re
from dataclasses import fields, is_dataclass

import pytest
from jsonschema import Draft202012Validator

from metrology.calculations.calculation import SUBJECTS
from metrology.calculations.fields import Amount, Choice, Grid, Many, Sentence, Table, UnitChoice, specs
from metrology.calculations.reading import read
from metrology.calculations.registry import CALCULATIONS, by_subject, find
from metrology.calculations.running import answer, plain, run, solve
from metrology.calculations.schema import schema
from metrology.errors import InputError
from metrology.wording import NBSP

every = pytest.mark.parametrize("one", CALCULATIONS, ids=lambda one: one.name)


def test_names_are_unique_and_fit_an_address():
    names = [one.name for one in CALCULATIONS]
    assert len(set(names)) == len(names)
    assert all(re.fullmatch(r"[a-z0-9]+(-[a-z0-9]+)*", name) for name in names)


def test_every_subject_is_on_the_index():
    assert sum(len(rows) for _, rows in by_subject()) == len(CALCULATIONS)
    assert {one.subject for one in CALCULATIONS} <= set(SUBJECTS)


@every
def test_what_is_written_down_is_complete(one):
    assert one.asks.endswith("?") and one.formula and one.sources and one.title
    assert is_dataclass(one.inputs) and one.inputs.__dataclass_params__.frozen
    assert is_dataclass(one.result) and one.result.__dataclass_params__.frozen
    assert isinstance(next(iter(specs(one.result).values())), Sentence)
    assert fields(one.result)[0].name == "sentence"


@every
def test_every_field_has_a_label_in_sentence_case(one):
    for spec in all_specs(one.inputs) + all_specs(one.result):
        assert spec.label[:1] == spec.label[:1].upper() and not spec.label.endswith((".", ":"))
        assert not spec.help or spec.help.endswith((".", "?"))


@every
def test_units_of_values_name_a_field_that_chooses_them(one):
    choosers = {f"@{name}" for name, spec in specs(one.inputs).items() if isinstance(spec, UnitChoice)}
    for spec in all_specs(one.inputs) + all_specs(one.result):
        item = spec.item if isinstance(spec, Many | Grid) else spec
        if isinstance(item, Amount) and item.unit.startswith("@"):
            assert item.unit in choosers


@every
def test_the_worked_example_is_worked(one):
    result = solve(one, one.example)
    assert result.sentence.endswith(".") and len(result.sentence) < 600
    assert not re.search(r"\d (mm|kg|MPa|m|%|h|s|kN|°C)\b", result.sentence), "number and unit part"
    assert not re.search(r"(?<![\w.'])-\d", result.sentence), "a hyphen is no minus sign"
    assert "nan" not in result.sentence.lower() and NBSP + NBSP not in result.sentence


@every
def test_the_worked_example_gives_the_same_answer_twice(one):
    assert plain(solve(one, one.example)) == plain(solve(one, one.example))


@every
def test_the_example_and_its_answer_are_json_that_reads_back(one):
    data = json.loads(json.dumps(plain(one.example), allow_nan=False))
    inputs, result = run(one, data)
    assert inputs == one.example
    json.dumps(answer(one, inputs, result), allow_nan=False)


@every
def test_the_schema_is_one_and_takes_the_example(one):
    described = schema(one)
    Draft202012Validator.check_schema(described)
    validator = Draft202012Validator(described)
    validator.validate(plain(one.example))
    assert not validator.is_valid({**plain(one.example), "no such field": 1})


@every
def test_the_schema_describes_the_figures(one):
    described = schema(one)["$defs"]["figures"]
    figures = answer(one, one.example, solve(one, one.example))["figures"]
    Draft202012Validator(described).validate(figures)
    assert set(figures) == set(described["properties"])


@every
def test_what_is_left_out_is_what_it_says(one):
    needed = {name: value for name, value in plain(one.example).items() if name in schema(one)["required"]}
    read(one.inputs, needed)


@every
def test_choices_of_the_example_are_choices(one):
    for name, spec in specs(one.inputs).items():
        if isinstance(spec, Choice):
            assert getattr(one.example, name) in spec.options


@every
def test_plots_have_finite_points_and_say_what_they_show(one):
    for plot in one.plot(one.example, solve(one, one.example)) if one.plot else ():
        assert plot.title and plot.says.endswith(".") and plot.series
        json.dumps(plain(plot), allow_nan=False)
        for series in plot.series:
            assert len(series.x) == len(series.y) > 0
            assert not series.names or len(series.names) == len(series.x)


def test_an_unknown_name_is_refused_with_the_nearest():
    with pytest.raises(InputError) as caught:
        find("feet-inches-read")
    assert "Did you mean" in caught.value.sentence


def all_specs(kind):
    found = []
    for spec in specs(kind).values():
        found += [spec, *(all_specs(spec.row) if isinstance(spec, Table) else [])]
    return found
