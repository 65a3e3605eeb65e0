"""What the three-dimensional view of a scan draws: its deviation on the nominal, and points of it as they came."""

from django.http import Http404, HttpRequest, HttpResponse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from logbook.files import keep, local_path
from logbook.models import StoredFile
from metrology.bodies import Cloud, Mesh
from metrology.comparison.compare import Comparison
from metrology.pictures.view_payload import MEDIA_TYPE, Measured, Region, deviation_view, points_view
from metrology.reading import read_scan_file
from parts.acting import may
from parts.services.geometry import nominal_mesh
from parts.view3d import kept, served

from . import queries
from .kept import measured_of
from .models import Scan, ScanResult
from .services.scans import how_to_read

MOST_BYTES = 60 << 20


def drawn(mesh: Mesh, comparison: Comparison, lower: float, upper: float, guard: float) -> bytes:
    """From a comparison that has just been made. lower, upper, guard: mm."""
    regions = [
        Region(region.name, region.lower_mm, region.upper_mm, holds)
        for region, holds in zip(comparison.regions, comparison.sample_regions, strict=True)
    ]
    measured = Measured(
        points=comparison.sample_points,
        normals=comparison.sample_normals,
        deviation=comparison.sample_deviation,
        lower_mm=lower,
        upper_mm=upper,
        guard_mm=guard,
        regions=regions,
        callouts=comparison.callouts,
    )
    return deviation_view(mesh, measured)


def thinned(scan: Scan, cloud: Cloud) -> None:
    """Keep some of the points of a scan, so that it can be looked at even where it cannot be aligned."""
    Scan.objects.filter(pk=scan.pk).update(thinned=keep(points_view(cloud), MEDIA_TYPE))


def points_of(scan: Scan) -> StoredFile:
    """The points kept by the job, or for a scan from before that was done, read from a file of moderate size now."""
    if scan.thinned is None and scan.file.size > MOST_BYTES:
        raise OSError("too large to be read while somebody waits")
    return kept(scan, "thinned", lambda: points_view(_cloud(scan)))


def _cloud(scan: Scan) -> Cloud:
    with local_path(scan.file) as path:
        return read_scan_file(path, unit=scan.unit, name=scan.original_name, **how_to_read(scan)).cloud


def view_of_result(result: ScanResult) -> StoredFile:
    return kept(result, "view", lambda: deviation_view(nominal_mesh(result.nominal), measured_of(result)))


@require_safe
@never_cache
@may("inspection.view_scan")
def scan(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.scan_or_404(request.kit, code)
    if found.state != Scan.State.DONE or found.result.deviations is None:
        raise Http404("This scan has no deviations to show.")
    return served(request, lambda: view_of_result(found.result), f"{found}.view")


@require_safe
@never_cache
@may("inspection.view_scan")
def points(request: HttpRequest, code: str) -> HttpResponse:
    found = queries.scan_or_404(request.kit, code)
    return served(request, lambda: points_of(found), f"{found}-points.view")
