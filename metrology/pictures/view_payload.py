"""What the three-dimensional view draws, in one compact file: a header, then arrays of numbers.

Layout: 4 bytes, length of the header, little-endian; the header, JSON in UTF-8, padded with spaces to a multiple of 4
bytes; the arrays one after the other, little-endian, each starting at a multiple of 4 bytes. The header's "arrays" says
of each where it begins (bytes after the header), its type (numpy's name), rows and columns. The whole is gzipped, the
same bytes from the same input.

Lengths in mm. Places are relative to the header's "origin" in the frame of the nominal (for points, of the scan), so
that 32 bits are enough far from the file's own origin. Faces are stored as differences, each number less the one
before it, for they compress better so.
"""

import gzip
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.spatial import cKDTree

from metrology.bodies import Cloud, Floats, Mesh
from metrology.pictures.callouts import Named
from metrology.pictures.display_mesh import DisplayMesh, display_mesh
from metrology.pictures.field import Field
from metrology.pictures.palette import scale
from metrology.surfaces.islands import signs
from metrology.surfaces.surface import Flags, Samples, prepare

VERSION = 1
MEDIA_TYPE = f"application/x-proofmark-view; version={VERSION}"
MOST_POINTS = 60_000


@dataclass(frozen=True)
class Region:
    """A named part of the nominal with its limits, mm. holds: (s,) which samples lie in it."""

    name: str
    lower_mm: float
    upper_mm: float
    holds: Flags


@dataclass(frozen=True)
class Measured:
    """What was found of a scan, as it was stored.

    points, normals: (s, 3), mm and unit, on the nominal. deviation: (s,) mm, positive outside, NaN = not measured.
    lower_mm, upper_mm: limits outside the regions. guard_mm: the guard band.
    """

    points: Floats
    normals: Floats
    deviation: Floats
    lower_mm: float
    upper_mm: float
    guard_mm: float
    regions: Sequence[Region] = ()
    callouts: Sequence[Named] = ()


def deviation_view(mesh: Mesh, measured: Measured) -> bytes:
    """The nominal with the deviation on it.

    Array "deviation" is the smooth field of the pictures at the corners of the mesh, "share" the part of the
    neighbourhood that was measured, 0 to 255; the corner nearest to a sample beyond its limits takes the value of that
    sample, so that none falls between the corners. The samples stand beside it with their own values: what is read out
    at a place is the value of its sample. Raises InputError as `surface.prepare`.
    """
    points, normals, deviation = measured.points, measured.normals, measured.deviation
    limits = (measured.lower_mm, measured.upper_mm)
    field = Field(points, normals, deviation, limits)
    spacing = float(field.spacing)
    shown = display_mesh(prepare(mesh), spacing)
    value, share = field.at(shown.vertices, shown.normals)
    origin = _middle(shown.vertices)
    places, place = _places(measured)
    own = np.array([(one["lower"], one["upper"]) for one in places])[place]
    value = _with_extremes(value, shown, measured, own, spacing)
    header = _header("deviation", shown.vertices, origin) | {
        "closed": shown.closed,
        "lower": measured.lower_mm,
        "upper": measured.upper_mm,
        "guard": measured.guard_mm,
        "spacing": spacing,
        "side": 0.5 * Samples.SIDE,
        "places": places,
        "callouts": [_callout(callout) for callout in measured.callouts],
        "signs": _signs(measured, spacing),
    }
    arrays = _body(shown, origin) | {
        "deviation": value.astype("<f4"),
        "share": np.rint(255 * np.clip(np.nan_to_num(share), 0, 1)).astype("u1"),
        "samplePoints": (points - origin).astype("<f4"),
        "sampleNormals": normals.astype("<f4"),
        "sampleDeviation": deviation.astype("<f4"),
        "samplePlace": place.astype("<u2"),
    }
    if len({(one["lower"], one["upper"]) for one in places}) > 1:
        nearest = cKDTree(_with_side(points, normals, spacing)).query(
            _with_side(shown.vertices, shown.normals, spacing)
        )
        arrays["limits"] = own[nearest[1]].astype("<f4")
    return packed(header, arrays)


def nominal_view(mesh: Mesh) -> bytes:
    """The nominal alone. Raises InputError as `surface.prepare`."""
    shown = display_mesh(prepare(mesh))
    origin = _middle(shown.vertices)
    return packed(_header("nominal", shown.vertices, origin) | {"closed": shown.closed}, _body(shown, origin))


def points_view(cloud: Cloud, most: int = MOST_POINTS) -> bytes:
    """Points of a scan in the frame of its file, evenly thinned in the order of the file to `most`."""
    rows = np.unique(np.linspace(0, len(cloud.points) - 1, min(most, len(cloud.points))).astype(np.int64))
    points = cloud.points[rows]
    points = points[np.isfinite(points).all(axis=1)]
    middle = _middle(points)
    header = _header("points", points + cloud.origin, middle + cloud.origin)
    return packed(header, {"points": (points - middle).astype("<f4")})


