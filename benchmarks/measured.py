"""What needs records: importing a sheet of 10,000 rows, and the page of a characteristic over 5,000 casts.

    python -m benchmarks.measured

The import is held against reading the same file with openpyxl alone, in the same run; the best of several. Times are
those of the processor, so that a busy machine changes little. A database of its own in a temporary folder; all records
are invented. `python -m benchmarks.numbers` runs this too.
"""

import os
import sys
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from time import process_time
from typing import Any

MOST_RATIO, MOST_PAGE_S = 3.0, 0.150
ROWS, CHARACTERISTICS, CASTS = 10_000, 10, 10_000
PAGE_CASTS = 5_000
POURED = datetime(2026, 3, 2, 9, tzinfo=UTC)


@contextmanager
def own_database() -> Iterator[Path]:
    """Django on an empty database that goes away afterwards."""
    with tempfile.TemporaryDirectory() as folder:
        os.environ |= {
            "PROOFMARK_DATA": folder,
            "PROOFMARK_TESTING": "1",
            "DJANGO_SETTINGS_MODULE": "proofmark.settings",
        }
        import django
        from django.core.management import call_command
        from django.db import connection

        django.setup()
        call_command("migrate", verbosity=0)
        try:
            yield Path(folder)
        finally:
            connection.close()


def make_records() -> dict[str, Any]:
    from casting.models import Cast
    from inspection.models import Instrument, Measurement
    from parts.models import Characteristic, Component, Kit, Revision
    from proofmark.models import Person

    person = Person.objects.create_superuser("bench", password="bench")
    kit = Kit.objects.create(code="TPW", name="Tern Point walkway", invented=True)
    component = Component.objects.create(kit=kit, part_number="SB-02", name="Saddle block", material="Mortar")
    revision = Revision.objects.create(
        component=component, letter="A", what_changed="First issue", why="New part", author=person,
        state="on trial", state_since=POURED,
    )  # fmt: skip
    drawn = [
        Characteristic.objects.create(
            revision=revision, number=n, name=f"Length {n}", nominal=600, lower=Decimal("598.5"), upper=Decimal("601.5")
        )
        for n in range(1, CHARACTERISTICS + 1)
    ]
    calliper = Instrument.objects.create(kit=kit, code="G-01", name="Calliper", kind="calliper", uncertainty="0.05")
    Cast.objects.bulk_create(
        Cast(kit=kit, revision=revision, serial=f"TP-SB-{n:05d}", poured_at=POURED + timedelta(minutes=n),
             demoulded_at=POURED + timedelta(days=9), logged_at=POURED, logged_by=person, standing="in store")
        for n in range(CASTS)
    )  # fmt: skip
    casts = list(Cast.objects.order_by("poured_at")[:PAGE_CASTS])
    Measurement.objects.bulk_create(
        Measurement(cast=cast, characteristic=drawn[0], value=Decimal(value(n, 1)), instrument=calliper,
                    uncertainty="0.05", result="conforms", measured_at=POURED, measured_by=person)
        for n, cast in enumerate(casts)
    )  # fmt: skip
    return {"person": person, "kit": kit, "calliper": calliper, "revision": revision}


def value(cast: int, number: int) -> str:
    """About normal with a spread of 0.3 mm, the same in every run."""
    share = [((cast * 7919 + number * 104_729 + k * 611_953) % 10_007) / 10_007 for k in range(6)]
    return f"{600 + 0.42 * (sum(share) - 3):.3f}"


def long_sheet(path: Path) -> None:
    """A row for each value, with what usually comes along."""
    rows = [["Serial", "No", "Name", "Nominal", "Lower", "Upper", "Value", "Unit", "Instrument", "Measured at"]]
    for n in range(ROWS):
        cast, number = divmod(n, CHARACTERISTICS)
        rows.append([f"TP-SB-{cast:05d}", number + 1, f"Length {number + 1}", 600, 598.5, 601.5,
                     float(value(cast, number)), "mm", "G-01", datetime(2026, 5, 14, 12)])  # fmt: skip
    _save(path, rows)


