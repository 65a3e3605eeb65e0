"""The lines of a drawing: sharp edges and outlines, without what is hidden."""

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components

from metrology.bodies import Floats, Ints
from metrology.pictures.raster import Seen

Flags = npt.NDArray[np.bool_]

# Faces that turn by more than this at an edge meet in a line.
SHARP_DEG = 30.0
# Distance between tested points along an edge, px.
_STEP = 0.5
# Depth, px, that a face must lie nearer to hide a point; and the slope up to which faces are carried on as planes.
_SLACK, _STEEPEST = 0.4, 30.0
# How far beside a point to look, px: less than half an outline, so that no hidden line sticks out of one.
_AROUND = 0.6


@dataclass(frozen=True)
class Edges:
    """Edges of a mesh. ends: (e, 2) vertices. faces: (e, 2), the second −1 at an open edge. sharp: (e,).

    patch: (m,) number of the smooth patch of each face; patches are bounded by sharp edges.
    """

    ends: Ints
    faces: Ints
    sharp: Flags
    patch: Ints


def find_edges(faces: Ints, normals: Floats) -> Edges:
    """faces: (m, 3) with shared corners. normals: (m, 3) unit. An edge of one face or of more than two is sharp."""
    start, end = faces[:, [0, 1, 2]].reshape(-1), faces[:, [1, 2, 0]].reshape(-1)
    owner = np.repeat(np.arange(len(faces)), 3)
    key = np.minimum(start, end) * (int(faces.max()) + 1) + np.maximum(start, end)
    order = np.argsort(key, kind="stable")
    key, owner = key[order], owner[order]
    first = np.flatnonzero(np.r_[True, key[1:] != key[:-1]])
    count = np.diff(np.r_[first, len(key)])
    ends = np.stack([np.minimum(start, end)[order[first]], np.maximum(start, end)[order[first]]], axis=1)
    pair = np.stack([owner[first], np.where(count > 1, owner[np.minimum(first + 1, len(key) - 1)], -1)], axis=1)
    turn = np.einsum("ij,ij->i", normals[pair[:, 0]], normals[pair[:, 1]])
    sharp = (count != 2) | (turn < np.cos(np.radians(SHARP_DEG)))
    smooth = pair[~sharp]
    graph = coo_array((np.ones(len(smooth), dtype=np.int8), (smooth[:, 0], smooth[:, 1])), shape=(len(faces),) * 2)
    return Edges(ends, pair, sharp, connected_components(graph, directed=False)[1].astype(np.int64))


@dataclass(frozen=True)
class Lines:
    """Points along visible lines. at: (p, 2) px. outline: (p,) true where paper lies beside the line."""

    at: Floats
    outline: Flags


def visible_lines(edges: Edges, placed: Floats, seen: Seen, facing: Flags) -> Lines:
    """Lines to draw. placed: (n, 3) px, vertices. facing: (m,) true for faces turned towards the eye."""
    back_face = np.where(edges.faces[:, 1] < 0, False, facing[edges.faces[:, 1]])
    front_face = facing[edges.faces[:, 0]]
    wanted = (front_face | back_face) & (edges.sharp | (front_face != back_face))
    ends = edges.ends[wanted]
    start, along = placed[ends[:, 0]], placed[ends[:, 1]] - placed[ends[:, 0]]
    count = np.ceil(np.hypot(along[:, 0], along[:, 1]) / _STEP).astype(np.int64) + 1
    edge = np.repeat(np.arange(len(count)), count)
    part = (np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)) / np.maximum(count - 1, 1)[edge]
    points = start[edge] + part[:, None] * along[edge]
    visible, beside_paper = in_sight(points, seen)
    return Lines(points[visible, :2], beside_paper[visible])


def in_sight(points: Floats, seen: Seen) -> tuple[Flags, Flags]:
    """Which points, (p, 3) px, no face hides, and which of all have paper beside them.

    A point is compared with the faces a little to each side of it, each carried on as a plane to the point
    itself: a face that the point lies on then never hides it, however steeply it is seen.
    """
    height, width = seen.face.shape
    visible, beside_paper = np.zeros(len(points), dtype=bool), np.zeros(len(points), dtype=bool)
    for down in (-_AROUND, 0.0, _AROUND):
        for across in (-_AROUND, 0.0, _AROUND):
            x = np.clip((points[:, 0] + across).astype(np.int64), 0, width - 1)
            y = np.clip((points[:, 1] + down).astype(np.int64), 0, height - 1)
            slope = np.clip(seen.slope[seen.face[y, x]], -_STEEPEST, _STEEPEST)
            carried = slope[:, 0] * (points[:, 0] - x - 0.5) + slope[:, 1] * (points[:, 1] - y - 0.5)
            visible |= points[:, 2] >= seen.depth[y, x] + carried - _SLACK
            beside_paper |= seen.face[y, x] < 0
    return visible, beside_paper
