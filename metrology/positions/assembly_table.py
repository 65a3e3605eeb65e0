"""The table of a nominal assembly: one placed part a line, as pasted, as CSV or as a spreadsheet. Nothing is guessed.

Columns by their headings, in any order: label, part number, revision, x, y, z, turned about x, y and z (degrees), or a
matrix (m11 to m34, row by row; m41 to m44 if given must be 0 0 0 1), position tolerance, turn tolerance, control part.
"""

import csv
import io
import re
import zipfile
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from metrology.amounts.units import LENGTH_IN_MM
from metrology.bodies import Floats
from metrology.errors import InputError
from metrology.positions.assembly import is_rigid, nearest_rigid
from metrology.wording import count, listed

MOST_ROWS = 300
_MOST_BYTES = 20_000_000
# R = Rz·Ry·Rx: about fixed x, then y, then z; the same as about z, then the turned y, then the turned x.
Convention = Literal["x, y, z", "z, y, x"]
CONVENTIONS: Mapping[str, str] = {
    "x, y, z": "about the fixed x axis, then y, then z (the same as about z, then the part's own y, then its own x)",
    "z, y, x": "about the fixed z axis, then y, then x (the same as about x, then the part's own y, then its own z)",
}
HEADINGS: Mapping[str, tuple[str, ...]] = {
    "label": ("label", "place", "position", "mark", "where", "id"),
    "part_number": ("part number", "part", "part no", "component"),
    "letter": ("revision", "rev", "letter"),
    "x": ("x", "tx", "m14"),
    "y": ("y", "ty", "m24"),
    "z": ("z", "tz", "m34"),
    "rx": ("rx", "rot x", "about x", "turned about x", "rotation x"),
    "ry": ("ry", "rot y", "about y", "turned about y", "rotation y"),
    "rz": ("rz", "rot z", "about z", "turned about z", "rotation z"),
    "position_tolerance": ("position tolerance", "pos tol", "position tol", "zone", "tolerance"),
    "turn_tolerance": ("turn tolerance", "angle tolerance", "turn tol", "rotation tolerance"),
    "control": ("control", "control part"),
    **{f"m{i}{j}": (f"m{i}{j}", f"r{i}{j}") for i in (1, 2, 3) for j in (1, 2, 3)},
    **{f"m4{j}": (f"m4{j}",) for j in (1, 2, 3, 4)},
}
_COLUMN_OF = {heading: column for column, headings in HEADINGS.items() for heading in headings}
_LENGTHS = ("x", "y", "z", "position_tolerance")
_TURNS = tuple(f"m{i}{j}" for i in (1, 2, 3) for j in (1, 2, 3))
_LAST = {"m41": 0.0, "m42": 0.0, "m43": 0.0, "m44": 1.0}
_YES = {"yes", "y", "x", "1", "true", "control", "ja", "j"}
_NO = {"", "no", "n", "0", "false", "-", "nein"}
_IN_BRACKETS = re.compile(r"\s*[\[(]([^\])]*)[\])]\s*$")


@dataclass
class TableRow:
    """line: in the table, from 1. matrix: (4, 4) mm, None when a fault stands in its way. faults: a sentence each.
    cells: as written, by column."""

    line: int
    cells: Mapping[str, str]
    label: str = ""
    part_number: str = ""
    letter: str = ""
    matrix: Floats | None = None
    position_mm: float | None = None
    turn_deg: float | None = None
    control: bool = False
    faults: list[str] = field(default_factory=list)


@dataclass(frozen=True)
class Table:
    """by_matrix: transforms were given as matrices, so that no convention of turns was needed. turned: some row has
    turns about axes. passed_over: headings nobody knows."""

    rows: Sequence[TableRow]
    by_matrix: bool
    turned: bool
    passed_over: Sequence[str]


def rows_of_text(text: str) -> list[list[str]]:
    """Cells of pasted or CSV text; tabs, semicolons, commas or bars. Raises InputError (table)."""
    plain = text.replace("\r\n", "\n").replace("\r", "\n").replace("\ufeff", "")
    first = next((line for line in plain.split("\n") if line.strip()), "")
    delimiter = next((d for d in "\t;" if d in first), max(",|", key=first.count))
    reader = csv.reader(io.StringIO(plain), delimiter=delimiter, skipinitialspace=True)
    try:
        return [[cell.strip() for cell in cells] for cells in reader]
    except csv.Error:
        raise InputError(
            "table", f"Line {reader.line_num} cannot be read as a table. Check its quotation marks."
        ) from None


