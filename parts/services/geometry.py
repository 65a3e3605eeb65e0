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
from metrology.amounts.units import UNIT_NAMES
from metrology.bodies import Mesh, Progress, silent
from metrology.errors import MetrologyError
from metrology.pictures.deviation_views import nominal_picture
from metrology.pictures.png import png
from metrology.pictures.view_payload import MEDIA_TYPE as VIEW_TYPE
from metrology.pictures.view_payload import nominal_view
from metrology.reading import USUAL_CHORD, MeshFile, read_mesh, read_mesh_file
from metrology.reading.accepted import ADVICE, refusal_by_name
from metrology.reading.own_unit import UnitContradictionError
from metrology.surfaces.exact_mesh import exact_ply
from metrology.surfaces.mesh_facts import MeshFacts, mesh_facts
from metrology.wording import NBSP, quantity

from ..errors import OtherUnit, Unusable
from ..models import Characteristic, Geometry, Revision
from .regions import find_again
from .revisions import lock_open

MEGABYTE = 1_000_000
LARGEST = {Geometry.Role.NOMINAL: 250 * MEGABYTE, Geometry.Role.DRAWING: 50 * MEGABYTE}
MEDIA_TYPES = {
    ".stl": "model/stl",
    ".ply": "model/ply",
    ".obj": "model/obj",
    ".3mf": "model/3mf",
    ".step": "model/step",
    ".stp": "model/step",
}
# Triangles made from surfaces may lie off them by this share of what the profile allows to each side, between these mm.
CHORD_SHARE = 0.1
CHORDS = (0.01, 0.5)
# Kinds of which the triangles are kept beside the file: they were made from surfaces, or put together.
MODELS = ("step", "3mf")
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
    mesh: StoredFile | None = None


def set_geometry(
    revision: Revision,
    *,
    role: str,
    file: Any,
    original_name: str,
    unit: str = "",
    overrule: bool = False,
    together: bool = False,
    by: Any,
    at: datetime | None = None,
    progress: Progress = silent,
) -> Geometry:
    """Keep a file, examine it and put it on the sheet in place of the one before.

    file: upload, open binary file, bytes or a StoredFile. The rest is as in `examine_geometry`. Raises Unusable or
    Frozen.
    """
    examined = examine_geometry(
        role=role,
        file=file,
        original_name=original_name,
        unit=unit,
        overrule=overrule,
        together=together,
        chord_mm=chord_for(profile_of(revision)),
        progress=progress,
    )
    return file_geometry(revision, examined, by=by, at=at)


def keep_geometry_file(*, role: str, file: Any, original_name: str) -> StoredFile:
    """Take a file in, outside any transaction. Raises Unusable for one that is too large or in no format read here."""
    name = plain_name(original_name)
    size, largest = getattr(file, "size", None), LARGEST[Geometry.Role(role)]
    if size is not None and size > largest:
        raise Unusable(
            f"The file has {size / MEGABYTE:,.0f}{NBSP}MB and {largest // MEGABYTE}{NBSP}MB is the most. "
            "Export it with fewer triangles or at a lower resolution.",
            code="too-large",
            field="file",
        )
    if role == Geometry.Role.DRAWING:
        return keep(file, "application/pdf")
    return keep(file, MEDIA_TYPES.get(PurePath(name).suffix.lower(), "application/octet-stream"))


def plain_name(original_name: str) -> str:
    return PurePath(original_name.replace("\\", "/")).name[-255:]


def profile_of(revision: Revision) -> Characteristic | None:
    """The characteristic whose limits the scan is judged by: the profile of the surface, lowest number first."""
    profiles = revision.characteristics.filter(kind=Characteristic.Kind.PROFILE, unit=Characteristic.Unit.MM)
    return profiles.filter(lower__isnull=False, upper__isnull=False).order_by("number").first()


def chord_for(profile: Characteristic | None) -> float | None:
    """Chord tolerance for making triangles from surfaces, mm: a tenth of the profile's half width, within bounds."""
    if profile is None:
        return None
    least, most = CHORDS
    return min(max(CHORD_SHARE * float(profile.upper - profile.lower) / 2, least), most)


def chord_has_become_coarse(revision: Revision, nominal: Geometry | None) -> bool:
    """Whether the limits have become so narrow since the triangles were made that they ought to be made again."""
    made = nominal.facts.get("chord_mm") if nominal else None
    wanted = chord_for(profile_of(revision)) if made else None
    return bool(wanted and made > 1.01 * wanted)


