"""Points marked on a scan and on the nominal, which say where the part lies in the scan."""

from collections.abc import Sequence
from datetime import datetime

from django.contrib.auth.models import AbstractUser
from django.db import transaction

from inspection.alignment_models import MarkedPoint
from inspection.errors import InspectionRefusal
from inspection.models import Scan
from logbook.services import record
from metrology.alignment.marked_points import fit_pairs
from metrology.alignment.model import MarkedPair
from metrology.errors import MetrologyError
from metrology.wording import count

from .scans import run_again


@transaction.atomic
def mark_points(scan: Scan, pairs: Sequence[MarkedPair], *, by: AbstractUser, at: datetime | None = None) -> Scan:
    """Keep these pairs instead of the ones before, and measure the scan again with them. No pairs takes all out.

    Pairs that cannot tell where the part lies are refused now: too few, on one line, mirrored, contradicting each
    other. Raises InspectionRefusal, also for a scan that is withdrawn or under way.
    """
    pairs = tuple(pairs)
    had = MarkedPoint.objects.filter(scan=scan).count()
    if not pairs and not had:
        raise InspectionRefusal("Mark at least three pairs, far apart.", code="too-few-pairs")
    if pairs:
        try:
            fit_pairs(pairs)
        except MetrologyError as error:
            raise InspectionRefusal(error.sentence, code=error.code) from None
    MarkedPoint.objects.filter(scan=scan).delete()
    MarkedPoint.objects.bulk_create(
        MarkedPoint(
            scan=scan, number=number, name=pair.name,
            scan_x=pair.scan[0], scan_y=pair.scan[1], scan_z=pair.scan[2],
            nominal_x=pair.nominal[0], nominal_y=pair.nominal[1], nominal_z=pair.nominal[2],
        )
        for number, pair in enumerate(pairs, start=1)
    )  # fmt: skip
    said = f"{count(len(pairs), 'pair')} of points marked on" if pairs else "Marked points taken out of"
    details = {"pairs": [{"scan": pair.scan, "nominal": pair.nominal, "name": pair.name} for pair in pairs]}
    record(by, "scan.marked", scan, f"{said} scan {scan} of {scan.cast}.", details=details, at=at)
    return run_again(scan, by=by, at=at)
