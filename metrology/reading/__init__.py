"""Reading nominal meshes and scans from files. What a file holds is decided by its content; its name is only a hint."""

from metrology.reading.peek import own_unit_of
from metrology.reading.read import (
    USUAL_CHORD,
    MeshFile,
    ScanFile,
    read_mesh,
    read_mesh_file,
    read_mesh_with_notes,
    read_scan,
    read_scan_file,
    read_scan_with_notes,
)
from metrology.reading.sniff import Kind, kind_of
from metrology.reading.table_layout import TableChoice
from metrology.reading.table_preview import TablePreview, preview_table
from metrology.reading.together import read_together

__all__ = [
    "USUAL_CHORD",
    "Kind",
    "MeshFile",
    "ScanFile",
    "TableChoice",
    "TablePreview",
    "kind_of",
    "own_unit_of",
    "preview_table",
    "read_mesh",
    "read_mesh_file",
    "read_mesh_with_notes",
    "read_scan",
    "read_scan_file",
    "read_scan_with_notes",
    "read_together",
]
