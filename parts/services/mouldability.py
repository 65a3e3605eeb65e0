"""Asking how a nominal leaves its mould. It judges what is on file and changes nothing of the definition."""

from collections.abc import Sequence
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction
from django.utils import timezone

from logbook.services import record

from ..errors import Unusable
from ..models import Geometry, Revision
from ..mould_models import MouldabilityCheck


@transaction.atomic
def ask_mouldability(
    revision: Revision,
    *,
    kind: str,
    pull: Sequence[float] | None = None,
    fill_at: Sequence[float] | None = None,
    draft_wanted: Decimal = Decimal(2),
    wall_wanted: Decimal | None = None,
    by: Any,
    at: datetime | None = None,
) -> MouldabilityCheck:
    """Hand the current nominal to the job that judges it. pull: three numbers, None to find the best. fill_at: mm.

    Raises Unusable without a nominal on file, or for directions and limits that cannot be.
    """
    at = at or timezone.now()
    nominal = Geometry.objects.filter(revision=revision, role=Geometry.Role.NOMINAL, current=True).first()
    if nominal is None:
        raise Unusable(f"{revision} has no nominal mesh on file. Put it on file first.", code="no-nominal")
    if kind not in MouldabilityCheck.Kind.values:
        raise Unusable("Choose an open-face mould or a mould of two parts.", field="kind")
    if pull is not None and (len(pull) != 3 or not any(pull)):
        raise Unusable("A pull direction needs three numbers that are not all zero.", field="pull_numbers")
    if not 0 <= draft_wanted < 45:
        raise Unusable("The draft angle wanted must lie between 0° and 45°.", field="draft_wanted")
    if wall_wanted is not None and wall_wanted <= 0:
        raise Unusable(
            "The wall wanted must be more than 0\u00a0mm; leave it empty when none is asked for.", field="wall_wanted"
        )
    check = MouldabilityCheck.objects.create(
        geometry=nominal,
        kind=kind,
        pull=None if pull is None else [float(value) for value in pull],
        fill_at=None if fill_at is None else [float(value) for value in fill_at],
        draft_wanted=draft_wanted,
        wall_wanted=wall_wanted,
        asked_by=by,
        asked_at=at,
    )
    details = {"nominal": nominal.file.sha256, "kind": kind}
    record(by, "mouldability.asked", check, f"{check.named} asked for.", details=details, at=at)
    from ..mould_job import enqueue

    transaction.on_commit(lambda: enqueue(check.pk, check.attempt))
    return check
