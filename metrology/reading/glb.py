"""The triangles of a binary glTF 2.0 file as our own STEP tessellation writes it; lengths are metres."""

import json
from pathlib import Path
from typing import Any

import numpy as np

from metrology.bodies import Floats, Ints
from metrology.errors import ReadingError

MAGIC = b"glTF"
HEADER, CHUNK_HEADER = 12, 8
TRIANGLES = 4
COMPONENTS = {5121: "<u1", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
DEEPEST = 64


def read_glb(path: Path) -> list[tuple[Floats, Ints]]:
    """(points (n, 3) m, triangles (m, 3)) of each placed mesh, in the order of the scene. Raises ReadingError."""
    data = path.read_bytes()
    try:
        content, buffer = _chunks(data)
        scene = content["scenes"][content.get("scene", 0)]
        found: list[tuple[Floats, Ints]] = []
        for node in scene.get("nodes", []):
            _gather(content, buffer, node, np.eye(4), 0, found)
    except (KeyError, IndexError, TypeError, ValueError, AssertionError):
        raise ReadingError("not-a-mesh", "The triangles made from the model could not be read.") from None
    return found


def _chunks(data: bytes) -> tuple[dict[str, Any], bytes]:
    assert data[:4] == MAGIC
    end = HEADER + CHUNK_HEADER + int.from_bytes(data[HEADER : HEADER + 4], "little")
    return json.loads(data[HEADER + CHUNK_HEADER : end]), data[end + CHUNK_HEADER :]


def _gather(
    content: dict[str, Any], buffer: bytes, number: int, above: Floats, depth: int, found: list[tuple[Floats, Ints]]
) -> None:
    if depth > DEEPEST:
        raise ValueError
    node = content["nodes"][number]
    placed = above @ _placement(node)
    if "mesh" in node:
        pieces = [
            (_accessor(content, buffer, p["attributes"]["POSITION"]), _corners(content, buffer, p))
            for p in content["meshes"][node["mesh"]]["primitives"]
            if p.get("mode", TRIANGLES) == TRIANGLES
        ]
        before = np.cumsum([0, *(len(points) for points, _ in pieces)])
        if pieces:
            points = np.concatenate([points for points, _ in pieces]).astype(np.float64)
            faces = np.concatenate([f + n for (_, f), n in zip(pieces, before, strict=False)])
            found.append((points @ placed[:3, :3].T + placed[:3, 3], faces))
    for child in node.get("children", []):
        _gather(content, buffer, child, placed, depth + 1, found)


def _placement(node: dict[str, Any]) -> Floats:
    """(4, 4) matrix for columns."""
    if "matrix" in node:
        return np.array(node["matrix"], dtype=np.float64).reshape(4, 4).T
    x, y, z, w = node.get("rotation", (0.0, 0.0, 0.0, 1.0))
    turn = np.array(
        [
            [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
            [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
            [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
        ]
    )
    matrix = np.eye(4)
    matrix[:3, :3] = turn * np.array(node.get("scale", (1.0, 1.0, 1.0)))
    matrix[:3, 3] = node.get("translation", (0.0, 0.0, 0.0))
    return matrix


def _corners(content: dict[str, Any], buffer: bytes, primitive: dict[str, Any]) -> Ints:
    if "indices" in primitive:
        return _accessor(content, buffer, primitive["indices"]).astype(np.int64).reshape(-1, 3)
    count = content["accessors"][primitive["attributes"]["POSITION"]]["count"]
    return np.arange(count, dtype=np.int64).reshape(-1, 3)


def _accessor(content: dict[str, Any], buffer: bytes, number: int) -> np.ndarray[Any, np.dtype[Any]]:
    accessor = content["accessors"][number]
    view = content["bufferViews"][accessor["bufferView"]]
    kind = np.dtype(COMPONENTS[accessor["componentType"]])
    wide = {"SCALAR": 1, "VEC3": 3}[accessor["type"]]
    start = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
    stride = view.get("byteStride", kind.itemsize * wide)
    rows = np.lib.stride_tricks.as_strided(
        np.frombuffer(buffer, np.uint8, stride * (accessor["count"] - 1) + kind.itemsize * wide, start),
        (accessor["count"], kind.itemsize * wide),
        (stride, 1),
    )
    return np.ascontiguousarray(rows).view(kind)
