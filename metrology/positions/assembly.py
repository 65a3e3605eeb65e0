"""A nominal assembly: parts placed by rigid transforms. Frame of the assembly: +X forward, +Y left, +Z up, mm."""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats, Mesh
from metrology.errors import InputError
from metrology.surfaces.surface import Surface, prepare

# How far from rigid a matrix may be: its columns from unit length and from square to each other.
RIGID = 1e-3


@dataclass(frozen=True)
class PlacedPart:
    """One part in its place. label: of the place, once in the assembly. part: what it is, for people ("SB-03 B").

    mesh: the nominal in its own frame; parts alike share one object. matrix: (4, 4) rigid, own frame to assembly.
    position_mm: diameter of the zone in which the middle of the part must lie (position tolerance, ISO 1101, from
    memory: the deviation of the position may be half of it); None when none is given. turn_deg: the most that the part
    may be turned, either way; None when none is given.
    """

    label: str
    part: str
    mesh: Mesh
    matrix: Floats
    position_mm: float | None = None
    turn_deg: float | None = None

    @property
    def middle(self) -> Floats:
        """Middle of the box around the nominal in its own frame, placed, (3,) mm."""
        own = (self.mesh.vertices.min(axis=0) + self.mesh.vertices.max(axis=0)) / 2
        middle: Floats = self.matrix[:3, :3] @ own + self.matrix[:3, 3]
        return middle


def check_parts(parts: Sequence[PlacedPart]) -> None:
    """Raises InputError: no-parts, label-twice, not-rigid, tolerance."""
    if not parts:
        raise InputError("no-parts", "The nominal assembly has no parts. Import its table first.")
    labels = [part.label for part in parts]
    twice = next((label for label in labels if labels.count(label) > 1), None)
    if twice is not None:
        raise InputError("label-twice", f"Two parts have the label {twice}. Give each place a label of its own.")
    for part in parts:
        if not is_rigid(part.matrix):
            raise InputError("not-rigid", f"The transform of {part.label} stretches or mirrors its part. Correct it.")
        for value in (part.position_mm, part.turn_deg):
            if value is not None and not value > 0:
                raise InputError("tolerance", f"The tolerances of {part.label} must be more than 0.")


def is_rigid(matrix: Floats) -> bool:
    """A rotation of determinant +1 and a translation, to within a thousandth."""
    if matrix.shape != (4, 4) or not np.isfinite(matrix).all():
        return False
    turn = matrix[:3, :3]
    square = np.abs(turn.T @ turn - np.eye(3)).max() < RIGID
    return bool(square and np.linalg.det(turn) > 0 and np.abs(matrix[3] - (0, 0, 0, 1)).max() < RIGID)


def nearest_rigid(matrix: Floats) -> Floats:
    """The rotation nearest to the matrix's own (typed with few digits), with its translation, (4, 4)."""
    left, _, right = np.linalg.svd(matrix[:3, :3])
    exact = np.eye(4)
    exact[:3, :3] = left @ np.diag([1.0, 1.0, np.sign(np.linalg.det(left @ right))]) @ right
    exact[:3, 3] = matrix[:3, 3]
    return exact


def placed_mesh(parts: Sequence[PlacedPart]) -> Mesh:
    """All parts in one mesh, in the frame of the assembly."""
    vertices, faces, first = [], [], 0
    for part in parts:
        vertices.append(part.mesh.vertices @ part.matrix[:3, :3].T + part.matrix[:3, 3])
        faces.append(part.mesh.faces + first)
        first += len(part.mesh.vertices)
    return Mesh(np.concatenate(vertices), np.concatenate(faces))


def surfaces(parts: Sequence[PlacedPart]) -> dict[int, Surface]:
    """A prepared surface for each different mesh, by `id(part.mesh)`. Raises as `prepare`, naming the part."""
    ready: dict[int, Surface] = {}
    for part in parts:
        if id(part.mesh) in ready:
            continue
        try:
            ready[id(part.mesh)] = prepare(part.mesh)
        except InputError as error:
            raise InputError(error.code, f"{part.part} at {part.label}: {error.sentence}") from error
    return ready
