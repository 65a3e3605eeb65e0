"""Mesh and point files written byte by byte from the published layout of each format, without any reader's help."""

import struct
from collections.abc import Iterable, Sequence
from pathlib import Path

import numpy as np

# A box of 4 × 3 × 2 with its lowest corner at the origin; corner number = 4·(far x) + 2·(far y) + (far z).
BOX = np.array([(x, y, z) for x in (0.0, 4.0) for y in (0.0, 3.0) for z in (0.0, 2.0)])
BOX_QUADS = [(0, 1, 3, 2), (4, 6, 7, 5), (0, 4, 5, 1), (2, 3, 7, 6), (0, 2, 6, 4), (1, 5, 7, 3)]
BOX_FACES = np.array([t for a, b, c, d in BOX_QUADS for t in ((a, b, c), (a, c, d))])
# Put before random points, which may all lie on one line and would then be no scan.
NOT_ON_A_LINE = [(-1e5, -1e5, 0.0), (1e5, -1e5, 0.0), (0.0, 1e5, 1e5)]

PLY_TYPES = {
    "float": "f",
    "double": "d",
    "uchar": "B",
    "char": "b",
    "short": "h",
    "ushort": "H",
    "int": "i",
    "uint": "I",
}


def binary_stl(
    path: Path, points: np.ndarray, faces: np.ndarray, header: bytes = b"by hand", attribute: int = 0
) -> Path:
    """80 bytes of header, a count, and 50 bytes per triangle, little-endian."""
    with path.open("wb") as file:
        file.write(header.ljust(80, b" ") + struct.pack("<I", len(faces)))
        for face in faces:
            file.write(struct.pack("<12fH", 0, 0, 0, *points[face].ravel(), attribute))
    return path


def ascii_stl(points: np.ndarray, faces: np.ndarray, name: str = "by hand") -> str:
    facets = []
    for face in faces:
        corners = "".join(f"      vertex {x!r} {y!r} {z!r}\n" for x, y, z in points[face].tolist())
        facets.append(f"  facet normal 0 0 0\n    outer loop\n{corners}    endloop\n  endfacet\n")
    return f"solid {name}\n{''.join(facets)}endsolid {name}\n"


def ply(
    path: Path,
    points: np.ndarray,
    faces: Sequence[Sequence[int]] | None = None,
    *,
    form: str = "ascii",
    real: str = "float",
    index: str = "int",
    count: str = "uchar",
    extra: bool = False,
    line_break: str = "\n",
) -> Path:
    """form: ascii, binary_little_endian or binary_big_endian. extra: colours before z, a quality for each face."""
    lines = ["ply", f"format {form} 1.0", "comment by hand", f"element vertex {len(points)}"]
    lines += [f"property {real} x", f"property {real} y"]
    lines += ["property uchar red", "property short label"] if extra else []
    lines += [f"property {real} z"]
    if faces is not None:
        lines += [f"element face {len(faces)}"] + (["property uchar flag"] if extra else [])
        lines += [f"property list {count} {index} vertex_indices"] + (["property float quality"] if extra else [])
    rows: list[list[tuple[str, float]]] = []
    for x, y, z in points.tolist():
        rows.append([(real, x), (real, y), *([("uchar", 7), ("short", -5)] if extra else []), (real, z)])
    for face in faces or []:
        around = [(count, len(face)), *((index, i) for i in face)]
        rows.append([("uchar", 1), *around, ("float", 0.5)] if extra else around)
    head = line_break.join([*lines, "end_header", ""]).encode()
    if form == "ascii":
        body = "".join(" ".join(repr(v) for _, v in row) + line_break for row in rows).encode()
    else:
        order = "<" if form == "binary_little_endian" else ">"
        body = b"".join(
            struct.pack(order + "".join(PLY_TYPES[t] for t, _ in row), *(v for _, v in row)) for row in rows
        )
    path.write_bytes(head + body)
    return path


def table(path: Path, points: np.ndarray, *, delimiter: str = ",", decimal: str = ".", heading: str = "") -> Path:
    rows = (delimiter.join(repr(v).replace(".", decimal) for v in row) for row in points.tolist())
    path.write_text(heading + "".join(row + "\n" for row in rows))
    return path


def same_triangles(points: np.ndarray, faces: np.ndarray, other_points: np.ndarray, other_faces: Iterable) -> bool:
    """True when both bodies have the same triangles with the same winding, in any order and from any corner."""

    def keys(p: np.ndarray, f: np.ndarray) -> list:
        corners = [[tuple(c) for c in triangle] for triangle in np.asarray(p)[np.asarray(f)].tolist()]
        return sorted(min((t[i], t[(i + 1) % 3], t[(i + 2) % 3]) for i in range(3)) for t in corners)

    return keys(points, faces) == keys(other_points, np.asarray(list(other_faces)))
