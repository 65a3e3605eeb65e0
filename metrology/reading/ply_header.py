"""The header of a PLY file: which elements follow, in which order and of which types."""

import re
from dataclasses import dataclass
from typing import BinaryIO, Literal

import numpy as np

from metrology.errors import ReadingError
from metrology.reading.raw import shown, truncated

ByteOrder = Literal["<", ">"]
LONGEST_HEADER = 1 << 20
ENCODINGS: dict[bytes, Literal[""] | ByteOrder] = {
    b"ascii": "",
    b"binary_little_endian": "<",
    b"binary_big_endian": ">",
}
TYPES = {
    b"char": "i1",
    b"int8": "i1",
    b"uchar": "u1",
    b"uint8": "u1",
    b"short": "i2",
    b"int16": "i2",
    b"ushort": "u2",
    b"uint16": "u2",
    b"int": "i4",
    b"int32": "i4",
    b"uint": "u4",
    b"uint32": "u4",
    b"float": "f4",
    b"float32": "f4",
    b"double": "f8",
    b"float64": "f8",
}
CORNER_LISTS = ("vertex_indices", "vertex_index")


@dataclass(frozen=True)
class Property:
    """One property; count_type is None unless it is a list."""

    name: str
    type: np.dtype[np.generic]
    count_type: np.dtype[np.generic] | None = None


@dataclass(frozen=True)
class Element:
    name: str
    rows: int
    properties: tuple[Property, ...]

    @property
    def has_lists(self) -> bool:
        return any(p.count_type is not None for p in self.properties)

    @property
    def shortest_row(self) -> int:
        """Bytes of a row whose lists are all empty."""
        return sum((p.count_type or p.type).itemsize for p in self.properties)

    @property
    def is_single(self) -> bool:
        """Whether any of x, y and z is kept in single precision."""
        return any(p.name in ("x", "y", "z") and p.type == np.dtype("f4") for p in self.properties)

    def place_of(self, name: str) -> int | None:
        return next((i for i, p in enumerate(self.properties) if p.name == name), None)


@dataclass(frozen=True)
class Header:
    """byte_order: "" for ASCII, "<" or ">". length: bytes up to the first byte of data. lines: lines of the header."""

    byte_order: Literal[""] | ByteOrder
    elements: tuple[Element, ...]
    length: int
    lines: int


def read_header(file: BinaryIO) -> Header:
    """Parse the header at the start of `file`. Raises ReadingError: truncated, not-a-mesh."""
    start = file.read(LONGEST_HEADER)
    # The line break after end_header is the one used before: a carriage return alone must not swallow a data byte.
    line_break = re.match(rb"(?:\xef\xbb\xbf)?ply[ \t]*(\r\n|\n|\r)", start)
    end = re.search(rb"[\r\n]end_header[ \t]*(\r\n|\n|\r)", start)
    if not line_break or not end:
        raise truncated("The PLY header has no end_header line.")
    length = end.start(1) + len(line_break[1])
    lines = start[:length].replace(b"\r\n", b"\n").replace(b"\r", b"\n").split(b"\n")[:-1]
    byte_order: Literal[""] | ByteOrder | None = None
    elements: list[tuple[str, int, list[Property]]] = []
    for number, line in enumerate(lines[1:], 2):
        try:
            match line.split():
                case [b"format", encoding, b"1.0"]:
                    byte_order = ENCODINGS[encoding]
                case [b"element", name, rows] if rows.isdigit():
                    elements.append((name.decode("ascii"), int(rows), []))
                case [b"property", b"list", count, kind, name]:
                    elements[-1][2].append(Property(name.decode("ascii"), _type(kind), _type(count)))
                case [b"property", kind, name]:
                    elements[-1][2].append(Property(name.decode("ascii"), _type(kind)))
                case [] | [b"end_header"] | [b"comment" | b"obj_info", *_]:
                    pass
                case _:
                    raise KeyError
        except (KeyError, IndexError, UnicodeDecodeError):
            raise ReadingError(
                "not-a-mesh",
                f"Line {number:,} of the PLY header reads {shown(line)}, which has no meaning there. "
                "Export the PLY again, or export STL.",
            ) from None
    if byte_order is None:
        raise ReadingError("not-a-mesh", "The PLY header has no format line. Export the PLY again, or export STL.")
    return Header(byte_order, tuple(Element(n, r, tuple(p)) for n, r, p in elements), length, len(lines))


def _type(word: bytes) -> np.dtype[np.generic]:
    return np.dtype(TYPES[word])
