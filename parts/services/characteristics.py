"""Characteristics: what is measured on a revision, and within which limits."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import models, transaction
from django.db.models import ProtectedError

from logbook.services import record
from metrology.wording import count, listed

from ..errors import NotNow, Refusal, RowsRefused, Taken, Unusable
from ..limits import check_against_nominal, check_limits
from ..models import Characteristic, Feed, Revision, RevisionState, Weight
from ..saving import change, in_words, save_checked
from .features import misfit
from .revisions import lock_open

# What a reading was judged by; fixed once there is one.
JUDGED_BY = ("kind", "nominal", "lower", "upper", "unit")
UNIT_OF_KIND = {
    Characteristic.Kind.ANGLE: Characteristic.Unit.DEG,
    Characteristic.Kind.MASS: Characteristic.Unit.KG,
    **dict.fromkeys(
        (
            Characteristic.Kind.LENGTH,
            Characteristic.Kind.DIAMETER,
            Characteristic.Kind.FLATNESS,
            Characteristic.Kind.POSITION,
            Characteristic.Kind.PROFILE,
        ),
        Characteristic.Unit.MM,
    ),
}


@transaction.atomic
def add_characteristic(
    revision: Revision,
    *,
    number: int | None = None,
    name: str,
    kind: str = Characteristic.Kind.LENGTH,
    nominal: Decimal | None = None,
    lower: Decimal | None = None,
    upper: Decimal | None = None,
    unit: str = Characteristic.Unit.MM,
    weight: str = Weight.MAJOR,
    method: str = Characteristic.Method.BY_HAND,
    by: Any,
    at: datetime | None = None,
) -> Characteristic:
    """Add one characteristic in its own unit; number: on the drawing, the next free one when None.

    Raises Frozen, Taken or Unusable.
    """
    lock_open(revision)
    if number is None:
        number = (revision.characteristics.aggregate(m=models.Max("number"))["m"] or 0) + 1
    values = dict(
        number=number, name=name, kind=kind, nominal=nominal, lower=lower, upper=upper,
        unit=unit, weight=weight, method=method,
    )  # fmt: skip
    characteristic = _new(revision, values)
    record(by, "characteristic.added", characteristic, f"Characteristic {characteristic} added to {revision}.", at=at)
    return characteristic


@transaction.atomic
def change_characteristic(
    characteristic: Characteristic, *, by: Any, at: datetime | None = None, **values: Any
) -> Characteristic:
    """Change a characteristic of an open revision. Once measured, what it was judged by stays."""
    revision = characteristic.revision
    lock_open(revision)
    differs = [c for c in JUDGED_BY if c in values and values[c] != getattr(characteristic, c)]
    if differs and is_referred_to(characteristic):
        raise NotNow(
            f"Characteristic {characteristic} has been measured, so its "
            f"{listed([str(Characteristic._meta.get_field(c).verbose_name) for c in differs])} stays. "
            "Begin a new revision to judge it otherwise.",
            field=differs[0],
        )
    number = values.get("number", characteristic.number)
    if number != characteristic.number:
        _check_number(revision, number)
    after = {c: values.get(c, getattr(characteristic, c)) for c in (*JUDGED_BY, "method")}
    _check(after)
    _check_feed(characteristic, after)
    changed = change(characteristic, values)
    if changed:
        sentence = f"Characteristic {characteristic} of {revision}: {in_words(characteristic, changed)} changed."
        record(by, "characteristic.changed", characteristic, sentence, details=changed, at=at)
    return characteristic


@transaction.atomic
def remove_characteristic(characteristic: Characteristic, *, by: Any, at: datetime | None = None) -> Revision:
    """Take a characteristic out while the revision is in preparation and nothing was measured. Returns the revision."""
    revision = characteristic.revision
    lock_open(revision)
    if revision.state != RevisionState.IN_PREPARATION:
        raise NotNow(f"{revision} is on trial, so its characteristics stay. Begin a new revision to leave one out.")
    record(
        by, "characteristic.removed", characteristic, f"Characteristic {characteristic} taken out of {revision}.", at=at
    )
    try:
        characteristic.delete()
    except ProtectedError:
        raise NotNow(f"Characteristic {characteristic} has been measured, so it stays.") from None
    return revision


@transaction.atomic
def import_characteristics(
    revision: Revision, rows: Sequence[Mapping[str, Any]], *, by: Any, at: datetime | None = None
) -> list[Characteristic]:
    """Add all rows or none. A row has the arguments of `add_characteristic`. Raises RowsRefused with every fault."""
    lock_open(revision)
    if not rows:
        raise Unusable("There is no row to import. Paste at least one below the headings.")
    faults: dict[int, list[str]] = {}
    made = []
    for place, row in enumerate(rows):
        try:
            made.append(_new(revision, row))
        except Refusal as refusal:
            faults.setdefault(place, []).append(refusal.sentence)
    if faults:
        raise RowsRefused(f"Nothing was imported: {count(len(faults), 'row needs', 'rows need')} another look.", faults)
    numbers = [c.number for c in made]
    sentence = f"{count(len(made), 'characteristic')} imported into {revision}."
    record(by, "characteristic.imported", revision, sentence, details={"numbers": numbers}, at=at)
    return made


def is_referred_to(row: models.Model) -> bool:
    """Whether any other record points at this one, whatever room it lives in; rows that go with it do not count."""
    links = [f for f in row._meta.get_fields(include_hidden=True) if f.auto_created and not f.concrete]
    links = [link for link in links if getattr(link, "on_delete", None) is not models.CASCADE]
    return any(link.related_model._base_manager.filter(**{link.field.name: row}).exists() for link in links)


def _new(revision: Revision, values: Mapping[str, Any]) -> Characteristic:
    characteristic = Characteristic(revision=revision, **values)
    _check_number(revision, characteristic.number)
    _check({column: getattr(characteristic, column) for column in JUDGED_BY})
    save_checked(characteristic)
    return characteristic


def _check_number(revision: Revision, number: int) -> None:
    other = revision.characteristics.filter(number=number).first()
    if other:
        raise Taken(
            f"Number {number} is “{other.name}” already. Take another number, or change that row.", field="number"
        )


def _check_feed(characteristic: Characteristic, after: Mapping[str, Any]) -> None:
    feed = Feed.objects.filter(characteristic=characteristic).select_related("feature", "other").first()
    if feed and (unfit := misfit(after, feed.gives)):
        column, why = unfit
        raise NotNow(
            f"{characteristic} takes the {feed.words} from every scan. Changed like this it {why} "
            "Stop feeding it first.",
            field=column,
        )


def _check(judged_by: Mapping[str, Any]) -> None:
    kind, unit = Characteristic.Kind(judged_by["kind"]), judged_by["unit"]
    wanted = UNIT_OF_KIND.get(kind, unit)
    if unit != wanted:
        raise Unusable(f"The unit of “{kind.label}” is {wanted.label}. Choose it, or the kind “other”.", field="unit")
    check_limits(judged_by["lower"], judged_by["upper"], unit)
    check_against_nominal(judged_by["nominal"], judged_by["lower"], judged_by["upper"])