def packed(header: Mapping[str, Any], arrays: Mapping[str, npt.NDArray[Any]]) -> bytes:
    at, listed, parts = 0, {}, []
    for name, array in arrays.items():
        columns = array.shape[1] if array.ndim == 2 else 1
        listed[name] = {"at": at, "type": array.dtype.name, "rows": len(array), "columns": columns}
        content = np.ascontiguousarray(array).tobytes()
        content += b"\0" * (-len(content) % 4)
        parts.append(content)
        at += len(content)
    text = json.dumps({**header, "arrays": listed}, separators=(",", ":"), ensure_ascii=False, allow_nan=False).encode()
    text += b" " * (-len(text) % 4)
    return gzip.compress(b"".join([len(text).to_bytes(4, "little"), text, *parts]), compresslevel=6, mtime=0)


def unpacked(content: bytes) -> tuple[dict[str, Any], dict[str, npt.NDArray[Any]]]:
    """Header and arrays of a file made here; differences are summed up again."""
    raw = gzip.decompress(content)
    start = 4 + int.from_bytes(raw[:4], "little")
    header = json.loads(raw[4:start])
    arrays = {}
    for name, one in header["arrays"].items():
        count = one["rows"] * one["columns"]
        array = np.frombuffer(raw, one["type"], count, start + one["at"])
        arrays[name] = array.reshape(one["rows"], one["columns"]) if one["columns"] > 1 else array
    if "faces" in arrays:
        arrays["faces"] = np.cumsum(arrays["faces"].reshape(-1).astype(np.int64)).reshape(-1, 3)
    return header, arrays


def _header(kind: str, points: Floats, origin: Floats) -> dict[str, Any]:
    return {
        "format": "proofmark view",
        "version": VERSION,
        "kind": kind,
        "unit": "mm",
        "origin": origin.tolist(),
        "low": points.min(axis=0).tolist(),
        "high": points.max(axis=0).tolist(),
    }


def _body(shown: DisplayMesh, origin: Floats) -> dict[str, npt.NDArray[Any]]:
    return {
        "vertices": (shown.vertices - origin).astype("<f4"),
        "normals": np.rint(127 * shown.normals).astype("i1"),
        "faces": np.diff(shown.faces.reshape(-1), prepend=0).astype("<i4").reshape(-1, 3),
        "lines": shown.lines.astype("<u4"),
    }


def _middle(points: Floats) -> Floats:
    """Whole millimetres, so that places read the same after the shift."""
    middle: Floats = np.rint((points.min(axis=0) + points.max(axis=0)) / 2)
    return middle


def _places(measured: Measured) -> tuple[list[dict[str, Any]], npt.NDArray[np.intp]]:
    """Each combination of regions that occurs, with its limits (all that apply), and the row of each sample's."""
    holds = np.array([region.holds for region in measured.regions], dtype=np.bool_)
    holds = holds.reshape(len(measured.regions), len(measured.points))
    found, place = np.unique(holds.T, axis=0, return_inverse=True)
    places = []
    for row in found:
        inside = [region for region, there in zip(measured.regions, row, strict=True) if there]
        places.append(
            {
                "regions": [region.name for region in inside],
                "lower": max((region.lower_mm for region in inside), default=measured.lower_mm),
                "upper": min((region.upper_mm for region in inside), default=measured.upper_mm),
            }
        )
    return places, place.reshape(-1)


def _with_extremes(value: Floats, shown: DisplayMesh, measured: Measured, own: Floats, spacing: float) -> Floats:
    """Values at the corners, with those of the samples beyond their limits, own: (s, 2) mm, each on its nearest corner;
    of several, the one that lies farthest beyond."""
    with np.errstate(invalid="ignore"):
        beyond = np.maximum(measured.deviation - own[:, 1], own[:, 0] - measured.deviation)
        rows = np.flatnonzero(beyond > 0)
    if not len(rows):
        return value
    rows = rows[np.argsort(beyond[rows], kind="stable")]
    corners = cKDTree(_with_side(shown.vertices, shown.normals, spacing))
    near = corners.query(_with_side(measured.points[rows], measured.normals[rows], spacing))[1]
    value = value.copy()
    value[near] = measured.deviation[rows]
    return value


def _signs(measured: Measured, spacing: float) -> list[dict[str, Any]]:
    edges = scale(measured.lower_mm, measured.upper_mm, measured.guard_mm).edges
    places = _with_side(measured.points, measured.normals, spacing)
    found = signs(places, measured.deviation, float(edges[3]), float(edges[4]), spacing)
    return [
        {"at": measured.points[one.row].tolist(), "normal": measured.normals[one.row].tolist(), "plus": one.plus}
        for one in found
    ]


def _callout(callout: Named) -> dict[str, Any]:
    normal = getattr(callout, "normal", None)
    return {
        "number": callout.number,
        "at": np.asarray(callout.at, dtype=np.float64).tolist(),
        "normal": None if normal is None else np.asarray(normal, dtype=np.float64).tolist(),
        "value": callout.value,
        "sentence": callout.sentence,
    }


def _with_side(points: Floats, normals: Floats, spacing: float) -> Floats:
    return np.hstack([points, 0.5 * Samples.SIDE * spacing * normals])
