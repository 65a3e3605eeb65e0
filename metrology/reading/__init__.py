"""Reading nominal meshes and scans from files. What a file holds is decided by its content; its name is only a hint."""

from metrology.reading.read import read_mesh, read_mesh_with_notes, read_scan, read_scan_with_notes
from metrology.reading.sniff import kind_of

__all__ = ["kind_of", "read_mesh", "read_mesh_with_notes", "read_scan", "read_scan_with_notes"]
