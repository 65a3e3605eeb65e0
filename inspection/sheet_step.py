"""A sheet before it is imported: how its columns are read, what would come of it, which cells are faulty."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

from django.http import QueryDict

from logbook.files import local_path
from logbook.models import StoredFile
from metrology.amounts.sheet_cells import Cells, read_cells
from metrology.errors import ReadingError
from parts.models import Kit

from .entry_paste import column_name
from .errors import InspectionRefusal
from .models import Instrument, MeasurementImport, Result
from .services.sheets import Judged, judge, known_to, standing
from .sheet_forms import LayoutForm, read_shown, sign_shown
from .sheet_layout import SERIAL, Layout, guess_roles, heading_line, headings, remembered
from .sheet_values import Fault, Given, Known, Sheet, layout_faults, word

SHOWN_ROWS, SHOWN_FAULTS = 12, 40
READ_ANEW = ("worksheet", "delimiter", "decimal", "heading")


class Shown(NamedTuple):
    """A cell of the preview. fault: what is wrong with it, empty for nothing."""

    text: str
    fault: str


class ShownRow(NamedTuple):
    line: int
    is_heading: bool
    cells: list[Shown]
    fault: str


@dataclass
class Step:
    """form: how it is read. shown: the signed layout. blocking: what stands in the way of reading any row."""

    cells: Cells
    layout: Layout
    form: LayoutForm
    shown: str
    judged: Judged
    faults: Sequence[Fault]
    blocking: Sequence[str]
    rows: int
    replaced: int
    recalled: str
    agreed: bool
    changed: bool

    @property
    def heads(self) -> list[str]:
        return headings(self.cells.rows, self.layout.heading)

    @property
    def columns(self) -> list[tuple[str, Any]]:
        """(letter, field of its role) of each column."""
        return [(column_name(place), self.form[f"role-{place}"]) for place in range(self.form.columns)]

    @property
    def preview(self) -> list[ShownRow]:
        """The first rows with values, those above them, and the first rows with a fault."""
        first = max(self.layout.heading - 2, 1)
        lines = set(range(first, first + SHOWN_ROWS))
        lines |= set(sorted({fault.row for fault in self.faults if fault.row})[:SHOWN_ROWS])
        marks = {(fault.row, fault.column): fault.sentence for fault in reversed(list(self.faults))}
        rows = []
        for line in sorted(lines):
            if line > len(self.cells.rows):
                break
            cells = self.cells.rows[line - 1]
            shown = [Shown(_shown(cells[place]) if place < len(cells) else "", marks.get((line, place), ""))
                     for place in range(self.form.columns)]  # fmt: skip
            rows.append(ShownRow(line, line == self.layout.heading, shown, marks.get((line, None), "")))
        return rows

    @property
    def first_faults(self) -> list[str]:
        return [str(fault) for fault in self.faults[:SHOWN_FAULTS]]

    @property
    def more_faults(self) -> int:
        return max(0, len(self.faults) - SHOWN_FAULTS)

    @property
    def casts(self) -> int:
        return len({value.piece.pk for value in self.judged.values})

    @property
    def repeated(self) -> int:
        return sum(len(value.steps) > 1 for value in self.judged.values)

    @property
    def results(self) -> list[tuple[str, int]]:
        words = (Result.CONFORMS, Result.INCONCLUSIVE, Result.DOES_NOT)
        return [(str(word), n) for word in words if (n := self.judged.counted(word))]

    @property
    def ready(self) -> bool:
        return not self.blocking and bool(self.judged.values)


def sheet_step(
    kit: Kit,
    stored: StoredFile,
    data: QueryDict,
    *,
    instrument: Instrument,
    unit: str,
    serial: str,
    measured_at: datetime,
    now: datetime,
) -> Step:
    """Read a sheet as the form says; the first time as it looks, or as the last one from this instrument was read.

    Raises InspectionRefusal for a file that is no table.
    """
    rest = [instrument.pk, serial, measured_at.isoformat()]
    before = read_shown(data.get("shown", ""), stored)
    recalled = ""
    try:
        with local_path(stored) as path:
            if before is None:
                cells, layout, recalled = _first_look(kit, path, instrument, unit, serial)
            else:
                cells, layout = _as_chosen(kit, path, data, before[0], unit, serial)
    except ReadingError as error:
        raise InspectionRefusal(error.sentence, code=error.code, field="file") from None
    known = _known(kit, cells, layout, serial)
    form_data = None
    if before is not None and layout.roles == tuple(data.get(f"role-{n}", "") for n in range(len(layout.roles))):
        form_data = data
    form = LayoutForm(
        form_data, cells=cells, places=_places(known), columns=len(layout.roles), initial=LayoutForm.initial_of(layout)
    )
    if form_data is not None:
        layout = form.layout(unit) or layout
    zone = ZoneInfo(kit.time_zone)
    blocking = layout_faults(layout, headings(cells.rows, layout.heading), serial, known)
    faults: list[Fault] = []
    judged, rows, replaced = judge([])[0], 0, 0
    if not blocking:
        said = Sheet(cells, layout, known, Given(serial, instrument, measured_at, zone, now)).understood()
        judged, slips = judge(said.values)
        heads = headings(cells.rows, layout.heading)
        slips = [replace(one, heading=heads[one.column] if one.column < len(heads) else "") for one in slips]
        faults = sorted([*said.faults, *slips], key=lambda one: (one.row, -1 if one.column is None else one.column))
        rows = said.rows
        wanted = {(value.piece.pk, value.characteristic.pk) for value in judged.values}
        replaced = sum(row[1:3] in wanted for row in standing(judged.values)) if wanted else 0
    same = before is not None and layout == before[0] and [str(one) for one in rest] == before[1]
    asked = "confirm" in data and form.is_bound and form.is_valid()
    leave_out = asked and form.cleaned_data["leave_out"]
    agreed = asked and same and not blocking and bool(judged.values) and (not faults or leave_out)
    shown = sign_shown(stored, layout, rest)
    return Step(
        cells, layout, form, shown, judged, faults, blocking, rows, replaced, recalled, agreed,
        changed="confirm" in data and not same,
    )  # fmt: skip


def _first_look(kit: Kit, path: Any, instrument: Instrument, unit: str, serial: str) -> tuple[Cells, Layout, str]:
    cells = read_cells(path)
    last = MeasurementImport.objects.filter(kit=kit, instrument=instrument).first()
    if last is not None:
        again = Layout.from_stored(last.layout)
        kept = {"worksheet": again.worksheet, "delimiter": again.delimiter, "decimal": again.decimal}
        as_last = read_cells(path, **kept if cells.is_text else {"worksheet": again.worksheet})
        heads = headings(as_last.rows, again.heading)
        if [head.casefold() for head in heads] == [head.casefold() for head in last.headings] and heads:
            roles = remembered(again, last.headings, heads, _width(as_last))
            return as_last, _filled(as_last, replace(again, roles=roles)), str(last)
    heading = heading_line(cells.rows)
    layout = _filled(cells, Layout((), heading=heading, unit=unit))
    return cells, _guessed(kit, cells, layout, serial), ""


def _as_chosen(
    kit: Kit, path: Any, data: QueryDict, before: Layout, unit: str, serial: str
) -> tuple[Cells, Layout]:  # fmt: skip
    """As the person chose; when the table was cut anew, its columns are guessed anew."""
    asked = {name: data.get(name, "") for name in ("worksheet", "delimiter", "decimal")}
    cells = read_cells(path, **asked)
    text = data.get("heading", "").strip()
    heading = int(text) if text.isdigit() and len(text) < 4 else before.heading
    now = {"worksheet": cells.worksheet, "delimiter": cells.delimiter, "heading": heading}
    layout = _filled(cells, replace(before, unit=unit, heading=heading))
    columns = _width(cells)
    if any(getattr(before, name) != value for name, value in now.items()) or columns != len(before.roles):
        return cells, _guessed(kit, cells, layout, serial)
    return cells, replace(layout, roles=tuple(data.get(f"role-{place}", "") for place in range(columns)))


def _filled(cells: Cells, layout: Layout) -> Layout:
    """With what the cells were in fact cut by."""
    text = cells.is_text
    return replace(
        layout, worksheet=cells.worksheet, delimiter=cells.delimiter, decimal=cells.decimal if text else "",
    )  # fmt: skip


def _guessed(kit: Kit, cells: Cells, layout: Layout, serial: str) -> Layout:
    heads, columns = headings(cells.rows, layout.heading), _width(cells)
    first = replace(layout, roles=guess_roles(heads, columns, {}, False))
    known = _known(kit, cells, first, serial)
    places = {name: row.number for drawn in known.drawn.values() for name, row in drawn.items()}
    return replace(layout, roles=guess_roles(heads, columns, places, bool(serial)))


def _known(kit: Kit, cells: Cells, layout: Layout, serial: str) -> Known:
    serials = {serial} if serial else set()
    if SERIAL in layout.roles:
        place = layout.roles.index(SERIAL)
        serials |= {word(row[place]) for row in cells.rows[layout.heading :] if place < len(row)}
    return known_to(kit, serials)


def _places(known: Known) -> list[tuple[str, str]]:
    """Choices for columns of one characteristic each: number and name."""
    named: dict[int, dict[str, None]] = {}
    for drawn in known.drawn.values():
        for row in {row.pk: row for row in drawn.values()}.values():
            if row.pk not in known.closed:
                named.setdefault(row.number, {})[row.name] = None
    return [(f"c{number}", f"{number} {' / '.join(names)}") for number, names in sorted(named.items())]


def _width(cells: Cells) -> int:
    """How many columns hold something."""
    width = 0
    for row in cells.rows:
        n = len(row)
        while n > width and row[n - 1] in ("", None):
            n -= 1
        width = max(width, n)
    return width


def _shown(cell: object) -> str:
    if cell is None:
        return ""
    return f"{cell:.12g}" if isinstance(cell, float) else str(cell)[:60]
