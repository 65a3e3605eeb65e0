"""What kind of file this is, from its content first and its name second."""

import re
import zipfile
from pathlib import Path
from typing import Literal

import numpy as np

from metrology.errors import ReadingError
from metrology.reading.accepted import EXPORT, Purpose
from metrology.reading.raw import counted, truncated
from metrology.reading.text import BYTE_ORDER_MARK

Kind = Literal["binary-stl", "ascii-stl", "ply", "obj", "3mf", "step", "e57", "las", "table"]

HEAD_BYTES = 1 << 16
STL_HEADER = 84
STL_TRIANGLE = np.dtype([("normal", "<f4", 3), ("corners", "<f4", (3, 3)), ("attribute", "<u2")])

FOREIGN = {
    b"%PDF": "a PDF document",
    b"PK\x03\x04": "a ZIP archive or an office file",
    b"\x89PNG": "a PNG picture",
    b"\xff\xd8\xff": "a JPEG picture",
    b"GIF8": "a GIF picture",
    b"II*\x00": "a TIFF picture",
    b"MM\x00*": "a TIFF picture",
    b"\x1f\x8b": "a gzip archive",
    b"7z\xbc\xaf\x27\x1c": "a 7-Zip archive",
    b"Rar!": "a RAR archive",
    b"glTF": "a glTF model",
    b"AC10": "a DWG drawing",
    b"<": "an XML or HTML document",
    b"{": "a JSON document",
    b"\xff\xfe": "text in UTF-16 (save it as UTF-8)",
    b"\xfe\xff": "text in UTF-16 (save it as UTF-8)",
}
MESH_SUFFIXES = (".stl", ".ply", ".obj", ".3mf", ".step", ".stp")
POINT_SUFFIXES = (".e57", ".las", ".laz")
ZIP = b"PK\x03\x04"
BY_SIGNATURE: dict[bytes, Kind] = {b"ISO-10303-21": "step", b"LASF": "las", b"ASTM-E57": "e57"}
# What a kind is in words, and for which purposes it serves.
ONLY_FOR: dict[Kind, tuple[str, Purpose]] = {
    "step": ("a STEP model: a design, not a measurement", "mesh"),
    "las": ("a LAS point file: points without a surface", "scan"),
    "e57": ("an E57 point file: points without a surface", "scan"),
}


def kind_of(path: Path, name: str | None, purpose: Purpose) -> Kind:
    """The kind of the file at `path`.

    Raises ReadingError: empty-file, truncated, not-a-mesh (also for a scan that is named like a mesh), no-points.
    """
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(HEAD_BYTES)
    if size == 0 or (size == len(head) and not head.strip(b" \t\r\n\0")):
        what = "is empty (0 bytes)" if size == 0 else f"holds nothing but blanks ({size:,} bytes)"
        raise ReadingError("empty-file", f"The file {what}. {EXPORT[purpose]} again and check its size.")
    suffix = Path(name or path.name).suffix.lower()
    start = head.removeprefix(BYTE_ORDER_MARK).lstrip()
    if re.match(rb"ply\s", start):
        return "ply"
    for signature, kind in BY_SIGNATURE.items():
        if start.startswith(signature):
            return _for(kind, purpose)
    if start.startswith(ZIP) and (suffix == ".3mf" or _holds_a_model(path)):
        return "3mf"
    for signature, what in FOREIGN.items():
        if start.startswith(signature):
            raise _refusal(purpose, suffix, f"The file is {what}, not {_wanted(purpose, suffix)}.")
    if _is_binary_stl(path, size, head):
        return "binary-stl"
    if b"\0" in head:
        raise _refusal(
            purpose, suffix, f"The file holds {size:,} bytes of data that are not {_wanted(purpose, suffix)}."
        )
    return _kind_of_text(start, suffix, purpose)


def _for(kind: Kind, purpose: Purpose) -> Kind:
    what, serves = ONLY_FOR[kind]
    if purpose != serves:
        code = "not-a-mesh" if purpose == "mesh" else "no-points"
        raise ReadingError(code, f"The file is {what}. {EXPORT[purpose]}.")
    return kind


def _holds_a_model(path: Path) -> bool:
    """Whether a ZIP archive is a 3MF package under another name."""
    try:
        with zipfile.ZipFile(path) as package:
            return any(name.lower().endswith(".model") for name in package.namelist())
    except (zipfile.BadZipFile, OSError, ValueError):
        return False


def _kind_of_text(start: bytes, suffix: str, purpose: Purpose) -> Kind:
    small = start.lower()
    if small.startswith(b"solid") and (b"facet" in small or b"endsolid" in small or suffix == ".stl"):
        return "ascii-stl"
    if suffix == ".obj" or re.search(rb"(?m)^\s*v[ \t]+[-+.\d]", start):
        return "obj"
    if purpose == "mesh" or suffix in MESH_SUFFIXES + POINT_SUFFIXES:
        raise _refusal(purpose, suffix, f"The file is text, but not {_wanted(purpose, suffix)}.")
    return "table"


def _is_binary_stl(path: Path, size: int, head: bytes) -> bool:
    if size < STL_HEADER:
        return False
    count = int.from_bytes(head[80:STL_HEADER], "little")
    promised = STL_HEADER + count * STL_TRIANGLE.itemsize
    if promised == size:
        return True
    if not _looks_like_triangles(head):
        return False
    if promised > size:
        held = (size - STL_HEADER) // STL_TRIANGLE.itemsize
        raise truncated(
            f"The binary STL promises {count:,} triangles ({promised:,} bytes) "
            f"but holds {counted(held, 'whole one', 'whole ones')} ({size:,} bytes)."
        )
    return True


def _looks_like_triangles(head: bytes) -> bool:
    """True when what follows the header can be triangles: short normals, coordinates of a plausible size."""
    whole = (len(head) - STL_HEADER) // STL_TRIANGLE.itemsize
    if whole < 1 or b"\0" not in head:
        return False
    triangles = np.frombuffer(head, STL_TRIANGLE, whole, STL_HEADER)
    with np.errstate(invalid="ignore"):
        return bool((np.abs(triangles["normal"]) < 1.01).all() and (np.abs(triangles["corners"]) < 1e9).all())


def _wanted(purpose: Purpose, suffix: str) -> str:
    if suffix in MESH_SUFFIXES:
        return f"{suffix[1:].upper()} geometry"
    if suffix in POINT_SUFFIXES:
        return f"{suffix[1:].upper()} data"
    return "a mesh" if purpose == "mesh" else "a table of points"


def _refusal(purpose: Purpose, suffix: str, sentence: str) -> ReadingError:
    code = "not-a-mesh" if purpose == "mesh" or suffix in MESH_SUFFIXES else "no-points"
    return ReadingError(code, f"{sentence} {EXPORT[purpose]} and upload that file.")
