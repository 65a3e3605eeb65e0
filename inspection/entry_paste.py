"""Cells copied from a spreadsheet, for the lines of a measurement sheet: which cell belongs to which number."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from metrology.amounts.entries import decimal_commas
from metrology.wording import count, listed

MOST_ROWS = 500
# Headings of columns that hold readings, and of those that come with them in a spreadsheet but are none.
READINGS = ("value", "actual", "measured", "reading", "result", "measurement")
OTHERS = ("nominal", "nom", "lower", "upper", "min", "max", "tol", "limit", "unit", "instrument", "class", "name",
          "characteristic", "description", "±", "deviation", "dev", "verdict", "note", "date", "by")  # fmt: skip


@dataclass(frozen=True)
class Paste:
    """texts: for each number on the drawing the cells of its readings, as written. faults: what was left out, each
    named by its row and column. understood: how the rows were read, in a sentence."""

    texts: Mapping[int, Sequence[str]]
    faults: Sequence[str]
    understood: str


def column_name(place: int) -> str:
    """A for 0, Z for 25, AA for 26, as in a spreadsheet."""
    name = ""
    place += 1
    while place:
        place, letter = divmod(place - 1, 26)
        name = chr(65 + letter) + name
    return name


def read_paste(text: str, numbers: Sequence[int], names: Sequence[str], start: int | None, most: int) -> Paste:
    """Share pasted rows out to the numbers on the drawing.

    Rows whose first cells are numbers or names on the drawing go there, in any order; else the rows follow each other
    from `start` (the first number when None). Further cells of a row are repeated readings. A line of headings is
    passed over.
    """
    plain = decimal_commas(text.replace("\r\n", "\n").replace("\r", "\n").replace("\u2212", "-"))
    # Inch marks are quotation marks to a reader of tables, so cells are cut at the tabs alone.
    rows = [[cell.strip().strip("\u200b") for cell in line.split("\t")] for line in plain.split("\n")]
    if len(max(rows, key=len)) == 1 and any(";" in cells[0] for cells in rows):
        rows = [[cell.strip() for cell in cells[0].split(";")] for cells in rows]
    while rows and not any(rows[-1]):
        rows.pop()
    if not rows:
        return Paste({}, ["There is nothing to fill in. Paste one row for each characteristic."], "")
    if len(rows) > MOST_ROWS:
        return Paste({}, [f"{count(len(rows), 'row')} are too many for one cast. Import them as a file."], "")
    places = {name.casefold(): number for number, name in zip(numbers, names, strict=True)}
    keyed = _by_number(rows, numbers, places)
    return _keyed(rows, places, numbers, most) if keyed else _in_order(rows, numbers, start, most)


def _by_number(rows: Sequence[Sequence[str]], numbers: Sequence[int], names: Mapping[str, int]) -> bool:
    """Whether the first column names characteristics, each once, in most of the rows that have cells behind it."""
    wide = [cells for cells in rows if sum(map(bool, cells)) > 1]
    known = [_number(cells[0], numbers, names) for cells in wide]
    found = [number for number in known if number is not None]
    return bool(found) and len(found) == len(set(found)) and 2 * len(found) >= len(known)


def _number(cell: str, numbers: Sequence[int], names: Mapping[str, int]) -> int | None:
    if cell.isdigit() and int(cell) in numbers:
        return int(cell)
    return names.get(cell.casefold())


def _is_heading(cells: Sequence[str]) -> bool:
    return any(cells) and not any(letter.isdigit() for cell in cells for letter in cell.removesuffix("1"))


def _reading_columns(heading: Sequence[str]) -> list[int] | None:
    """Which columns hold readings, by what stands above them; None when that does not say."""
    words = [cell.casefold().strip(" .:") for cell in heading]
    named = [place for place, word in enumerate(words) if word.startswith(READINGS)]
    return named or [place for place, word in enumerate(words) if place and not word.startswith(OTHERS)] or None


def _keyed(rows: Sequence[Sequence[str]], names: Mapping[str, int], numbers: Sequence[int], most: int) -> Paste:
    texts: dict[int, list[str]] = {}
    faults = []
    heading = _number(rows[0][0], numbers, names) is None
    columns = _reading_columns(rows[0]) if heading else None
    for line, cells in enumerate(rows, 1):
        number = _number(cells[0], numbers, names)
        if number is None:
            if any(cells) and line > 1:
                faults.append(f"Row {line}, column A: “{cells[0][:30]}” is no number or name on this sheet. Left out.")
            continue
        if columns is not None:
            kept = [cell if place in columns else "" for place, cell in enumerate(cells)]
        else:  # a second cell that only repeats the name is no reading
            kept = ["" if not place or cell.casefold() in names else cell for place, cell in enumerate(cells)]
        _take(texts, faults, number, line, kept, most)
    return Paste(texts, faults, f"Read as: number on the drawing, then its readings; {count(len(texts), 'line')}.")


def _in_order(rows: Sequence[Sequence[str]], numbers: Sequence[int], start: int | None, most: int) -> Paste:
    left = [number for number in numbers if start is None or number >= start]
    body = list(enumerate(rows, 1))
    if _is_heading(rows[0]):
        body = body[1:]
    texts: dict[int, list[str]] = {}
    faults = []
    for (line, cells), number in zip(body, left, strict=False):
        _take(texts, faults, number, line, cells, most)
    over = [str(line) for line, cells in body[len(left) :] if any(cells)]
    if over:
        rows_over = f"Row {over[0]}" if len(over) == 1 else f"Rows {listed(over, 3)}"
        faults.append(f"{rows_over}: there is no characteristic after number {left[-1]}. Left out.")
    return Paste(texts, faults, f"Read as: one row for each number from {left[0]} on; {count(len(texts), 'line')}.")


def _take(
    texts: dict[int, list[str]], faults: list[str], number: int, line: int, cells: Sequence[str], most: int
) -> None:
    given = [(place, cell) for place, cell in enumerate(cells) if cell]
    for place, _ in given[most:]:
        faults.append(f"Row {line}, column {column_name(place)}: more than {most} readings. Left out.")
    if given:
        texts[number] = [cell for _, cell in given[:most]]
