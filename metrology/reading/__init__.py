"""Reading nominal meshes and scans from files. What a file holds is decided by its content; its name is only a hint."""

from metrology.reading.read import (
    MeshFile,
    ScanFile,
    read_mesh,
    read_mesh_file,
    read_mesh_with_notes,
    read_scan,
    read_scan_file,
    read_scan_with_notes,
)
from metrology.reading.sniff import kind_of
from metrology.reading.table_layout import TableChoice

__all__ = [
    "MeshFile",
    "ScanFile",
    "TableChoice",
    "kind_of",
    "read_mesh",
    "read_mesh_file",
    "read_mesh_with_notes",
    "read_scan",
    "read_scan_file",
    "read_scan_with_notes",
]
