"""E57 (ASTM E2807) and LAS or LAZ (ASPRS LAS): points read by their libraries, in a process of its own."""

import importlib.util
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Literal

import numpy as np

from metrology.bodies import Progress
from metrology.errors import ReadingError
from metrology.reading.apart import read_apart
from metrology.reading.memory import check_room
from metrology.reading.raw import STAGE, Raw

SECONDS = 60.0
# Beside the points themselves, which are written to disk as they come.
MEMORY = 4 << 30
POINT_BYTES = 3 * 8
NAMES = {"e57": "E57 file", "las": "LAS file"}
MODULES = {"e57": "pye57", "las": "laspy"}


def check_reader(kind: Literal["e57", "las"]) -> None:
    """Raises ReadingError (no-reader) where the library for such files does not come for this machine."""
    if importlib.util.find_spec(MODULES[kind]) is None:
        raise ReadingError(
            "no-reader",
            f"{kind.upper()} files cannot be read on this machine: no library that reads them comes for it. "
            "Export the scan as PLY.",
        )


def read_points_apart(path: Path, kind: Literal["e57", "las"], progress: Progress) -> Raw:
    """All valid points in double precision, those of several scans of an E57 joined by their poses.

    Raises ReadingError: no-reader, no-points, not-finite, truncated, damaged, mixed-units, too-large-for-memory,
    reader-ended.
    """
    check_reader(kind)
    checked = False

    def report(words: Mapping[str, Any]) -> None:
        nonlocal checked
        if "points" in words and not checked:
            check_room(int(words["points"]), "scan")
            checked = True
        progress(STAGE, float(words.get("share", 0.0)))

    with read_apart(
        "apart_readers.py", path, NAMES[kind], seconds=SECONDS, memory=MEMORY, report=report, reader=kind
    ) as (folder, answer):
        check_room((folder / "points").stat().st_size // POINT_BYTES, "scan")
        points = np.fromfile(folder / "points", np.float64).reshape(-1, 3)
    return Raw(
        points, row_name="point", own_unit=answer["unit"], step=answer["step"], notes=tuple(answer.get("notes", []))
    )
