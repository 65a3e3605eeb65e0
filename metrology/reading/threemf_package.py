"""The package around a 3MF model: a ZIP archive, opened with distrust. Nothing is ever unpacked to disk."""

import posixpath
import zipfile
import zlib
from collections.abc import Iterator
from pathlib import Path
from xml.parsers import expat

from metrology.errors import ReadingError
from metrology.reading.raw import truncated

MODEL_TYPE = "http://schemas.microsoft.com/3dmanufacturing/2013/01/3dmodel"
ROOT_RELATIONS = "_rels/.rels"
MOST_ENTRIES = 10_000
LARGEST_RELATIONS = 1 << 20
LARGEST_MODEL = 1 << 30
# XML of coordinates shrinks to about a tenth; more than this share is a trap, not a model.
MOST_SHRUNK = 200
PIECE = 1 << 20
AGAIN = "Export the 3MF again, or export STL."
DAMAGED = (zipfile.BadZipFile, zlib.error, EOFError, NotImplementedError, RuntimeError, OSError, ValueError)


class Package:
    """The archive. Raises ReadingError: truncated, not-a-mesh, unsafe-archive. Close it after use."""

    def __init__(self, path: Path) -> None:
        try:
            self._zip = zipfile.ZipFile(path)
        except DAMAGED:
            raise truncated("The 3MF is a ZIP archive without its table of contents.") from None
        names = self._zip.namelist()
        if len(names) > MOST_ENTRIES:
            raise _unsafe(f"it holds {len(names):,} files")
        self._names = {name.lower(): name for name in names}

    def close(self) -> None:
        self._zip.close()

    def model(self) -> zipfile.ZipInfo:
        """The entry of the main model, as the relations of the package name it. Raises ReadingError."""
        part = _main_part(b"".join(self.pieces(self._entry(ROOT_RELATIONS, "relations"), LARGEST_RELATIONS)))
        return self._entry(part, "model")

    def pieces(self, entry: zipfile.ZipInfo, largest: int = LARGEST_MODEL) -> Iterator[bytes]:
        """The content of an entry, piece by piece. Raises ReadingError when it grows beyond reason or is damaged."""
        if entry.flag_bits & 1:
            raise ReadingError("not-a-mesh", f"The 3MF is locked with a password. {AGAIN}")
        allowed = min(largest, max(entry.compress_size, 1 << 10) * MOST_SHRUNK)
        got = 0
        try:
            with self._zip.open(entry) as file:
                while piece := file.read(PIECE):
                    got += len(piece)
                    if got > allowed:
                        raise _unsafe(
                            f"“{entry.filename}” grows to more than {allowed / 1e6:,.0f}\u00a0MB when it is unpacked"
                        )
                    yield piece
        except DAMAGED:
            raise truncated(f"“{entry.filename}” inside the 3MF cannot be unpacked.") from None

    def _entry(self, part: str, what: str) -> zipfile.ZipInfo:
        name = self._names.get(part.lower())
        if name is None:
            raise ReadingError("not-a-mesh", f"The archive holds no 3MF {what} (“{part}” is missing). {AGAIN}")
        return self._zip.getinfo(name)


def _unsafe(what: str) -> ReadingError:
    return ReadingError("unsafe-archive", f"The 3MF is not opened, for {what}. {AGAIN}")


def careful_parser() -> "expat.XMLParserType":
    """An XML parser that refuses document types, and with them entities that grow or fetch other files."""
    parser = expat.ParserCreate(namespace_separator=" ")
    parser.buffer_text = True

    def refuse(name: str, *_: object) -> None:
        raise ReadingError("unsafe-archive", f"The 3MF is not opened, for its XML defines a document type. {AGAIN}")

    parser.StartDoctypeDeclHandler = refuse
    parser.EntityDeclHandler = refuse
    return parser


def _main_part(relations: bytes) -> str:
    """Name of the main model's part within the archive."""
    found: list[tuple[str, str]] = []

    def start(name: str, attributes: dict[str, str]) -> None:
        if name.endswith(" Relationship") and attributes.get("Type") == MODEL_TYPE:
            found.append((attributes.get("Target", ""), attributes.get("TargetMode", "Internal")))

    parser = careful_parser()
    parser.StartElementHandler = start
    try:
        parser.Parse(relations, True)
    except expat.ExpatError:
        raise ReadingError("not-a-mesh", f"The relations of the 3MF package are not valid XML. {AGAIN}") from None
    if not found:
        raise ReadingError("not-a-mesh", f"The archive names no 3D model, so it is no 3MF. {AGAIN}")
    target, mode = found[0]
    part = posixpath.normpath(posixpath.join("/", target))
    if mode != "Internal" or "://" in target or "\\" in target or ".." in target.split("/"):
        raise ReadingError("unsafe-archive", f"The 3MF refers to a model outside itself, “{target[:80]}”. {AGAIN}")
    return part.lstrip("/")
