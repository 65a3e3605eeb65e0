"""The current nominal made ready for measuring, kept in memory for the few that are being worked on."""

from functools import lru_cache

from metrology.surfaces.surface import Surface, prepare

from .models import Geometry, Revision
from .services.geometry import nominal_mesh


def nominal_of(revision: Revision) -> Geometry | None:
    rows = revision.geometry.filter(role=Geometry.Role.NOMINAL, current=True)
    return rows.select_related("file", "mesh").first()


def surface_of(geometry: Geometry) -> Surface:
    """Raises MetrologyError for a file that can no longer be read or has no usable faces."""
    return _prepared(geometry.pk, geometry.file.sha256)


@lru_cache(maxsize=4)
def _prepared(pk: int, sha256: str) -> Surface:
    return prepare(nominal_mesh(Geometry.objects.select_related("file", "mesh").get(pk=pk)))