def rows_of_spreadsheet(content: bytes) -> list[list[str]]:
    """Cells of the first sheet of an XLSX file, values not formulas. Raises InputError (table)."""
    unreadable = InputError(
        "table", "The spreadsheet cannot be read. Save it as XLSX or CSV again and choose that file."
    )
    try:
        with zipfile.ZipFile(io.BytesIO(content)) as archive:
            if sum(entry.file_size for entry in archive.infolist()) > 5 * _MOST_BYTES:
                raise InputError(
                    "table", "The spreadsheet unpacks to more than 100\u00a0MB. A table of parts is small: check it."
                )
        from openpyxl import load_workbook

        book = load_workbook(io.BytesIO(content), read_only=True, data_only=True)
        sheet = book.worksheets[0]
        rows = []
        for number, cells in enumerate(sheet.iter_rows(values_only=True, max_col=60), 1):
            if number > 20 * MOST_ROWS:
                break
            row = [_cell(value) for value in cells]
            while row and not row[-1]:
                row.pop()
            rows.append(row)
        book.close()
    except InputError:
        raise
    except Exception as error:  # a damaged workbook fails in many ways inside the library
        raise unreadable from error
    return rows


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, float):
        return f"{value:.12g}"
    return str(value).strip()


def read_table(rows: Iterable[Sequence[str]], unit: str, convention: Convention) -> Table:
    """What a table of cells says. unit: of lengths whose heading names none. convention: how turns follow each other.

    Raises InputError (table) when the table as a whole is no use; faults of single rows are in the rows.
    """
    scale = LENGTH_IN_MM[unit]
    headings: list[str | None] | None = None
    names: list[str] = []
    factors: dict[str, float] = {}
    found: list[TableRow] = []
    for line, row in enumerate(rows, 1):
        cells = [cell.strip() for cell in row]
        if not any(cells):
            continue
        if headings is None:
            names = cells
            headings, factors = _headings(cells, scale)
        elif len(found) == MOST_ROWS:
            raise InputError(
                "table", f"The table has more than {count(MOST_ROWS, 'row')}. Import the assembly in parts."
            )
        else:
            found.append(_row(line, cells, headings, factors, convention))
    if headings is None:
        raise InputError("table", "Paste a table, or choose a file with one.")
    if not found:
        raise InputError("table", "There is only a line of headings. Add a line for each placed part.")
    first: dict[str, int] = {}
    for one in found:
        if one.label and one.label.lower() in first:
            one.faults.append(f"The label {one.label} stands in line {first[one.label.lower()]} already.")
        first.setdefault(one.label.lower(), one.line)
    passed = [name for name, column in zip(names, headings, strict=True) if column is None and name]
    return Table(found, "m11" in headings, any(r in headings for r in ("rx", "ry", "rz")), passed)


def _headings(cells: Sequence[str], scale: float) -> tuple[list[str | None], dict[str, float]]:
    columns: list[str | None] = []
    factors = dict.fromkeys(_LENGTHS, scale)
    for cell in cells:
        brackets = _IN_BRACKETS.search(cell)
        bare = (cell[: brackets.start()] if brackets else cell).lower().strip(" .:").replace("_", " ")
        column = _COLUMN_OF.get(bare)
        columns.append(column)
        if brackets and column in factors:
            unit = brackets[1].strip().lower()
            if unit not in LENGTH_IN_MM:
                raise InputError("table", f"“{cell}” names no length unit. Write one of {', '.join(LENGTH_IN_MM)}.")
            factors[column] = LENGTH_IN_MM[unit]
        elif brackets and column in ("rx", "ry", "rz", "turn_tolerance") and brackets[1].strip().lower() not in (
            "°", "deg", "degree", "degrees",
        ):  # fmt: skip
            raise InputError("table", f"“{cell}”: turns are read in degrees. Convert the column.")
    known = [column for column in columns if column]
    twice = next((column for column in known if known.count(column) > 1), None)
    if twice:
        same = [f"“{cell}”" for cell, column in zip(cells, columns, strict=True) if column == twice]
        raise InputError("table", f"{listed(same)} mean the same column. Keep one of them.")
    missing = [name for name, key in (("label", "label"), ("part number", "part_number")) if key not in known]
    missing += [axis for axis in ("x", "y", "z") if axis not in known]
    if missing:
        raise InputError(
            "table",
            f"The first line must name the columns; {listed(missing, 6)} {'is' if len(missing) == 1 else 'are'} "
            f"missing. It reads {listed([f'“{cell[:20]}”' for cell in cells if cell], 6)}.",
        )
    turns = [column for column in _TURNS if column in known]
    if turns and len(turns) < 9:
        lost = [column for column in _TURNS if column not in known]
        raise InputError("table", f"A matrix needs all of m11 to m33; {listed(lost, 4)} missing.")
    if turns and {"rx", "ry", "rz"} & set(known):
        raise InputError("table", "The table has both a matrix and turns about axes. Keep one of them.")
    return columns, factors


