"""Values that a scan wrote beside a typed one, and the choice between them."""

from datetime import datetime

from django.contrib.auth.models import AbstractUser
from django.db import transaction
from django.utils import timezone

from inspection.errors import InspectionRefusal
from inspection.models import Measurement, Scan
from logbook.services import record
from parts.limits import shown
from parts.models import Characteristic


@transaction.atomic
def count_scan_value(
    scan: Scan, characteristic: Characteristic, *, by: AbstractUser, at: datetime | None = None
) -> Measurement:
    """From now on the value that a scan gave counts, in place of the typed one, which stays to be read.

    Refuses a scan that was withdrawn or gave no value, one that is not the newest with a value, and when no typed value
    counts. Returns the measurement that counts.
    """
    at = at or timezone.now()
    cast = scan.cast
    if scan.withdrawn_at is not None:
        raise InspectionRefusal(f"{scan} was withdrawn; its values do not count.", code="withdrawn")
    rows = Measurement.objects.select_for_update().filter(cast=cast, characteristic=characteristic)
    own = rows.filter(scan=scan).order_by("pk").last() if _gave(scan, characteristic) else None
    if own is None:
        raise InspectionRefusal(f"{scan} has no value for {characteristic}.", code="no-value")
    later = rows.filter(scan__scanned_at__gt=scan.scanned_at, scan__withdrawn_at__isnull=True)
    if newest := later.select_related("scan__kit").order_by("scan__scanned_at").last():
        raise InspectionRefusal(f"{newest.scan} is newer. Let its value count instead.", code="newer-scan")
    typed = rows.filter(scan__isnull=True, replaced=False)
    before = [row.value for row in typed]
    if not before:
        raise InspectionRefusal(f"No typed value of {characteristic} counts any more.", code="nothing-typed")
    typed.update(replaced=True)
    own.replaced = False
    own.save(update_fields=["replaced"])
    sentence = (
        f"{characteristic} of {cast}: {shown(own.value)} from scan {scan} counts, in place of "
        f"{shown(before[-1])}, which was typed."
    )
    details = {"characteristic": characteristic.number, "before": str(before[-1]), "after": str(own.value)}
    record(by, "cast.scan-value-counts", cast, sentence, details=details, at=at)
    return own


def _gave(scan: Scan, characteristic: Characteristic) -> bool:
    """Whether the last run of the scan gave it a value: rows of earlier runs stay behind."""
    result = getattr(scan, "result", None)
    fed = result.figures.get("fed", []) if result else []
    return any(row["number"] == characteristic.number and row["result"] != "not measured" for row in fed)
