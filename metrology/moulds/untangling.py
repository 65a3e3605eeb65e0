"""A changed pattern drawn back where it would fold or run through itself."""

import numpy as np

from metrology.bodies import Floats, Ints, Mesh
from metrology.moulds.limits import held_faces, keep_releasing
from metrology.moulds.pattern import Pattern
from metrology.surfaces.self_crossing import crossing_faces
from metrology.surfaces.surface import Flags, Surface

_HALVINGS, _ROUNDS = 6, 10
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

    After each drawing back, faces that would hold the part (`shown`, see `mould_limits.sides`) are set right again.
    What does not come free in a few rounds goes back all the way, with all that must go with it.
    """
    share = np.ones(len(moved))
    known: Ints | None = None
    here, left = moved, 0
    for k in range(_ROUNDS):
        if k:
            here = keep_releasing(pattern.faces, start, start + share[:, None] * (moved - start), shown, pull).moved
        if k >= _HALVINGS:
            here = _straight(surface, pattern, start, here, shown, pull)
        bad = turned_faces(surface, pattern, here)
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
        share[np.unique(pattern.faces[still])] *= 0.5 if k < _HALVINGS else 0.0
    return here, int((share < 1).sum()), left


def _straight(surface: Surface, pattern: Pattern, start: Floats, moved: Floats, shown: Ints, pull: Floats) -> Floats:
    """Faces that fold or hold go back to their start, ring after ring, until none is left."""
    here = moved.copy()
    while True:
        bad = turned_faces(surface, pattern, here) | held_faces(pattern.faces, start, here, shown, pull)
        back = np.unique(pattern.faces[bad])
        back = back[(here[back] != start[back]).any(axis=1)]
        if not len(back):
            return here
        here[back] = start[back]