def _row(
    line: int,
    cells: list[str],
    headings: Sequence[str | None],
    factors: Mapping[str, float],
    convention: Convention,
) -> TableRow:
    while len(cells) > len(headings) and not cells[-1]:
        cells.pop()
    values = {column: cell for column, cell in zip(headings, cells, strict=False) if column}
    row = TableRow(line, values)
    if len(cells) > len(headings):
        row.faults.append(
            f"It has {count(len(cells), 'cell')} and there are {count(len(headings), 'heading')}. If commas mark "
            "decimals, part the columns with semicolons or tabs."
        )
        return row
    row.label, row.part_number = values.get("label", ""), values.get("part_number", "")
    row.letter = values.get("letter", "").upper()
    if not row.label:
        row.faults.append("It has no label. Name the place, such as P4.")
    if len(row.label) > 40:
        row.faults.append("The label is longer than 40 letters. Shorten it.")
    if not row.part_number:
        row.faults.append("It has no part number.")
    numbers: dict[str, float] = {}
    wanted = [c for c in headings if c and c not in ("label", "part_number", "letter", "control")]
    for column in wanted:
        value = _number(row, column, values.get(column, ""))
        if value is not None:
            numbers[column] = value * factors.get(column, 1.0)
    for axis in ("x", "y", "z"):
        if axis not in numbers and not any(fault.startswith(f"{axis}:") for fault in row.faults):
            row.faults.append(f"{axis}: empty. Give the place of the part's own origin, 0 if it is there.")
    for column, name in (("position_tolerance", "position tolerance"), ("turn_tolerance", "turn tolerance")):
        if column in numbers and not numbers[column] > 0:
            row.faults.append(f"The {name} must be more than 0; leave it empty when there is none.")
    row.position_mm, row.turn_deg = numbers.get("position_tolerance"), numbers.get("turn_tolerance")
    word = values.get("control", "").lower()
    if word not in _YES | _NO:
        row.faults.append(f"control: “{word}” is neither yes nor no.")
    row.control = word in _YES
    if not row.faults:
        row.matrix = _matrix(row, numbers, "m11" in headings, convention)
    return row


def _number(row: TableRow, column: str, text: str) -> float | None:
    if not text:
        if column in _TURNS:
            row.faults.append(f"{column}: empty. A matrix needs all its numbers.")
        return None
    plain = text.replace("\u2212", "-").replace("\u00a0", "").replace(" ", "")
    if plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    try:
        value = float(plain)
    except ValueError:
        value = float("nan")
    if not np.isfinite(value):
        row.faults.append(f"{column}: “{text[:20]}” is not a number. Write it without a thousands mark.")
        return None
    if abs(value) > 1e9:
        row.faults.append(f"{column}: {text[:20]} is too large to be meant. Check the unit.")
        return None
    return value


def _matrix(row: TableRow, numbers: Mapping[str, float], by_matrix: bool, convention: Convention) -> Floats | None:
    matrix = np.eye(4)
    matrix[:3, 3] = [numbers[axis] for axis in ("x", "y", "z")]
    if by_matrix:
        matrix[:3, :3] = np.array([numbers[column] for column in _TURNS]).reshape(3, 3)
        wrong = [column for column, value in _LAST.items() if abs(numbers.get(column, value) - value) > 1e-6]
        if wrong:
            row.faults.append("The last row of the matrix must be 0 0 0 1. If it is written in columns, transpose it.")
            return None
        if not is_rigid(matrix):
            mirrored = np.linalg.det(matrix[:3, :3]) < 0
            row.faults.append(
                "The matrix mirrors the part. A part can only be turned and moved: correct the matrix."
                if mirrored
                else "The matrix stretches or shears the part: its columns must have length 1 and stand square to each "
                "other. Give it with four decimals or more."
            )
            return None
        return nearest_rigid(matrix)
    rx, ry, rz = (numbers.get(column, 0.0) for column in ("rx", "ry", "rz"))
    matrix[:3, :3] = turn_of(rx, ry, rz, convention)
    return matrix


def turn_of(rx: float, ry: float, rz: float, convention: Convention) -> Floats:
    """Rotation (3, 3) from three turns in degrees, right-handed, in the order of `CONVENTIONS`."""
    about = []
    for axis, degrees in enumerate((rx, ry, rz)):
        cosine, sine = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
        turn = np.eye(3)
        i, j = (axis + 1) % 3, (axis + 2) % 3
        turn[i, i] = turn[j, j] = cosine
        turn[i, j], turn[j, i] = -sine, sine
        about.append(turn)
    x, y, z = about
    product: Floats = z @ y @ x if convention == "x, y, z" else x @ y @ z
    return product


def turns_from(turn: Floats) -> tuple[float, float, float]:
    """The turns about fixed x, then y, then z that give a rotation, degrees; the inverse of `turn_of` ("x, y, z")."""
    ry = float(np.degrees(np.arctan2(-turn[2, 0], np.hypot(turn[0, 0], turn[1, 0]))))
    if np.hypot(turn[0, 0], turn[1, 0]) < 1e-9:
        return 0.0, ry, float(np.degrees(np.arctan2(-turn[0, 1], turn[1, 1])))
    rx = float(np.degrees(np.arctan2(turn[2, 1], turn[2, 2])))
    return rx, ry, float(np.degrees(np.arctan2(turn[1, 0], turn[0, 0])))
