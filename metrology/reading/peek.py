"""What a file says about its own unit, found without reading its points."""

from collections.abc import Mapping
from pathlib import Path
from typing import Any
from xml.parsers import expat

from metrology.reading.apart import read_apart
from metrology.reading.points_apart import MEMORY, NAMES, SECONDS, check_reader
from metrology.reading.sniff import Kind
from metrology.reading.table_preview import preview_table
from metrology.reading.threemf import CORE, UNITS
from metrology.reading.threemf_package import Package, careful_parser


def own_unit_of(path: Path, kind: Kind) -> str:
    """The unit of length that the file states, "" when it states none. Raises ReadingError for a file that is broken.

    An E57 file is in metres by its standard (ASTM E2807); a 3MF that says nothing is in millimetres.
    """
    match kind:
        case "e57":
            check_reader(kind)
            return "m"
        case "las":
            check_reader(kind)
            with read_apart(
                "apart_readers.py", path, NAMES[kind], seconds=SECONDS, memory=MEMORY, report=_ignore, reader="las-unit"
            ) as (_, answer):
                return str(answer["unit"])
        case "3mf":
            return _unit_of_3mf(path)
        case "table":
            return preview_table(path).own_unit
        case _:
            return ""


def _ignore(words: Mapping[str, Any]) -> None:
    pass


class _Found(Exception):
    """Ends the parsing once the first element has passed by."""


def _unit_of_3mf(path: Path) -> str:
    found = "millimeter"

    def start(name: str, attributes: dict[str, str]) -> None:
        nonlocal found
        found = attributes.get("unit", found) if name == f"{CORE} model" else found
        raise _Found

    package = Package(path)
    parser = careful_parser()
    parser.StartElementHandler = start
    try:
        for piece in package.pieces(package.model()):
            parser.Parse(piece, False)
    except (_Found, expat.ExpatError):  # broken XML is told by the reader itself
        pass
    finally:
        package.close()
    return UNITS.get(found, ("", 0.0))[0]
