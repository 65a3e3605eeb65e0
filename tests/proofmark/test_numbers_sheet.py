"""From the texts of a page to the inputs of a calculation and back, without a browser."""

from dataclasses import dataclass, fields

import pytest

from metrology.calculations.calculation import Calculation, Source
from metrology.calculations.fields import (
    amount,
    amounts,
    choice,
    flag,
    grid,
    sentence,
    share,
    table,
    text,
    unit_choice,
    whole,
)
from metrology.calculations.problems import Refused, refuse
from metrology.calculations.reading import read
from metrology.calculations.registry import CALCULATIONS, find
from metrology.calculations.running import run
from metrology.calculations.said import Quantity, say, written
from proofmark.numbers import pasting
from proofmark.numbers.result import Writer
from proofmark.numbers.sheet import Sheet
from proofmark.numbers.units import answer_unit


@dataclass(frozen=True)
class Piece:
    name: str = text("Name")
    length: float = amount("Length", "mm", above=0.0)
    side: str = choice("Side", {"left": "Left side", "right": "Right side"}, default="left")
    readings: tuple[float, ...] = amounts("Readings", "@unit", default=())


@dataclass(frozen=True, kw_only=True)
class Given:
    gap: float = amount("Gap", "mm")
    confidence: float = share("Confidence", default=0.95)
    number: int = whole("Number", default=2)
    unit: str = unit_choice()
    both: bool = flag("Both sides")
    pieces: tuple[Piece, ...] = table("Pieces", Piece)
    counts: tuple[tuple[float, ...], ...] = grid("Counts", default=())
    limit: float | None = amount("Limit", "@unit", default=None)


@dataclass(frozen=True)
class Found:
    sentence: str = sentence()
    result: str = text("Result")
    total: float = amount("Total", "mm", decimals=1)
    rate: float | None = share("Rate", default=None)
    worst: float | None = amount("Worst", "@unit", default=None)
    pieces: tuple[Piece, ...] = table("Pieces", Piece, default=())


def add(given: Given) -> Found:
    if given.gap < 0:
        raise refuse("/gap", "The gap is negative. Measure again.")
    if given.number > 8:
        raise refuse("/pieces/1/length", "Too long with so many.")
    total = given.gap + sum(piece.length for piece in given.pieces)
    said = say("All is {total}.", total=Quantity(total, "mm", 1))
    return Found(said, "conforms", total, given.confidence, given.limit, given.pieces)


EXAMPLE = Given(
    gap=5.5,
    confidence=0.9,
    unit="MPa",
    both=True,
    pieces=(Piece("a", 100.0, "left", (1.5, 2.0)), Piece("b", 609.6, "right")),
    counts=((1.0, 2.0), (3.0, 4.0)),
)
ONE = Calculation(
    "add", "Add", "Units", "How long?", Given, Found, add, EXAMPLE, "sum", (Source("arithmetic", "definition"),)
)


def texts_of(sheet: Sheet) -> dict[str, str]:
    """What a browser would send of a page."""
    sent = {"calculate": "1"}
    for box in sheet.boxes:
        rows = getattr(box, "rows", None)
        if rows is not None:
            sent[f"{box.name}.rows"] = str(len(rows))
            sent |= {f"{column.name}.unit": column.unit for column in box.columns if column.units}
            if box.pasted_only:
                sent[f"{box.name}.paste"] = box.paste
                continue
        for one in [cell for row in rows for cell in row] if rows is not None else [box]:
            if one.kind != "flag" or one.text:
                sent[one.name] = one.text
        if box.units:
            sent[f"{box.name}.unit"] = box.unit
    return sent


def sent(**changes: str) -> Sheet:
    names = {name.replace("__", "-"): text for name, text in changes.items()}
    return Sheet.of_sent(ONE, texts_of(Sheet.of_example(ONE, "metric")) | names, "metric")


def errors(sheet: Sheet) -> dict[str, str]:
    with pytest.raises(Refused) as caught:
        run(ONE, sheet.plain)
    sheet.place(caught.value.problems)
    return {label: said for _, label, said in sheet.errors()}


@pytest.mark.parametrize("one", [ONE, *CALCULATIONS], ids=lambda one: one.name)
def test_a_page_of_the_example_reads_back_as_the_example(one):
    sheet = Sheet.of_example(one, "metric")
    assert read(one.inputs, sheet.plain) == one.example
    assert read(one.inputs, Sheet.of_sent(one, texts_of(sheet), "metric").plain) == one.example


@pytest.mark.parametrize("one", [ONE, *CALCULATIONS], ids=lambda one: one.name)
def test_a_page_in_feet_and_pounds_reads_back_nearly_so(one):
    inputs = read(one.inputs, Sheet.of_sent(one, texts_of(Sheet.of_example(one, "us")), "us").plain)
    for each in fields(inputs):
        value, wanted = getattr(inputs, each.name), getattr(one.example, each.name)
        if isinstance(value, float):
            assert value == pytest.approx(wanted, rel=1e-4, abs=0.02)


