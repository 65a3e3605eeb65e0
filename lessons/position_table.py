"""From a table of an assembly to parts on file: what would come in, and the faults of each row, before it is saved."""

from collections.abc import Sequence
from dataclasses import dataclass, field

from metrology.errors import InputError
from metrology.positions.assembly_table import (
    Table,
    TableRow,
    read_table,
    rows_of_spreadsheet,
    rows_of_text,
    turns_from,
)
from metrology.wording import listed
from parts.models import Geometry, Revision

from .errors import LessonsRefusal
from .models import Mockup

LARGEST = 20_000_000


@dataclass
class PreviewRow:
    """A row with the revision and the nominal it means; faults: of the table and of the records."""

    row: TableRow
    revision: Revision | None = None
    nominal: Geometry | None = None
    faults: list[str] = field(default_factory=list)

    @property
    def place(self) -> list[float]:
        return [float(v) for v in self.row.matrix[:3, 3]] if self.row.matrix is not None else []

    @property
    def turns(self) -> tuple[float, float, float] | None:
        return None if self.row.matrix is None else turns_from(self.row.matrix[:3, :3])


@dataclass
class Preview:
    table: Table
    rows: Sequence[PreviewRow]

    @property
    def bad_rows(self) -> list[PreviewRow]:
        return [row for row in self.rows if row.faults]

    @property
    def good_rows(self) -> list[PreviewRow]:
        return [row for row in self.rows if not row.faults]


def as_text(content: bytes, name: str) -> str:
    """The cells of an uploaded file as text parted by tabs, to stand in the form. Raises LessonsRefusal."""
    try:
        if content.startswith(b"PK"):
            cells = rows_of_spreadsheet(content)
            return "\n".join("\t".join(cell.replace("\t", " ").replace("\n", " ") for cell in row) for row in cells)
    except InputError as error:
        raise LessonsRefusal(error.sentence, code=error.code, field="file") from None
    if b"\0" in content and not content.startswith((b"\xff\xfe", b"\xfe\xff")):
        raise LessonsRefusal(f"“{name}” is no table. Choose an XLSX or CSV file.", code="table", field="file")
    encodings = ["utf-16"] if content.startswith((b"\xff\xfe", b"\xfe\xff")) else ["utf-8-sig", "cp1252", "latin-1"]
    for encoding in encodings:
        try:
            return content.decode(encoding)
        except UnicodeDecodeError:
            continue
    raise LessonsRefusal(f"“{name}” cannot be read as text. Save it as CSV in UTF-8.", code="table", field="file")


def preview(mockup: Mockup, text: str, *, unit: str, convention: str) -> Preview:
    """Read the table and find each row's part on file. Two queries. Raises LessonsRefusal for a table of no use."""
    try:
        table = read_table(rows_of_text(text), unit, convention)
    except InputError as error:
        raise LessonsRefusal(error.sentence, code=error.code, field="text") from None
    revisions = _revisions(mockup, {row.part_number for row in table.rows})
    nominals = {
        nominal.revision_id: nominal
        for nominal in Geometry.objects.filter(
            revision__in=[r for rows in revisions.values() for r in rows], role=Geometry.Role.NOMINAL, current=True
        )
    }
    return Preview(table, [_found(row, revisions, nominals) for row in table.rows])


def _revisions(mockup: Mockup, part_numbers: set[str]) -> dict[str, list[Revision]]:
    """Revisions by part number in lower case, newest first."""
    rows = Revision.objects.filter(component__kit=mockup.kit_id).select_related("component__kit")
    found: dict[str, list[Revision]] = {}
    wanted = {number.lower() for number in part_numbers}
    for revision in rows.order_by("-created_at", "-pk"):
        if (number := revision.component.part_number.lower()) in wanted:
            found.setdefault(number, []).append(revision)
    return found


def _found(row: TableRow, revisions: dict[str, list[Revision]], nominals: dict[int, Geometry]) -> PreviewRow:
    shown = PreviewRow(row, faults=list(row.faults))
    if not row.part_number:
        return shown
    of_part = revisions.get(row.part_number.lower(), [])
    if not of_part:
        shown.faults.append(f"There is no part {row.part_number} in this kit.")
        return shown
    if row.letter:
        chosen = [revision for revision in of_part if revision.letter == row.letter]
        if not chosen:
            letters = listed([revision.letter for revision in of_part])
            shown.faults.append(f"{row.part_number} has no revision {row.letter}. It has {letters}.")
            return shown
    else:
        usable = [revision for revision in of_part if revision.state != Revision.State.WITHDRAWN]
        chosen = [revision for revision in usable if revision.pk in nominals] or usable or of_part
    shown.revision = chosen[0]
    shown.nominal = nominals.get(chosen[0].pk)
    if shown.nominal is None:
        shown.faults.append(f"{chosen[0]} has no nominal mesh on file. Put it on file first.")
    return shown
