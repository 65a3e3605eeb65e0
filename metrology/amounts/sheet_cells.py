"""The cells of a spreadsheet or of delimited text, as they are: numbers, words, dates. Nothing is interpreted here."""

import csv
import io
import re
import zipfile
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

from metrology.errors import ReadingError
from metrology.wording import count

MOST_ROWS = 20_000
MOST_COLUMNS = 120
MOST_BYTES = 20_000_000
MOST_UNPACKED = 100_000_000
DELIMITERS = {"tab": "\t", "semicolon": ";", "bar": "|", "comma": ",", "gaps": r"\s{2,}|\t", "spaces": r"\s+"}
_BY_PATTERN = ("gaps", "spaces")
_SNIFFED = 60
_DECIMAL_COMMA = re.compile(r"(?<![\d.,])\d+,\d+(?![\d,])")
_DECIMAL_POINT = re.compile(r"\d\.\d")
_OLD_SPREADSHEET = b"\xd0\xcf\x11\xe0"


@dataclass(frozen=True)
class Cells:
    """rows: as in the file, from its first line; values of a spreadsheet (str, int, float, bool, dates, None), all str
    for text. worksheets: of a spreadsheet, worksheet is the one read. delimiter, decimal: of text. uncomputed: places
    (row, column, from 0) of formulas whose result is not stored in the file.
    """

    rows: Sequence[Sequence[object]]
    worksheets: tuple[str, ...] = ()
    worksheet: str = ""
    delimiter: str = ""
    decimal: str = "point"
    uncomputed: frozenset[tuple[int, int]] = field(default_factory=frozenset)

    @property
    def is_text(self) -> bool:
        return not self.worksheets


def read_cells(path: Path, *, worksheet: str = "", delimiter: str = "", decimal: str = "") -> Cells:
    """Read a file as a table. Empty choices: as the file looks.

    Raises ReadingError: too-large, too-many-rows, old-spreadsheet, not-a-table, empty, damaged.
    """
    if path.stat().st_size > MOST_BYTES:
        raise ReadingError("too-large", f"The file is larger than {MOST_BYTES // 10**6}\u00a0MB. Import it in parts.")
    with path.open("rb") as file:
        start = file.read(4)
    if start.startswith(b"PK"):
        cells = _spreadsheet(path, worksheet)
    elif start == _OLD_SPREADSHEET:
        raise ReadingError("old-spreadsheet", "This is a spreadsheet of the old kind. Save it as XLSX or CSV.")
    else:
        cells = _text(decoded(path.read_bytes()), delimiter, decimal)
    if not any(any(cell not in ("", None) for cell in row) for row in cells.rows):
        raise ReadingError("empty", "There is nothing in it. Choose the file, or the worksheet, with the values.")
    return cells


# ---- spreadsheets ----------------------------------------------------------------------------------------------------


def _spreadsheet(path: Path, worksheet: str) -> Cells:
    with_formulas = _check_archive(path)
    try:
        from openpyxl import load_workbook

        with path.open("rb") as file:  # a path without an ending would be refused
            book = load_workbook(file, read_only=True, data_only=True)
            names = tuple(sheet.title for sheet in book.worksheets)
            if not names:
                raise ReadingError("empty", "The spreadsheet has no worksheet with cells.")
            chosen = worksheet if worksheet in names else names[0]
            rows = _rows_of(book[chosen])
        uncomputed = _uncomputed(path, chosen, rows) if with_formulas else frozenset()
        for line, place in uncomputed:  # their places are there, though empty
            rows.extend([()] * (line + 1 - len(rows)))
            rows[line] = (*rows[line], *[None] * (place + 1 - len(rows[line])))
    except ReadingError:
        raise
    except Exception as error:  # a damaged workbook fails in many ways inside the library
        raise ReadingError(
            "damaged", "The spreadsheet cannot be read. Save it as XLSX or CSV again and choose that file."
        ) from error
    return Cells(rows, names, chosen, uncomputed=uncomputed)


def _check_archive(path: Path) -> bool:
    """Whether there are formulas in it. Refuses what is no spreadsheet and what unpacks to too much."""
    try:
        with zipfile.ZipFile(path) as archive:
            if sum(entry.file_size for entry in archive.infolist()) > MOST_UNPACKED:
                raise ReadingError(
                    "too-large", f"It unpacks to more than {MOST_UNPACKED // 10**6}\u00a0MB. Import it in parts."
                )
            names = archive.namelist()
            if "xl/workbook.xml" not in names:
                raise ReadingError("not-a-table", "This is not an XLSX spreadsheet. Save the sheet as XLSX or CSV.")
            found = False
            for name in names:
                if name.endswith((".xml", ".rels")):
                    content = archive.read(name)
                    if b"<!DOCTYPE" in content or b"<!ENTITY" in content:
                        raise ReadingError("damaged", "The spreadsheet holds what no spreadsheet needs. Save it anew.")
                    found |= name.startswith("xl/worksheets/") and re.search(rb"<f[ >/]", content) is not None
            return found
    except (zipfile.BadZipFile, OSError, RuntimeError, NotImplementedError) as error:
        raise ReadingError("damaged", "The spreadsheet is damaged. Save it again and choose that file.") from error


