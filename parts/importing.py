"""Characteristics from a pasted table: what would be imported, and the faults of each row, before it is saved."""

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from django.core.files.uploadedfile import UploadedFile
from django.db import transaction

from metrology.amounts.sheet_cells import decoded
from metrology.errors import ReadingError

from .errors import RowsRefused, Unusable
from .forms import CharacteristicForm
from .limits import shown
from .models import Revision
from .paste import Pasted, read_paste
from .services import import_characteristics

LARGEST_TEXT = 1_000_000


@dataclass
class PreviewRow:
    line: int
    cells: dict[str, str]
    values: dict[str, Any] | None
    faults: list[str]

    @property
    def shown(self) -> dict[str, Any]:
        """What comes of the row; where it cannot be used, what was written."""
        if self.values is None:
            return self.cells
        return {c: shown(v) if isinstance(v, Decimal) else v for c, v in self.values.items() if v is not None}


@dataclass
class Preview:
    pasted: Pasted
    rows: Sequence[PreviewRow]

    @property
    def values(self) -> list[dict[str, Any]]:
        return [row.values for row in self.rows if row.values is not None]

    @property
    def good_rows(self) -> list[PreviewRow]:
        return [row for row in self.rows if not row.faults]

    @property
    def bad_rows(self) -> list[PreviewRow]:
        return [row for row in self.rows if row.faults]


def text_of(file: UploadedFile) -> str:
    """The text of an uploaded CSV file, whatever a spreadsheet encoded it in. Raises Unusable."""
    if file.size > LARGEST_TEXT:
        raise Unusable("The file is larger than 1\u00a0MB. A table of characteristics is not: check it.", field="file")
    try:
        return decoded(file.read())
    except ReadingError as error:
        what = "is not a text file" if error.code == "not-a-table" else "cannot be read as text"
        raise Unusable(
            f"“{file.name}” {what}. Save the spreadsheet as CSV in UTF-8, or paste its cells.", field="file"
        ) from None


def preview(revision: Revision, text: str, *, by: Any) -> Preview:
    """Read the text and try the import without keeping it. Raises Unusable when the table as a whole is no use."""
    pasted = read_paste(text)
    rows = [_read(row.line, dict(row.cells), row.fault) for row in pasted.rows]
    _number(revision, rows)
    usable = [row for row in rows if row.values is not None]
    if usable:
        _try(revision, usable, by)
    return Preview(pasted, rows)


def _read(line: int, cells: dict[str, str], fault: str) -> PreviewRow:
    if fault:
        return PreviewRow(line, cells, None, [fault])
    form = CharacteristicForm(cells if cells.get("number") else cells | {"number": "1"})
    if not form.is_valid():
        faults = [
            f"{_heading(form, field)}{sentence}" for field, sentences in form.errors.items() for sentence in sentences
        ]
        return PreviewRow(line, cells, None, faults)
    return PreviewRow(line, cells, dict(form.cleaned_data), [])


def _heading(form: CharacteristicForm, field: str) -> str:
    return f"{form[field].label.capitalize()}: " if field in form.fields else ""


def _number(revision: Revision, rows: Sequence[PreviewRow]) -> None:
    """Rows without a number take the next free ones, in their order."""
    used = set(revision.characteristics.values_list("number", flat=True))
    used |= {row.values["number"] for row in rows if row.values and row.cells.get("number")}
    following = max(used, default=0)
    for row in rows:
        if row.values and not row.cells.get("number"):
            following += 1
            row.values["number"] = following


def _try(revision: Revision, rows: Sequence[PreviewRow], by: Any) -> None:
    """Run the very import that would follow, note its faults by row, and take everything back."""
    with transaction.atomic():
        try:
            import_characteristics(revision, [row.values for row in rows], by=by)
        except RowsRefused as refused:
            for place, faults in refused.rows.items():
                rows[place].faults.extend(faults)
        transaction.set_rollback(True)