def wide_sheet(path: Path) -> None:
    """A row for each cast with a column for each characteristic: ten times as many values."""
    rows = [["Serial", *(f"Length {n}" for n in range(1, CHARACTERISTICS + 1))]]
    rows += [[f"TP-SB-{cast:05d}", *(float(value(cast, n)) for n in range(CHARACTERISTICS))] for cast in range(ROWS)]
    _save(path, rows)


def _save(path: Path, rows: list[list[Any]]) -> None:
    from openpyxl import Workbook

    book = Workbook(write_only=True)
    sheet = book.create_sheet()
    for row in rows:
        sheet.append(row)
    book.save(path)


def read_alone(path: Path) -> None:
    from openpyxl import load_workbook

    book = load_workbook(path, read_only=True, data_only=True)
    assert sum(1 for _ in book.worksheets[0].iter_rows(values_only=True)) == ROWS + 1


def importing(records: dict[str, Any], path: Path, values: int) -> Callable[[], None]:
    """Reading, checking, judging and recording a sheet as the button does, and taking it back."""
    from django.db import transaction
    from django.http import QueryDict

    from inspection.services.sheets import import_measurements
    from inspection.sheet_step import sheet_step
    from logbook.files import keep

    stored = keep(path.read_bytes(), "application/octet-stream")
    given = {
        "instrument": records["calliper"], "unit": "mm", "serial": "", "measured_at": datetime(2026, 6, 1, tzinfo=UTC),
        "now": datetime(2026, 6, 2, tzinfo=UTC),
    }  # fmt: skip
    looked = sheet_step(records["kit"], stored, QueryDict(), **given)
    sent = QueryDict(mutable=True)
    sent.update({name: str(looked.form[name].value() or "") for name in looked.form.fields})
    sent.update({"shown": looked.shown, "confirm": "1"})

    def act() -> None:
        with transaction.atomic():
            step = sheet_step(records["kit"], stored, sent, **given)
            assert step.agreed and len(step.judged.values) == values, step.first_faults
            import_measurements(
                records["kit"], step.judged, by=records["person"], file=stored, original_name="sheet.xlsx",
                instrument=records["calliper"], layout=step.layout.as_stored(), headings=step.heads,
            )  # fmt: skip
            transaction.set_rollback(True)

    return act


def page(records: dict[str, Any]) -> Callable[[], None]:
    from django.test import Client

    client = Client(SERVER_NAME="localhost")
    client.force_login(records["person"])

    def act() -> None:
        answer = client.get("/TPW/parts/SB-02/A/characteristics/1/")
        assert answer.status_code == 200 and str(PAGE_CASTS).encode() in answer.content

    return act


def best_of(work: Callable[[], object], times: int) -> float:
    taken = []
    for _ in range(times):
        start = process_time()
        work()
        taken.append(process_time() - start)
    return min(taken)


def run() -> int:
    """How many of the limits were missed; prints a line for each."""
    slow = 0
    with own_database() as folder:
        records = make_records()
        for name, make, values, limit in (
            ("one value a row", long_sheet, ROWS, MOST_RATIO),
            # Ten times as many values: told, without a limit.
            ("ten values a row", wide_sheet, ROWS * CHARACTERISTICS, None),
        ):
            path = folder / "sheet.xlsx"
            make(path)
            act = importing(records, path, values)
            alone, whole = best_of(lambda path=path: read_alone(path), 3), best_of(act, 3)
            late = limit is not None and whole > limit * alone
            slow += late
            said = "too slow" if late else "in time" if limit else "told"
            asked = f"of {limit:.1f} times" if limit else "       times"
            print(
                f"{said:9} {whole / alone:9.2f} {asked} the reading  a sheet of {ROWS} rows, {name} "
                f"({whole:.2f} s, reading alone {alone:.2f} s)"
            )
        act = page(records)
        act()
        taken = best_of(act, 7)
        slow += taken > MOST_PAGE_S
        said = "too slow" if taken > MOST_PAGE_S else "in time"
        print(f"{said:9} {1000 * taken:9.3f} ms of {1000 * MOST_PAGE_S:7.1f} ms  "
              f"the page of a characteristic over {PAGE_CASTS} casts")  # fmt: skip
    return slow


if __name__ == "__main__":
    sys.exit(1 if run() else 0)
