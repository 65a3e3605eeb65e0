"""What was kept of a comparison, as it is needed to draw it again: the same numbers, never computed anew."""

from collections.abc import Iterable

import numpy as np

from logbook.files import local_path
from metrology.bodies import Mesh
from metrology.comparison.compare import Callout
from metrology.pictures.deviation_views import deviation_pictures
from metrology.pictures.png import png
from metrology.pictures.view_payload import Measured, Region

from .models import ScanResult

# On an A4 sheet a picture is about 130 mm wide: its smallest lettering then stands 7 pt high.
PAPER_SCALE = 1.4


def measured_of(result: ScanResult) -> Measured:
    """The samples of a result with their regions. A result from before regions were kept has none to name."""
    figures = result.figures
    with local_path(result.deviations) as path, np.load(path) as stored:
        regions = [
            Region(region["name"], region["lower_mm"], region["upper_mm"], holds)
            for region, holds in zip(figures.get("regions", []), stored.get("regions", []), strict=False)
        ]
        points, normals, deviation = (stored[name].astype(np.float64) for name in ("points", "normals", "deviation"))
    return Measured(
        points=points,
        normals=normals,
        deviation=deviation,
        lower_mm=result.lower,
        upper_mm=result.upper,
        guard_mm=result.uncertainty,
        regions=regions,
        callouts=[
            Callout(one["number"], np.array(one["at"]), np.array(one["normal"]), one["value"], one["sentence"])
            for one in figures.get("callouts", [])
        ],
    )


def paper_pictures(result: ScanResult, mesh: Mesh, views: Iterable[str]) -> dict[str, bytes]:
    """Pictures of a result with lettering for paper, PNG by view. mesh: of its nominal."""
    measured = measured_of(result)
    drawn = deviation_pictures(
        mesh,
        measured.points,
        measured.deviation,
        views=tuple(views),
        lower_mm=measured.lower_mm,
        upper_mm=measured.upper_mm,
        guard_mm=measured.guard_mm,
        callouts=measured.callouts,
        sample_normals=measured.normals,
        background="white",
        text_scale=PAPER_SCALE,
    )
    return {view: png(image) for view, image in drawn.items()}
