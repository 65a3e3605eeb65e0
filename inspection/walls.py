"""Wall thickness of a scan: measured after the comparison, kept with its figures; its map is drawn when asked for."""

from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
from django.http import Http404, HttpRequest, HttpResponse
from django.urls import reverse
from django.views.decorators.cache import cache_control
from django.views.decorators.http import require_safe

from metrology.comparison.compare import Comparison
from metrology.comparison.thickness import WallFigures, thickness, wall_figures
from metrology.comparison.thickness_words import wall_sentence
from metrology.comparison.words import share
from metrology.errors import MetrologyError
from metrology.moulds.step_picture import wall_pictures
from metrology.pictures.png import png
from metrology.pictures.views import VIEWS
from metrology.surfaces.surface import Surface
from parts.acting import may
from parts.nominal_surface import surface_of
from parts.services.geometry import nominal_mesh

from . import queries
from .kept import measured_of
from .models import Scan, ScanResult

# Share of the surface.
WORTH_A_MAP = 0.1
TITLE = "Wall thickness, measured less nominal"


@dataclass(frozen=True)
class Walls:
    """Of the whole, and of each region that has walls, by its name."""

    whole: WallFigures
    regions: list[tuple[str, WallFigures]]


def measure_walls(surface: Surface, comparison: Comparison, scanner_mm: float) -> Walls:
    """scanner_mm: U of the scanner alone, k = 2, mm."""
    points = comparison.sample_points
    found = thickness(surface, points, comparison.sample_normals, comparison.sample_deviation)

    def told(which: np.ndarray) -> WallFigures:
        return wall_figures(found, points, which, instrument_mm=scanner_mm, noise_mm=comparison.noise_mm)

    regions = [
        (region.name, told(np.flatnonzero(holds)))
        for region, holds in zip(comparison.regions, comparison.sample_regions, strict=True)
    ]
    return Walls(told(np.arange(len(points))), [(name, figures) for name, figures in regions if figures.walls])


def plain_walls(walls: Walls, plain: Callable[[Any], Any]) -> dict[str, Any]:
    """As they stand in the figures of a result, with the sentence."""
    rows = [("", walls.whole), *walls.regions]
    return {
        "says": wall_sentence(walls.whole),
        "rows": [{"name": name} | {key: plain(value) for key, value in asdict(row).items()} for name, row in rows],
    }


class WallReading:
    """Kept walls as the page shows them."""

    def __init__(self, scan: Scan, result: ScanResult) -> None:
        self.scan, self.result = scan, result
        self.kept: Mapping[str, Any] = result.figures["walls"]

    @property
    def says(self) -> str:
        return str(self.kept["says"])

    @property
    def rows(self) -> list[dict[str, Any]]:
        return [
            row | {"has_other_side": share(row["walls"]), "seen": share(row["measured"])} for row in self.kept["rows"]
        ]

    @property
    def has_map(self) -> bool:
        """On a block with hardly a wall there would be nothing to see."""
        whole = self.kept["rows"][0]
        return bool(whole["measured"] and whole["walls"] >= WORTH_A_MAP)

    @property
    def maps(self) -> list[tuple[str, str]]:
        """(title, address) of the map from each side."""
        address = reverse("inspection:walls", args=[self.scan.kit.code, self.scan.code])
        return [(view.title, f"{address}?view={view.name}&of={self.result.pk}") for view in VIEWS]


def reading_of(scan: Scan) -> WallReading | None:
    """None for a result from before walls were measured, and for a part without any."""
    kept = scan.result.figures.get("walls")
    return WallReading(scan, scan.result) if kept and kept["rows"][0]["walls"] else None


@require_safe
@cache_control(private=True, max_age=3600)
@may("inspection.view_scan")
def picture(request: HttpRequest, code: str) -> HttpResponse:
    """The map from one side, from what was kept with the result."""
    scan = queries.scan_or_404(request.kit, code)
    view = request.GET.get("view", VIEWS[0].name)
    if scan.state != Scan.State.DONE or scan.result.deviations is None or reading_of(scan) is None:
        raise Http404("This scan has no walls to show.")
    if view not in {one.name for one in VIEWS}:
        raise Http404("There is no such side.")
    try:
        image = _drawn(scan.result, view)
    except MetrologyError as error:
        raise Http404(error.sentence) from error
    name = f"{scan.code}-walls-{view}.png"
    return HttpResponse(png(image), "image/png", headers={"Content-Disposition": f'inline; filename="{name}"'})


def _drawn(result: ScanResult, view: str) -> Any:
    measured = measured_of(result)
    # Kept in 32 bits: of unit length again.
    normals = measured.normals / np.linalg.norm(measured.normals, axis=1)[:, None]
    surface = surface_of(result.nominal)
    found = thickness(surface, measured.points, normals, measured.deviation)
    drawn = wall_pictures(
        nominal_mesh(result.nominal),
        measured.points,
        normals,
        found.measured - found.nominal,
        views=[view],
        sure_mm=result.figures["walls"]["rows"][0]["mean_uncertainty"] or 0.02,
        title=TITLE,
    )
    return drawn[view]
