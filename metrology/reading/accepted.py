"""Which formats are read, and what to do with a file that is in none of them."""

from pathlib import PurePath
from typing import Literal

Purpose = Literal["mesh", "scan"]

TABLE_SUFFIXES = (".xyz", ".csv", ".txt", ".asc", ".pts")
SUFFIXES: dict[Purpose, tuple[str, ...]] = {
    "mesh": (".step", ".stp", ".3mf", ".stl", ".ply", ".obj"),
    "scan": (".ply", ".stl", ".obj", ".3mf", ".e57", ".las", ".laz", *TABLE_SUFFIXES),
}
IN_WORDS: dict[Purpose, str] = {
    "mesh": "STEP, 3MF, STL, PLY or OBJ",
    "scan": "E57, LAS, LAZ, PLY, STL, OBJ, 3MF or a table of x, y, z (XYZ, CSV, TXT, ASC, PTS)",
}
EXPORT: dict[Purpose, str] = {
    "mesh": f"Export the nominal as {IN_WORDS['mesh']}",
    "scan": f"Export the scan as {IN_WORDS['scan']}",
}

_OWN_MODEL = "is a modelling program's own file", "Export the part from that program as STEP"
_OWN_SCAN = "is a scanner's own project file", "Export the points from the scanner's software as E57"
_ARCHIVE = "is an archive", "Unpack it and choose the file inside"
_PICTURE = "is a picture", "Photographs belong to lessons; choose the file with the geometry"
_SHEET = "is a workbook", "Save the sheet with the points as CSV"
ADVICE: dict[str, tuple[str, str]] = {
    ".igs": ("is loose surfaces", "Export the part as STEP"),
    ".dwg": ("is a drawing", "Export the part itself as STEP or STL"),
    ".ifc": ("is a model of a whole building", "Export the one piece as STEP or STL"),
    ".glb": ("is a model for showing, without a unit that holds", "Export it as STL or PLY"),
    ".amf": ("is an older printing format", "Export the part as 3MF"),
    ".ptx": ("is a table with a frame of its own for each stand", "Export the scan as E57"),
    ".shp": ("is a map", "Export the points as LAS or CSV"),
}
ADVICE |= dict.fromkeys((".iges",), ADVICE[".igs"]) | dict.fromkeys((".dxf",), ADVICE[".dwg"])
ADVICE |= dict.fromkeys((".gltf", ".fbx", ".dae", ".wrl", ".usd", ".usdz", ".off", ".pcd"), ADVICE[".glb"])
ADVICE |= dict.fromkeys((".sldprt", ".sldasm", ".ipt", ".iam", ".f3d", ".prt", ".catpart", ".par"), _OWN_MODEL)
ADVICE |= dict.fromkeys((".3dm", ".skp", ".fcstd", ".blend", ".max", ".rvt", ".x_t", ".x_b", ".sat", ".jt"), _OWN_MODEL)
ADVICE |= dict.fromkeys((".fls", ".fws", ".rcp", ".rcs", ".zfs", ".zfprj", ".imp", ".rdbx", ".rsp", ".bin"), _OWN_SCAN)
ADVICE |= dict.fromkeys((".zip", ".rar", ".7z", ".gz", ".tar"), _ARCHIVE)
ADVICE |= dict.fromkeys((".jpg", ".jpeg", ".png", ".heic", ".tif", ".tiff", ".gif"), _PICTURE)
ADVICE |= dict.fromkeys((".xlsx", ".xls", ".ods"), _SHEET)


def refusal_by_name(name: str, purpose: Purpose) -> str:
    """One sentence or two for a file whose name ends in nothing that is read; "" when the name is fine."""
    suffix = PurePath(name).suffix.lower()
    if suffix in SUFFIXES[purpose]:
        return ""
    if purpose == "scan" and suffix in (".step", ".stp"):
        return f"“{name}” is a design, not a measurement. {EXPORT['scan']}."
    if purpose == "mesh" and suffix in SUFFIXES["scan"]:
        return f"“{name}” holds points without a surface, so it cannot be the nominal. {EXPORT['mesh']}."
    what, do = ADVICE.get(suffix, ("is not in a format that is read here", EXPORT[purpose]))
    more = "" if do == EXPORT[purpose] else f"; read here are {IN_WORDS[purpose]}"
    return f"“{name}” {what}. {do}{more}."
