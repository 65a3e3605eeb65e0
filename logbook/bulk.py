"""Writing many rows at once, where making a model instance for each would take most of the time."""

from collections.abc import Iterable, Sequence
from typing import Any

from django.db import connections, models, router


def insert_rows(model: type[models.Model], columns: Sequence[str], rows: Iterable[Sequence[Any]]) -> None:
    """Insert rows of values for these fields, in their order; the database gives the keys.

    Fields are named as for `bulk_create` (foreign keys by their key, as "cast_id"); those left out must have a default
    in the database or be empty. Values are prepared by their fields, each distinct one once. Nothing else of a model
    runs: no save(), no signals, no checks but the database's own. Call inside the transaction of the act.
    """
    connection = connections[router.db_for_write(model)]
    by_name = {name: field for field in model._meta.concrete_fields for name in (field.name, field.attname)}
    fields = [by_name[name] for name in columns]
    quoted = ", ".join(connection.ops.quote_name(field.column) for field in fields)
    places = ", ".join(["%s"] * len(fields))
    table = connection.ops.quote_name(model._meta.db_table)
    by_column = zip(fields, zip(*rows, strict=True), strict=False)
    prepared = zip(*(_prepared(field, cells, connection) for field, cells in by_column), strict=True)
    with connection.cursor() as cursor:
        cursor.executemany(f"INSERT INTO {table} ({quoted}) VALUES ({places})", list(prepared))


def _prepared(field: models.Field, cells: Sequence[Any], connection: Any) -> list[Any]:
    done: dict[Any, Any] = {}
    ready = []
    for cell in cells:
        key = repr(cell) if isinstance(cell, list | dict) else cell
        if key not in done:
            done[key] = field.get_db_prep_save(cell, connection)
        ready.append(done[key])
    return ready