def _rows_of(sheet: object) -> list[Sequence[object]]:
    sheet.reset_dimensions()  # type: ignore[attr-defined]  # some programs write wrong ones
    rows: list[Sequence[object]] = []
    # Without a last column rows come as long as they are.
    for row in sheet.iter_rows(values_only=True, max_row=MOST_ROWS + 100):  # type: ignore[attr-defined]
        rows.append(row[:MOST_COLUMNS])
    while rows and all(cell is None for cell in rows[-1]):
        rows.pop()
    _check_length(len(rows))
    return rows


def _uncomputed(path: Path, worksheet: str, rows: Sequence[Sequence[object]]) -> frozenset[tuple[int, int]]:
    """A formula that no spreadsheet program has worked out yet has no value: that is not an empty cell."""
    from openpyxl import load_workbook

    with path.open("rb") as file:
        formulas = _rows_of(load_workbook(file, read_only=True, data_only=False)[worksheet])
    return frozenset(
        (line, place)
        for line, cells in enumerate(formulas)
        for place, cell in enumerate(cells)
        if cell is not None and (line >= len(rows) or place >= len(rows[line]) or rows[line][place] is None)
    )


def _check_length(lines: int) -> None:
    if lines > MOST_ROWS:
        raise ReadingError("too-many-rows", f"There are more than {count(MOST_ROWS, 'row')}. Import it in parts.")


# ---- text ------------------------------------------------------------------------------------------------------------


def decoded(content: bytes) -> str:
    """The text of a file, whatever a spreadsheet encoded it in. Raises ReadingError: not-a-table, unknown-encoding."""
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        encodings = ["utf-16"]
    elif b"\0" in content:
        raise ReadingError("not-a-table", "This is neither a spreadsheet nor text. Save it as XLSX or CSV.")
    else:
        encodings = ["utf-8-sig", "cp1252", "latin-1"]
    for encoding in encodings:
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise ReadingError("unknown-encoding", "It cannot be read as text. Save it as CSV in UTF-8.")


def _text(text: str, delimiter: str, decimal: str) -> Cells:
    plain = text.replace("\r\n", "\n").replace("\r", "\n")
    lines = plain.split("\n")
    while lines and not lines[-1].strip():
        lines.pop()
    _check_length(len(lines))
    chosen = delimiter if delimiter in DELIMITERS else _delimiter(lines)
    mark = decimal if decimal in ("point", "comma") else _decimal(plain, chosen)
    rows: list[Sequence[object]]
    if chosen in _BY_PATTERN:
        pattern = re.compile(DELIMITERS[chosen])
        rows = [pattern.split(line.strip())[:MOST_COLUMNS] if line.strip() else [] for line in lines]
    else:
        reader = csv.reader(io.StringIO("\n".join(lines)), delimiter=DELIMITERS[chosen])
        try:
            rows = [[cell.strip() for cell in cells[:MOST_COLUMNS]] for cells in reader]
        except csv.Error as error:
            raise ReadingError(
                "damaged", f"Line {reader.line_num} cannot be read as a table. Check its quotation marks."
            ) from error
    return Cells(rows, delimiter=chosen, decimal=mark)


def _delimiter(lines: Sequence[str]) -> str:
    """The one that cuts most of the first lines into the same number of cells, two or more."""
    some = [line for line in lines if line.strip()][:_SNIFFED]
    best, chosen = 0, "comma"
    decimals = sum(len(_DECIMAL_COMMA.findall(line)) for line in some)
    for name, mark in DELIMITERS.items():
        if name == "comma" and decimals and decimals >= sum(line.count(",") for line in some):
            continue  # every comma stands between digits: they are decimal
        cut = re.compile(mark) if name in _BY_PATTERN else None
        held = [len(cut.split(line.strip())) if cut else line.count(mark) + 1 for line in some]
        wide = [n for n in held if n > 1]
        score = max((wide.count(n) for n in set(wide)), default=0)
        if score > best:
            best, chosen = score, name
    return chosen


def _decimal(text: str, delimiter: str) -> str:
    if delimiter == "comma":
        return "point"
    return "comma" if _DECIMAL_COMMA.search(text) and not _DECIMAL_POINT.search(text) else "point"
