"""What a sheet of measured values says, once it is known what stands in which column. Reads no database."""

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime, tzinfo
from typing import Any

from metrology.amounts.sheet_cells import Cells
from metrology.errors import UnitError
from metrology.wording import listed
from parts.models import Characteristic

from .entry_paste import column_name
from .entry_units import EntryUnits
from .models import Instrument
from .sheet_layout import INSTRUMENT, NAME, SERIAL, UNIT, VALUE, WHEN, Layout, headings, unit_in
from .sheet_reading import moment_of, value_reader


@dataclass(frozen=True)
class Piece:
    """A cast as a sheet needs it."""

    pk: int
    serial: str
    revision_id: int
    poured_at: datetime


@dataclass(frozen=True)
class Known:
    """What a sheet may name. casts: by serial. drawn: revision to its characteristics, by number and by casefolded
    name. closed: characteristics that nobody types. parts: revision to what it is called. instruments: by code."""

    casts: Mapping[str, Piece]
    drawn: Mapping[int, Mapping[str, Characteristic]]
    closed: frozenset[int]
    parts: Mapping[int, str]
    instruments: Mapping[str, Instrument]


@dataclass(frozen=True)
class Given:
    """What holds for every row that does not say otherwise."""

    serial: str
    instrument: Instrument
    measured_at: datetime
    zone: tzinfo
    now: datetime


@dataclass(frozen=True)
class Fault:
    """row, column: in the sheet, from 1 and from 0; column None for a whole row, row 0 for a whole column."""

    row: int
    column: int | None
    sentence: str
    heading: str = ""

    def __str__(self) -> str:
        column = "" if self.column is None else f"column {column_name(self.column)}"
        if column and self.heading:
            column += f" ({self.heading})"
        where = ", ".join(part for part in (f"row {self.row}" if self.row else "", column) if part)
        return f"{where[:1].upper()}{where[1:]}: {self.sentence}"


@dataclass
class Value:
    """One value of a characteristic of a cast, from one reading or more, each in steps of a ten-thousandth."""

    piece: Piece
    characteristic: Characteristic
    instrument: Instrument
    measured_at: datetime
    row: int
    column: int
    steps: list[int] = field(default_factory=list)


@dataclass
class Understood:
    values: list[Value]
    faults: list[Fault]
    rows: int