def examine_geometry(
    *,
    role: str,
    file: Any,
    original_name: str,
    unit: str = "",
    overrule: bool = False,
    together: bool = False,
    chord_mm: float | None = None,
    progress: Progress = silent,
) -> Examined:
    """The slow half, outside any transaction: keep the file, read it, take its facts and picture.

    unit: of the mesh, empty for a drawing. overrule: the unit holds even where the file states another. together:
    several solids or objects are one nominal. chord_mm: from `chord_for`, None where no profile is on file.
    Raises Unusable, as OtherUnit where the file states another unit.
    """
    name = plain_name(original_name)
    if role == Geometry.Role.NOMINAL and unit not in UNIT_NAMES:
        raise Unusable("Say in which unit the file is.", code="no-unit", field="unit")
    stored = (
        file if isinstance(file, StoredFile) else keep_geometry_file(role=role, file=file, original_name=original_name)
    )
    if role == Geometry.Role.DRAWING:
        return _examine_drawing(stored, name)
    try:
        with local_path(stored) as path:
            found = read_mesh_file(
                path,
                unit=unit,
                name=name,
                overrule=overrule,
                together=together,
                chord_mm=chord_mm or USUAL_CHORD,
                progress=progress,
            )
        return _examined_nominal(stored, name, unit, found, chord_mm)
    except MetrologyError as error:
        raise _refused(error, name) from None


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
        mesh=examined.mesh,
        picture=examined.picture,
        view=examined.view,
        added_by=by,
        added_at=at,
    )
    what = f"{geometry.get_role_display().capitalize()} {geometry.original_name}"
    sentence = f"{what} put on file for {revision}{', in place of the one before' if replaced else ''}."
    details = {"sha256": examined.stored.sha256, "unit": examined.unit}
    record(by, "geometry.filed", geometry, sentence, details=details, at=at)
    if examined.role == Geometry.Role.NOMINAL:
        # After the lock is given back: growing regions on a large mesh takes a moment.
        transaction.on_commit(lambda: find_again(revision))
    return geometry


def _refused(error: MetrologyError, name: str) -> Unusable:
    if isinstance(error, UnitContradictionError):
        return OtherUnit(error.sentence, likely_unit=error.likely_unit)
    # For some endings there is better advice than what the content says.
    known = error.code == "not-a-mesh" and PurePath(name).suffix.lower() in ADVICE
    return Unusable(refusal_by_name(name, "mesh") if known else error.sentence, code=error.code, field="file")


def _examine_drawing(stored: StoredFile, name: str) -> Examined:
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


def _examined_nominal(stored: StoredFile, name: str, unit: str, found: MeshFile, chord_mm: float | None) -> Examined:
    measured = mesh_facts(found.mesh)
    facts = asdict(measured) | {
        "kind": found.kind,
        "own_unit": found.own_unit,
        "bodies": found.bodies,
        "notes": list(found.notes),
        "warnings": _warnings(measured, found, unit),
    }
    if found.chord_mm is not None:
        facts |= {"chord_mm": found.chord_mm, "chord_from_profile": chord_mm is not None}
    return Examined(
        Geometry.Role.NOMINAL,
        stored,
        name,
        unit,
        facts,
        picture=keep(png(nominal_picture(found.mesh)), "image/png"),
        view=keep(nominal_view(found.mesh), VIEW_TYPE),
        mesh=keep(exact_ply(found.mesh), "model/ply") if found.kind in MODELS else None,
    )


def _warnings(found: MeshFacts, file: MeshFile, unit: str) -> list[str]:
    """Plain sentences about what is odd but usable."""
    warnings = []
    if file.own_unit and file.own_unit != unit:
        warnings.append(
            f"The file says that it is in {UNIT_NAMES[file.own_unit]}, and was read in {UNIT_NAMES[unit]} all the same."
        )
    if file.bodies > 1:
        what = "solids" if file.kind == "step" else "objects"
        warnings.append(f"The file holds {file.bodies} {what}, which are taken together as one piece.")
    if not found.watertight:
        warnings.append(
            "The mesh is not watertight, so its volume is not known. Deviations near an open edge may be wrong: "
            "close the gaps in the model and file it again."
        )
    elif found.shells > 1 and file.bodies < 2:
        warnings.append(f"The mesh is {found.shells} separate pieces. Check that nothing was exported by mistake.")
    longest = max(found.size)
    if not USUAL_SIZE[0] <= longest <= USUAL_SIZE[1]:
        warnings.append(
            f"Read in {UNIT_NAMES[unit]}, the part is {quantity(longest, 'mm', 2)} long. "
            "If that cannot be, file it again with another unit."
        )
    return warnings
