"""Checking and saving one record inside a service: what the model forbids becomes a refusal, changes become details."""

from collections.abc import Mapping
from datetime import date
from decimal import Decimal
from typing import Any

from django.core.exceptions import NON_FIELD_ERRORS, ValidationError
from django.db import models

from metrology.wording import listed

from .errors import Unusable


def save_checked(record: models.Model, columns: list[str] | None = None) -> None:
    """Save after the model's own checks. columns: only these are written. Raises Unusable with the first fault."""
    try:
        record.full_clean(validate_unique=False, validate_constraints=False)
    except ValidationError as fault:
        field, sentences = next(iter(fault.message_dict.items()))
        raise Unusable(sentences[0], field=None if field == NON_FIELD_ERRORS else field) from None
    record.save(update_fields=columns)


def change(record: models.Model, values: Mapping[str, Any]) -> dict[str, list[Any]]:
    """Set and save what differs; return {column: [before, after]} for the logbook, empty when nothing differs."""
    changed = {}
    for column, value in values.items():
        before = getattr(record, column)
        if before != value:
            changed[column] = [_plain(before), _plain(value)]
            setattr(record, column, value)
    if changed:
        save_checked(record, list(changed))
    return changed


def in_words(record: models.Model, changed: Mapping[str, list[Any]]) -> str:
    """The names of the changed columns as people know them: "name and quantity in the kit"."""
    return listed([str(record._meta.get_field(column).verbose_name) for column in changed])


def _plain(value: Any) -> Any:
    if isinstance(value, Decimal):
        return format(value.normalize(), "f")
    return str(value) if isinstance(value, models.Model | date) else value