class Sheet:
    """Walks the rows of a sheet once."""

    def __init__(self, cells: Cells, layout: Layout, known: Known, given: Given) -> None:
        self.cells, self.layout, self.known, self.given = cells, layout, known, given
        self.heads = headings(cells.rows, layout.heading)
        self.places: dict[str, int] = {}
        for place, role in enumerate(layout.roles):
            self.places.setdefault(role, place)
        self.faults: list[Fault] = []
        self.found: dict[tuple[int, int], Value] = {}
        self._readers: dict[tuple[str, str], Callable[[object], int]] = {}
        self._told: set[tuple[int, str]] = set()
        self.units = EntryUnits(layout.unit)
        # Columns with values, and for each revision those whose characteristic and reader are known.
        self._wide = [place for place, role in enumerate(layout.roles) if role == VALUE or role[:1] == "c"]
        self._planned: dict[int, dict[int, tuple[int, Characteristic, Callable[[object], int]]]] = {}
        self._units_above = [unit_in(head) for head in self.heads]
        self._unfinished = {row for row, _ in cells.uncomputed}

    def understood(self) -> Understood:
        rows = 0
        above: dict[str, object] = {}
        for line, cells in enumerate(self.cells.rows[self.layout.heading :], self.layout.heading + 1):
            if not any(cell not in ("", None) for cell in cells) and line - 1 not in self._unfinished:
                continue
            rows += 1
            piece = self._piece(line, cells, above)
            if piece is None:
                continue
            instrument, when = self._instrument(line, cells), self._when(line, cells, piece)
            if instrument is None or when is None:
                continue
            for place, characteristic, reader in self._columns(line, cells, piece, above):
                self._take(line, place, cells[place], piece, characteristic, reader, instrument, when)
        self.faults.sort(key=lambda fault: (fault.row, -1 if fault.column is None else fault.column))
        return Understood(list(self.found.values()), self.faults, rows)

    # ---- what a row is about -----------------------------------------------------------------------------------------

    def _piece(self, line: int, cells: Sequence[object], above: dict[str, object]) -> Piece | None:
        cell = self._named(cells, SERIAL, above) if SERIAL in self.places else self.given.serial
        serial = word(cell)
        piece = self.known.casts.get(serial) or self.known.casts.get(serial.upper())
        if piece is None:
            place = self.places.get(SERIAL)
            said = f"There is no cast {serial[:40]} in this kit." if serial else "It names no cast."
            self._fault(line, place, said)
        return piece

    def _named(self, cells: Sequence[object], role: str, above: dict[str, object]) -> object:
        """A cell that names what the row is about; empty it may mean the one above."""
        cell = self._cell(cells, role)
        if cell in ("", None):
            return above.get(role) if self.layout.fill_down else None
        if role == SERIAL and cell != above.get(SERIAL):
            above.pop(NAME, None)
        above[role] = cell
        return cell

    def _cell(self, cells: Sequence[object], role: str) -> object:
        place = self.places.get(role)
        return None if place is None or place >= len(cells) else cells[place]

    def _instrument(self, line: int, cells: Sequence[object]) -> Instrument | None:
        code = word(self._cell(cells, INSTRUMENT))
        if not code:
            return self.given.instrument
        found = self.known.instruments.get(code.casefold())
        if found is None:
            self._fault(line, self.places[INSTRUMENT], f"There is no instrument {code[:30]}. Write its code.")
        return found

    def _when(self, line: int, cells: Sequence[object], piece: Piece) -> datetime | None:
        cell = self._cell(cells, WHEN)
        place = self.places.get(WHEN)
        when = self.given.measured_at
        if cell not in ("", None):
            try:
                when = moment_of(cell, self.given.zone, self.given.now)
            except UnitError as error:
                self._fault(line, place, error.sentence)
                return None
        if when > self.given.now:
            self._fault(line, place, "It was measured in the future. Correct the day.")
        elif when < piece.poured_at:
            self._fault(line, place, f"{piece.serial} was poured after that. Correct the day or the serial.")
        else:
            return when
        return None

    # ---- values ------------------------------------------------------------------------------------------------------

    def _columns(
        self, line: int, cells: Sequence[object], piece: Piece, above: dict[str, object]
    ) -> Iterator[tuple[int, Characteristic, Callable[[object], int]]]:
        """The cells of a row that hold readings, each with its characteristic and how it is read."""
        width = len(cells)
        if self.layout.is_long:
            name = word(self._named(cells, NAME, above))
            found = self._drawn(line, self.places.get(NAME), piece, name)
            if found is None:
                return
            given = word(self._cell(cells, UNIT))
            for place in self._wide:
                if place < width and not self._is_empty(line, place, cells):
                    reader = self._reader(line, place, found, given)
                    if reader is not None:
                        yield place, found, reader
            return
        planned = self._planned.setdefault(piece.revision_id, {})
        for place in self._wide:
            if place >= width or self._is_empty(line, place, cells):
                continue
            ready = planned.get(place)
            if ready is None:
                found = self._drawn(line, place, piece, self.layout.roles[place][1:])
                reader = None if found is None else self._reader(line, place, found, "")
                if found is None or reader is None:
                    continue
                ready = planned[place] = (place, found, reader)
            yield ready

    def _is_empty(self, line: int, place: int, cells: Sequence[object]) -> bool:
        if cells[place] not in ("", None):
            return False
        if (line - 1, place) in self.cells.uncomputed:
            self._fault(line, place, "It is a formula without a stored result. Open and save the spreadsheet once.")
        return True

    def _drawn(self, line: int, place: int | None, piece: Piece, name: str) -> Characteristic | None:
        found = self.known.drawn[piece.revision_id].get(name.casefold())
        part = self.known.parts[piece.revision_id]
        if found is None:
            said = f"{part} has no characteristic {name[:40]}." if name else "It names no characteristic."
            self._fault(line, place, said)
        elif found.pk in self.known.closed:
            self._fault(line, place, f"{found} of {part} comes from the scan. Pass the column over.")
            return None
        return found

    def _reader(
        self, line: int, place: int, characteristic: Characteristic, given: str
    ) -> Callable[[object], int] | None:
        given = given or (self._units_above[place] if place < len(self._units_above) else "")
        key = (characteristic.unit, given)
        if key not in self._readers:
            try:
                self._readers[key] = value_reader(self.units, characteristic.unit, given, self.cells.decimal)
            except UnitError as error:
                self._fault(line, self.places.get(UNIT, place), error.sentence)
                return None
        return self._readers[key]

    def _take(
        self, line: int, place: int, cell: object, piece: Piece, characteristic: Characteristic,
        reader: Callable[[object], int], instrument: Instrument, when: datetime,
    ) -> None:  # fmt: skip
        if instrument.unit != characteristic.unit:
            key = (place, characteristic.name)
            if key not in self._told:  # once for a column is enough
                self._told.add(key)
                self.faults.append(Fault(0, place, _other_unit(instrument, characteristic), self._head(place)))
            return
        try:
            steps = reader(cell)
        except UnitError as error:
            self._fault(line, place, error.sentence)
            return
        key = (piece.pk, characteristic.pk)
        value = self.found.get(key)
        if value is None:
            value = self.found[key] = Value(piece, characteristic, instrument, when, line, place)
        elif value.instrument is not instrument:
            self._fault(
                line, place, f"Row {value.row} has this characteristic of {piece.serial} too, with "
                f"{value.instrument.code} and not {instrument.code}. Keep the readings of one."
            )  # fmt: skip
            return
        elif when > value.measured_at:
            value.measured_at = when
        value.steps.append(steps)

    def _fault(self, line: int, place: int | None, sentence: str) -> None:
        self.faults.append(Fault(line, place, sentence, "" if place is None else self._head(place)))

    def _head(self, place: int) -> str:
        return self.heads[place][:30] if place < len(self.heads) else ""


