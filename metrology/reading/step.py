"""STEP (ISO 10303-21): surfaces turned into triangles by a library, in a process of its own."""

import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np

from metrology.amounts.units import LENGTH_IN_MM, UNIT_NAMES
from metrology.bodies import Ints, Mesh, Progress
from metrology.errors import ReadingError
from metrology.reading.apart import read_apart
from metrology.reading.glb import read_glb
from metrology.reading.raw import STAGE, Raw, shown, truncated
from metrology.reading.step_units import METRE_IN_MM, own_units
from metrology.reading.tidy import join_equal_points, single_step
from metrology.surfaces.mesh_facts import volume_of_pieces, winding
from metrology.wording import listed

SECONDS = 60.0
MEMORY = 6 << 30
# Facets turn by no more than this from one to the next, rad, so that small rounds stay round.
TURN = 0.25
SOLID = re.compile(rb"(?:MANIFOLD_SOLID_BREP|BREP_WITH_VOIDS|FACETED_BREP)\s*\(")
# A point with anything but numbers in its coordinates; the library would leave out the faces about it without a word.
SPOILED = re.compile(rb"CARTESIAN_POINT\s*\(\s*'[^']*'\s*,\s*\(([^)]*[^)\d\s.,+\-eE][^)]*)\)")
END = b"END-ISO-10303-21"
AGAIN = "Export the STEP again, or export STL."


def read_step(path: Path, progress: Progress, chord_mm: float) -> Raw:
    """Triangles no farther than `chord_mm` from the surfaces; `bodies` counts the solids, or loose surfaces.

    Raises ReadingError: truncated, bad-row, not-a-mesh, no-faces, reader-ended.
    """
    text = path.read_bytes()
    _check_text(text)
    units, solids = own_units(text), len(SOLID.findall(text))
    del text

    def report(words: Mapping[str, Any]) -> None:
        progress(STAGE, 0.5)

    given = {"reader": "step", "chord_mm": chord_mm, "turn_rad": TURN}
    with read_apart("apart_readers.py", path, "STEP model", seconds=SECONDS, memory=MEMORY, report=report, **given) as (
        folder,
        answer,
    ):
        if answer["status"] != 0 or not answer["written"]:
            raise ReadingError("not-a-mesh", f"The STEP model could not be understood; it may be damaged. {AGAIN}")
        placed = read_glb(folder / "model.glb")
    if not placed:
        raise ReadingError("no-faces", f"The STEP holds no solid and no surface. {AGAIN}")
    before = np.cumsum([0, *(len(points) for points, _ in placed)])
    points = np.concatenate([points for points, _ in placed])
    faces = np.concatenate([f + n for (_, f), n in zip(placed, before, strict=False)])
    own = units[0] if units else ""
    # The library gives metres whatever the file is in, and takes millimetres where the file is silent.
    in_metre = METRE_IN_MM / LENGTH_IN_MM[own or "mm"]
    step = single_step(points) * in_metre
    points *= in_metre
    notes = []
    if len(units) > 1:
        notes.append(f"Parts of the model are in {listed([UNIT_NAMES[u] for u in units])}; each was read in its own.")
    if not solids:
        notes.append("The STEP holds surfaces but no solid.")
    points, place = join_equal_points(points)
    if solids and not _closes(place[faces]):
        notes.append(
            "The solid does not close: faces of it are missing or damaged. Compare its picture with the drawing, and "
            "export it again where they differ."
        )
    bodies = max(solids, len(placed), _bodies(Mesh(points, place[faces])))
    return Raw(points, place[faces], own_unit=own, step=step, bodies=bodies, notes=tuple(notes))


def _check_text(text: bytes) -> None:
    if END not in text[-4096:]:
        raise truncated("The STEP file does not end as it should, with END-ISO-10303-21.")
    if spoiled := SPOILED.search(text):
        raise ReadingError(
            "bad-row",
            f"The STEP has a point at {shown(spoiled[1])}, which are not numbers: the file is damaged. {AGAIN}",
        )
    schema = re.search(rb"FILE_SCHEMA\s*\(\s*\(\s*'([^']*)", text[: 1 << 16])
    if schema and schema[1].upper().startswith(b"IFC"):
        raise ReadingError(
            "not-a-mesh", "The file is an IFC model of a building. Export the one piece as STEP, 3MF or STL."
        )


def _closes(faces: Ints) -> bool:
    """Whether the triangles close; those drawn out to an edge or a point, as at the pole of a ball, do not count."""
    first, second, third = faces.T
    return winding(faces[(first != second) & (second != third) & (third != first)])[1]


def _bodies(mesh: Mesh) -> int:
    """Pieces of surface that are not hollows inside another piece: those are wound inside out."""
    volumes = volume_of_pieces(mesh)
    return int((volumes >= 0).sum()) or len(volumes)
