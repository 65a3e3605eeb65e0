"""A mesh as a file that is read back bit for bit: binary PLY with coordinates in double precision, mm."""

import numpy as np

from metrology.bodies import Mesh

_FACE = np.dtype([("count", "u1"), ("corners", "<i4", 3)])


def exact_ply(mesh: Mesh) -> bytes:
    """`mesh` as binary little-endian PLY with doubles; `metrology.reading.read_mesh` in mm gives the same mesh back."""
    head = (
        "ply\nformat binary_little_endian 1.0\ncomment millimetres\n"
        f"element vertex {len(mesh.vertices)}\nproperty double x\nproperty double y\nproperty double z\n"
        f"element face {len(mesh.faces)}\nproperty list uchar int vertex_indices\nend_header\n"
    )
    faces = np.empty(len(mesh.faces), dtype=_FACE)
    faces["count"], faces["corners"] = 3, mesh.faces
    return head.encode("ascii") + np.ascontiguousarray(mesh.vertices, dtype="<f8").tobytes() + faces.tobytes()
