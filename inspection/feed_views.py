"""The choice between a typed value and the one that a scan gave."""

from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404
from django.views.decorators.http import require_POST

from parts.acting import act_or_say, may

from . import queries, services


@require_POST
@may("inspection.add_measurement")
def count(request: HttpRequest, code: str, number: int) -> HttpResponse:
    scan = queries.scan_or_404(request.kit, code)
    characteristic = get_object_or_404(scan.cast.revision.characteristics, number=number)
    return act_or_say(
        request,
        lambda: services.count_scan_value(scan, characteristic, by=request.user),
        scan.get_absolute_url() + "#features",
        f"The value of this scan counts for {characteristic}.",
    )
