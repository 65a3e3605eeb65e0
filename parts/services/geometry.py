"""Geometry on file: the nominal mesh and the drawing of a revision, by content hash."""

from dataclasses import asdict, dataclass, field
from datetime import datetime
from pathlib import PurePath
from typing import Any

from django.db import transaction
from django.utils import timezone

from logbook.files import keep, local_path
from logbook.models import StoredFile
from logbook.services import record
from metrology.bodies import Mesh, Progress, silent
from metrology.errors import MetrologyError
from metrology.mesh_facts import MeshFacts, mesh_facts
from metrology.picture import nominal_picture
from metrology.pictures.png import png
from metrology.reading import read_mesh, read_mesh_with_notes
from metrology.units import UNIT_NAMES
from metrology.view_payload import MEDIA_TYPE as VIEW_TYPE
from metrology.view_payload import nominal_view
from metrology.wording import NBSP, quantity

from ..errors import Unusable
from ..models import Geometry, Revision
from .revisions import lock_open

MEGABYTE = 1_000_000
LARGEST = {Geometry.Role.NOMINAL: 250 * MEGABYTE, Geometry.Role.DRAWING: 50 * MEGABYTE}
MEDIA_TYPES = {".stl": "model/stl", ".ply": "model/ply", ".obj": "model/obj"}
# A part of a kit is neither a grain of sand nor a street; outside these the stated unit is worth a second look. mm.
USUAL_SIZE = (5.0, 100_000.0)


@dataclass(frozen=True)
class Examined:
    """A file that was kept and found usable, not yet on any revision's sheet."""

    role: str
    stored: StoredFile
    original_name: str
    unit: str = ""
    facts: dict[str, Any] = field(default_factory=dict)
    picture: StoredFile | None = None
    view: StoredFile | None = None


def set_geometry(
    revision: Revision,
    *,
    role: str,
    file: Any,
    original_name: str,
    unit: str = "",
    by: Any,
    at: datetime | None = None,
    progress: Progress = silent,
) -> Geometry:
    """Keep a file, examine it and put it on the sheet in place of the one before.

    file: upload, open binary file or bytes. unit: of the mesh, empty for a drawing. Raises Unusable or Frozen.
    """
    examined = examine_geometry(role=role, file=file, original_name=original_name, unit=unit, progress=progress)
    return file_geometry(revision, examined, by=by, at=at)


def examine_geometry(
    *, role: str, file: Any, original_name: str, unit: str = "", progress: Progress = silent
) -> Examined:
    """The slow half, outside any transaction: keep the file, read it, take its facts and picture. Raises Unusable."""
    name = PurePath(original_name.replace("\\", "/")).name[-255:]
    size, largest = getattr(file, "size", None), LARGEST[Geometry.Role(role)]
    if size is not None and size > largest:
        raise Unusable(
            f"The file has {size / MEGABYTE:,.0f}{NBSP}MB and {largest // MEGABYTE}{NBSP}MB is the most. "
            "Export it with fewer triangles or at a lower resolution.",
            code="too-large",
            field="file",
        )
    if role == Geometry.Role.DRAWING:
        return _examine_drawing(file, name)
    return _examine_nominal(file, name, unit, progress)


def nominal_mesh(geometry: Geometry, progress: Progress = silent) -> Mesh:
    """The triangles of a nominal on file, mm: from the file itself, or those that were made from a model when it was
    filed. Raises MetrologyError for a file that can no longer be read."""
    if geometry.mesh:
        with local_path(geometry.mesh) as path:
            return read_mesh(path, unit="mm", name="nominal.ply", progress=progress)
    with local_path(geometry.file) as path:
        return read_mesh(path, unit=geometry.unit, name=geometry.original_name, progress=progress)


@transaction.atomic
def file_geometry(revision: Revision, examined: Examined, *, by: Any, at: datetime | None = None) -> Geometry:
    """The quick half: put an examined file on the revision's sheet; the one before stays in the record."""
    at = at or timezone.now()
    lock_open(revision)
    replaced = revision.geometry.filter(role=examined.role, current=True).update(current=False)
    geometry = Geometry.objects.create(
        revision=revision,
        role=examined.role,
        file=examined.stored,
        original_name=examined.original_name,
        unit=examined.unit,
        facts=examined.facts,
        picture=examined.picture,
        view=examined.view,
        added_by=by,
        added_at=at,
    )
    what = f"{geometry.get_role_display().capitalize()} {geometry.original_name}"
    sentence = f"{what} put on file for {revision}{', in place of the one before' if replaced else ''}."
    details = {"sha256": examined.stored.sha256, "unit": examined.unit}
    record(by, "geometry.filed", geometry, sentence, details=details, at=at)
    return geometry


def _examine_drawing(file: Any, name: str) -> Examined:
    stored = keep(file, "application/pdf")
    with stored.open() as content:
        start = content.read(1024)
        content.seek(max(0, stored.size - 2048))
        end = content.read()
    if not start.lstrip().startswith(b"%PDF-"):
        raise Unusable(
            f"“{name}” is not a PDF, whatever its name says. Export the drawing as PDF.", code="not-a-pdf", field="file"
        )
    if b"%%EOF" not in end:
        raise Unusable(
            f"“{name}” ends in the middle: the PDF was cut short. Export or copy it again.",
            code="truncated",
            field="file",
        )
    return Examined(Geometry.Role.DRAWING, stored, name, facts={"bytes": stored.size})


def _examine_nominal(file: Any, name: str, unit: str, progress: Progress) -> Examined:
    if unit not in UNIT_NAMES:
        raise Unusable("Say in which unit the mesh is: the file itself does not.", code="no-unit", field="unit")
    stored = keep(file, MEDIA_TYPES.get(PurePath(name).suffix.lower(), "application/octet-stream"))
    try:
        with local_path(stored) as path:
            mesh, notes = read_mesh_with_notes(path, unit=unit, name=name, progress=progress)
        found = mesh_facts(mesh)
        picture, view = png(nominal_picture(mesh)), nominal_view(mesh)
    except MetrologyError as error:
        raise Unusable(error.sentence, code=error.code, field="file") from None
    facts = asdict(found) | {"notes": list(notes), "warnings": _warnings(found, unit)}
    return Examined(Geometry.Role.NOMINAL, stored, name, unit, facts, keep(picture, "image/png"), keep(view, VIEW_TYPE))


def _warnings(found: MeshFacts, unit: str) -> list[str]:
    """Plain sentences about what is odd but usable."""
    warnings = []
    if not found.watertight:
        warnings.append(
            "The mesh is not watertight, so its volume is not known. Deviations near an open edge may be wrong: "
            "close the gaps in the model and file it again."
        )
    elif found.shells > 1:
        warnings.append(f"The mesh is {found.shells} separate pieces. Check that nothing was exported by mistake.")
    longest = max(found.size)
    if not USUAL_SIZE[0] <= longest <= USUAL_SIZE[1]:
        warnings.append(
            f"Read in {UNIT_NAMES[unit]}, the part is {quantity(longest, 'mm', 2)} long. "
            "If that cannot be, file it again with another unit."
        )
    return warnings