def layout_faults(layout: Layout, heads: Sequence[str], serial: str, known: Known) -> list[str]:
    """What is missing or twice among the columns before any row is read."""
    roles = layout.roles
    faults = []
    if SERIAL not in roles and not serial:
        faults.append("No column names the cast. Choose the column with the serials, or write the one serial above.")
    if VALUE in roles and NAME not in roles:
        faults.append("No column says which characteristic a value is of. Choose the one with its number or name.")
    wide = [role for role in roles if role[:1] == "c"]
    if VALUE not in roles and not wide:
        faults.append("No column holds values. Choose at least one.")
    if VALUE in roles and wide:
        faults.append("Values are either in columns of their own characteristic or in rows, not both. Choose one way.")
    for role, name in ((SERIAL, "serial"), (NAME, "name"), (UNIT, "unit"), (INSTRUMENT, "instrument"), (WHEN, "day")):
        if roles.count(role) > 1:
            faults.append(f"Two columns are chosen for the {name}. Keep one.")
    for role in dict.fromkeys(wide):
        names = {drawn[role[1:]].name: part for part, drawn in _parts(known) if role[1:] in drawn}
        if len(names) > 1:
            said = listed([f"“{name}” of {part}" for name, part in names.items()])
            faults.append(f"Number {role[1:]} is {said}. Import their casts apart.")
    return faults


def _parts(known: Known) -> list[tuple[str, Mapping[str, Characteristic]]]:
    cast = {piece.revision_id for piece in known.casts.values()}
    return [(known.parts[pk], drawn) for pk, drawn in known.drawn.items() if pk in cast]


def word(cell: Any) -> str:
    """A serial or a number as a spreadsheet may hold it: 13.0 is 13."""
    if cell is None:
        return ""
    if isinstance(cell, float) and cell.is_integer():
        cell = int(cell)
    return str(cell).strip()


def _other_unit(instrument: Instrument, characteristic: Characteristic) -> str:
    has = "has no unit" if instrument.unit == "1" else f"measures in {instrument.unit}"
    wants = "has none" if characteristic.unit == "1" else f"is in {characteristic.unit}"
    return (
        f"{instrument.code} {has} and {characteristic.name} {wants}. Name the instrument in a column, or import "
        "this column apart."
    )