def test_the_person_chooses_the_unit():
    sheet = sent(gap="5'-7 3/8\"")
    assert run(ONE, sheet.plain)[0].gap == 1711.325
    sheet = Sheet.of_sent(ONE, texts_of(Sheet.of_example(ONE, "metric")) | {"gap": "2", "gap.unit": "in"}, "metric")
    assert run(ONE, sheet.plain)[0].gap == 50.8


def test_what_was_typed_is_kept_and_the_error_stands_beside_it():
    sheet = sent(gap="abc", number="2,5")
    assert set(errors(sheet)) == {"Gap", "Number"}
    assert next(box for box in sheet.boxes if box.name == "gap").text == "abc"


def test_an_error_in_a_row_stands_in_its_cell_whatever_row_is_empty():
    sheet = sent(pieces__0__length="", pieces__0__name="", pieces__0__readings="", pieces__1__length="x")
    assert errors(sheet) == {"Pieces, row 2, Length": "“x” is not a number. Write 0.35 or 0,35."}


def test_an_error_in_a_list_says_which_figure():
    assert "Figure 2: “x” is not a number" in errors(sent(pieces__0__readings="1; x"))["Pieces, row 1, Readings"]


def test_an_error_in_a_matrix_says_row_and_figure():
    assert errors(sent(counts="1 2\n3; x"))["Counts"].startswith("Row 2, figure 2: “x” is not a number")
    assert errors(sent(counts="1 2\n3"))["Counts"].startswith("Row 2 has 1\u00a0figure")


def test_what_the_calculation_refuses_stands_at_its_field():
    assert errors(sent(gap="-1")) == {"Gap": "The gap is negative. Measure again."}
    assert errors(sent(number="9")) == {"Pieces, row 2, Length": "Too long with so many."}


def test_a_table_without_rows_is_refused():
    empty = {f"pieces__{i}__{name}": "" for i in range(3) for name in ("name", "length", "readings")}
    assert errors(sent(**empty)) == {"Pieces": "At least 1\u00a0row needed; there are 0."}


def test_rows_can_be_pasted_with_their_heads():
    data = texts_of(Sheet.of_example(ONE, "metric")) | {
        "pieces.paste": "Name\tLength\nx\t12,5\ny\t7\tRight side\t1 2\n"
    }
    sheet = Sheet.of_sent(ONE, data, "metric")
    assert run(ONE, sheet.plain)[0].pieces == (Piece("x", 12.5), Piece("y", 7.0, "right", (1.0, 2.0)))


def test_a_paste_that_cannot_be_split_is_kept_and_says_why():
    data = texts_of(Sheet.of_example(ONE, "metric")) | {"pieces.paste": "x 12\ny 7"}
    sheet = Sheet.of_sent(ONE, data, "metric")
    assert not sheet.good and sheet.boxes[5].paste == "x 12\ny 7"
    assert [said for _, _, said in sheet.errors()] == ["Line 1 has one column. Put tabs or semicolons between columns."]


def test_many_rows_are_shown_as_text_and_read_back():
    data = texts_of(Sheet.of_example(ONE, "metric"))
    rows = [f"p{i}; {i + 1}" for i in range(60)]
    sheet = Sheet.of_sent(ONE, data | {"pieces.paste": "\n".join(rows)}, "metric")
    again = Sheet.of_sent(ONE, texts_of(sheet), "metric")
    assert sheet.boxes[5].pasted_only and len(run(ONE, again.plain)[0].pieces) == 60
    bad = Sheet.of_sent(ONE, data | {"pieces.paste": "\n".join([*rows, "bad; x"])}, "metric")
    assert errors(bad)["Pieces"].startswith("Row 61, Length: “x” is not a number")


def test_a_table_keeps_one_empty_row_however_often_it_is_sent():
    sheet = Sheet.of_example(ONE, "metric")
    for _ in range(3):
        sheet = Sheet.of_sent(ONE, texts_of(sheet) | {f"pieces-{len(sheet.boxes[5].rows) - 1}-side": "left"}, "metric")
    assert len(sheet.boxes[5].rows) == 3


def test_three_rows_can_be_added():
    sheet = Sheet.of_sent(ONE, texts_of(Sheet.of_example(ONE, "metric")), "metric", more="pieces")
    assert len(sheet.boxes[5].rows) == 5


def shown(system="metric", **chosen):
    inputs, result = run(ONE, Sheet.of_example(ONE, "metric").plain)
    return Writer(inputs, chosen, system).show(result)


def test_the_answer_is_written_in_the_units_of_whoever_asked():
    assert shown().sentence == "All is 715.1\u00a0mm."
    assert shown(length="ft-in").sentence == "All is 2'-4.154\"."
    assert shown("us").figures[1].text == "2'-4.154\""
    assert shown(length="in").figures[1].text == "28.154\u00a0in"


