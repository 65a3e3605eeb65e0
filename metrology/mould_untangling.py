"""A changed pattern drawn back where it would fold or run through itself."""

import numpy as np

from metrology.bodies import Floats, Ints, Mesh
from metrology.mould_limits import held_faces
from metrology.mould_pattern import Pattern
from metrology.self_crossing import crossing_faces
from metrology.surface import Flags, Surface

_ROUNDS = 16
# Faces that turn by more than 75° from nominal have folded (cosine).
_FOLDED = 0.26


def turned_faces(surface: Surface, pattern: Pattern, moved: Floats) -> Flags:
    """Faces of the pattern, with its vertices at `moved`, that no longer look the way they do on the nominal, (f,)."""
    a, b, c = (moved[pattern.faces[:, k]] for k in range(3))
    normal = np.cross(b - a, c - a)
    along = np.einsum("ij,ij->i", normal, surface.normals[pattern.parents])
    turned: Flags = along <= _FOLDED * np.linalg.norm(normal, axis=1)
    return turned


def untangled(
    surface: Surface, pattern: Pattern, start: Floats, moved: Floats, shown: Ints, pull: Floats
) -> tuple[Floats, int, int]:
    """Vertices (v, 3), drawn back from `moved` towards `start` where faces fold or cross; how many were drawn back; and
    how many pairs of faces still cross that did not on the pattern before.

    Where drawing back would make a face lean over the mould (`shown`, see `mould_limits.sides`), its corners are drawn
    back as well.
    """
    share = np.ones(len(moved))
    known: Ints | None = None
    left = 0
    for k in range(_ROUNDS):
        here = start + share[:, None] * (moved - start)
        bad = turned_faces(surface, pattern, here) | held_faces(pattern.faces, start, here, shown, pull)
        pairs = crossing_faces(Mesh(here, pattern.faces))
        if len(pairs) and known is None:
            known = crossing_faces(Mesh(pattern.moved, pattern.faces))
        if known is not None and len(known):
            pairs = pairs[~np.isin(pairs @ [len(pattern.faces), 1], known @ [len(pattern.faces), 1])]
        left = len(pairs)
        bad[pairs.reshape(-1)] = True
        # What is at its start already cannot be mended here.
        still = np.flatnonzero(bad & (share[pattern.faces].max(axis=1) > 0))
        if not len(still):
            break
        share[np.unique(pattern.faces[still])] *= 0.5 if k < _ROUNDS - 4 else 0.0
    return start + share[:, None] * (moved - start), int((share < 1).sum()), left
