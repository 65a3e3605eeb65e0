"""Figures that are pasted: lists, matrices and tables, from a spreadsheet or typed."""

import re

from metrology.amounts.entries import decimal_commas, read_number
from metrology.errors import UnitError

_BREAKS = re.compile(r"[\n;\t]|,\s+|,$", re.MULTILINE)
_THOUSANDS = re.compile(r"(?<!\d)\d{1,3},\d{3}(?!\d)")


def figures(text: str) -> list[str]:
    """The figures of a list. They stand on lines or between semicolons, tabs, commas with a blank, or blanks.

    Blanks separate only what is not one figure together: 5' 7" stays whole, 5 7 are two.
    """
    found: list[str] = []
    text = decimal_commas(text)
    if "." in text and not _THOUSANDS.search(text):
        text = text.replace(",", ";")
    for piece in _BREAKS.split(text):
        piece = piece.strip()
        if piece and " " in piece and all(_number(part) for part in piece.split()):
            found += piece.split()
        elif piece:
            found.append(piece)
    return found


def matrix(text: str) -> list[list[str]]:
    """One row a line."""
    return [figures(line) for line in decimal_commas(text).splitlines() if line.strip()]


def table(text: str, columns: int) -> list[list[str]]:
    """Cells of a pasted table, one row a line, columns between tabs, semicolons or bars. Short rows are filled up.

    Raises ValueError with what to do when a line has no separator or too many columns.
    """
    rows = []
    text = _split_by_commas(decimal_commas(text), columns)
    for number, line in enumerate(text.splitlines(), start=1):
        if not line.strip():
            continue
        cells = [cell.strip() for cell in re.split(r"[\t;|]", line)]
        if len(cells) == 1 and columns > 1:
            raise ValueError(f"Line {number} has one column. Put tabs or semicolons between columns.")
        while len(cells) > columns and not cells[-1]:
            cells.pop()
        if len(cells) > columns:
            raise ValueError(f"Line {number} has {len(cells)} columns; there are {columns} here.")
        rows.append(cells + [""] * (columns - len(cells)))
    return rows


def _split_by_commas(text: str, columns: int) -> str:
    """Commas made semicolons where they can only stand between columns: the decimals have points, or there are many."""
    counts = {line.count(",") for line in text.splitlines() if line.strip()}
    if re.search(r"[\t;|]", text) or len(counts) != 1 or not 0 < min(counts) < columns or _THOUSANDS.search(text):
        return text
    return text.replace(",", ";") if "." in text or min(counts) > 1 else text


def without_heads(rows: list[list[str]], heads: list[str]) -> list[list[str]]:
    """Rows without a first row of column names, as a spreadsheet brings it."""
    if rows and any(_plain(cell) == _plain(head) for cell, head in zip(rows[0], heads, strict=True) if cell):
        return rows[1:]
    return rows


def _plain(words: str) -> str:
    return re.sub(r"[^a-z]", "", words.lower())


def _number(text: str) -> bool:
    try:
        read_number(text)
    except UnitError as error:
        return error.code == "ambiguous-number"
    return True