def test_a_unit_that_was_chosen_by_name_is_kept_by_whoever_reads_feet():
    one = find("convert-unit")
    inputs, result = run(one, Sheet.of_example(one, "us").plain)
    answer = Writer(inputs, {}, "us").show(result)
    assert answer.sentence == "4000\u00a0psi is 27.579\u00a0MPa." and answer.figures[0].text == "27.579\u00a0MPa"


@pytest.mark.parametrize(
    ("mm", "decimals", "text"),
    [(0.0351, 4, '0.0014"'), (-0.2, 2, '\u22120.0079"'), (0.2, 1, '0.008"'), (50.046, 3, '1.970"')],
)
def test_a_small_length_known_to_the_hundredth_is_written_to_a_ten_thousandth_of_an_inch(mm, decimals, text):
    assert written(mm, "mm", "ft-in", decimals) == text


def test_figures_that_are_not_there_are_said_to_be_none():
    figures = {figure.label: figure for figure in shown().figures}
    assert figures["Worst"].text == "none" and figures["Rate"].text == "90\u00a0%"
    assert figures["Result"].mark == "pass" and shown().mark == "pass"


@pytest.mark.parametrize(
    ("rate", "text"),
    [
        (1.0, "100.0\u00a0%"),
        (0.99996, "more than 99.9\u00a0%"),
        (0.9994, "99.9\u00a0%"),
        (0.0, "0.0\u00a0%"),
        (0.0001, "less than 0.1\u00a0%"),
    ],
)
def test_nearly_all_is_never_written_as_all(rate, text):
    @dataclass(frozen=True)
    class Rate:
        sentence: str = sentence()
        rate: float = share("Rate", decimals=3)

    figure = Writer(EXAMPLE, {}, "metric").show(Rate("All.", rate)).figures[0]
    assert figure.text == text


def test_a_table_of_the_answer_has_its_units_in_the_head():
    table_ = shown().tables[0]
    assert [head for head, _ in table_.heads] == ["Name", "Length (mm)", "Side", "Readings (MPa)"]
    assert [cell for cell, _ in table_.rows[0]] == ["a", "100", "Left side", "1.5, 2"]


@pytest.mark.parametrize(
    ("unit", "chosen", "system", "wanted"),
    [
        ("mm", {}, "metric", "mm"),
        ("mm", {"length": "m"}, "metric", "mm"),
        ("mm", {"length": "ft"}, "metric", "in"),
        ("m", {"length": "ft"}, "metric", "ft"),
        ("m", {"length": "ft-in"}, "metric", "ft-in"),
        ("mm", {"length": "mm"}, "us", "mm"),
        ("mm", {}, "us", "ft-in"),
        ("kg", {"mass": "lb"}, "metric", "lb"),
        ("kg/m³", {}, "us", "lb/ft³"),
        ("1", {}, "us", "1"),
        ("h", {}, "us", "h"),
    ],
)
def test_who_typed_feet_reads_feet(unit, chosen, system, wanted):
    assert answer_unit(unit, "", chosen, system) == wanted


@pytest.mark.parametrize(
    ("pasted", "wanted"),
    [
        ("1 2 3", ["1", "2", "3"]),
        ("1,5 2,5", ["1.5", "2.5"]),
        ("1\n2\n\n3\n", ["1", "2", "3"]),
        ("1; 2;3", ["1", "2", "3"]),
        ("10.1, 10.2, 10.3", ["10.1", "10.2", "10.3"]),
        ("10.1,10.2,10.3", ["10.1", "10.2", "10.3"]),
        ("5' 7\"; 5' 8\"", ["5' 7\"", "5' 8\""]),
        ("12,345 12,346", ["12,345", "12,346"]),
        ("12,345 0,5", ["12.345", "0.5"]),
        ("", []),
    ],
)
def test_pasted_figures_are_told_apart(pasted, wanted):
    assert pasting.figures(pasted) == wanted


@pytest.mark.parametrize(
    ("pasted", "wanted"),
    [
        ("a\t1\nb\t2", [["a", "1"], ["b", "2"]]),
        ("a; 1,5\nb; 2", [["a", "1.5"], ["b", "2"]]),
        ("a,1.5\nb,2.5", [["a", "1.5"], ["b", "2.5"]]),
        ("a\t1\t\t", [["a", "1"]]),
        ("a|1", [["a", "1"]]),
    ],
)
def test_pasted_tables_are_split(pasted, wanted):
    assert pasting.table(pasted, 2) == wanted


def test_too_many_columns_are_refused():
    with pytest.raises(ValueError, match="Line 2 has 3 columns; there are 2 here"):
        pasting.table("a\t1\nb\t2\t3", 2)
