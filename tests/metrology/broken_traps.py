"""Damage of each format's own kind, done to whole files: counts that lie, numbers that are none, links to nothing."""

import struct
from collections.abc import Iterator, Mapping

import numpy as np

Trap = tuple[str, str, bytes]


def mesh_traps(whole: Mapping[str, bytes], corners: np.ndarray) -> Iterator[Trap]:
    """(name, what is wrong, content) of nominals."""
    stl, facets, obj = whole["a.stl"], whole["ascii.stl"], whole["a.obj"]
    yield "a.stl", "a huge count in", stl[:80] + struct.pack("<I", 2**32 - 1) + stl[84:]
    yield "a.stl", "no triangle in", stl[:80] + bytes(4)
    yield "a.stl", "not a number in", stl[:96] + struct.pack("<f", np.nan) + stl[100:]
    yield "a.stl", "infinity in", stl[:96] + struct.pack("<f", np.inf) + stl[100:]
    yield "a.stl", "only flat triangles in", stl[:80] + struct.pack("<I", 1) + stl[84:96] + bytes(38)
    yield "ascii.stl", "words in", facets.replace(b"400.0", b"wide", 1)
    yield "ascii.stl", "not a number in", facets.replace(b"400.0", b"nan")
    yield "ascii.stl", "nothing between the lines of", b"solid a\nendsolid a\n"
    yield "a.obj", "a corner that is not there in", obj + b"f 1 2 99\n"
    yield "a.obj", "a corner before the first in", obj + b"f 1 2 -99\n"
    yield "a.obj", "a corner beyond all counting in", obj + b"f 1 2 99999999999999999999\n"
    yield "a.obj", "words in", obj.replace(b"v 0", b"v zero", 1)
    yield "a.obj", "infinity in", obj.replace(b"v 0.000000", b"v inf", 1)
    yield "a.obj", "no faces in", obj[: obj.index(b"f ")]
    yield "a.obj", "a star of 4,000 corners in", star(4000)
    yield "a.obj", "another file called from", obj + b"call ../../../etc/hostname 1 2\n"
    yield "a.obj", "a command to run in", obj + b"csh rm -r here\n"
    yield "a.obj", "curved surfaces in", obj + b"cstype bezier\nsurf 0 1 0 1 1 2 3 4\nend\n"
    for name in ("a.ply", "ascii.ply", "big.ply"):
        content = whole[name]
        yield name, "a huge count of vertices in", content.replace(b"vertex 8", b"vertex 9999999999")
        yield name, "a count beyond all counting in", content.replace(b"vertex 8", b"vertex " + b"9" * 40)
        yield name, "a count below zero in", content.replace(b"vertex 8", b"vertex -8")
        yield name, "a list of lists in", content.replace(b"property float z", b"property list uchar float z")
        yield name, "no third coordinate in", content.replace(b"property float z", b"property float height")
        yield name, "a type that is none in", content.replace(b"property float z", b"property quaternion z")
    faces = whole["a.ply"].replace(b"face 12", b"face 4000000000")
    assert faces != whole["a.ply"]
    yield "a.ply", "a huge count of faces in", faces
    yield "a.ply", "endless lists in", whole["a.ply"][: -12 * 13] + b"\xff" * 12 * 13
    yield "ascii.ply", "words in", whole["ascii.ply"].replace(b"400.0", b"wide", 1)
    yield "ascii.ply", "infinity in", whole["ascii.ply"].replace(b"400.0", b"inf")
    yield "ascii.ply", "a corner that is not there in", whole["ascii.ply"].replace(b"4 0 1 3 2", b"4 0 1 3 88")
    step = whole["a.step"]
    yield "a.step", "no shell in", step.replace(b"CLOSED_SHELL", b"CLOSED_SHOP")
    yield "a.step", "references to nothing in", step.replace(b"VERTEX_POINT('',#", b"VERTEX_POINT('',#9")
    yield "a.step", "a unit of its own in", step.replace(b".MILLI.", b".NANO.")
    yield "a.step", "words in", step.replace(b"400.", b"wide", 1)
    yield "a.step", "no data in", step[: step.index(b"DATA;")] + b"DATA;\nENDSEC;\nEND-ISO-10303-21;\n"


def scan_traps(whole: Mapping[str, bytes]) -> Iterator[Trap]:
    """(name, what is wrong, content) of scans."""
    csv, las, laz, e57 = whole["a.csv"], whole["a.las"], whole["a.laz"], whole["a.e57"]
    yield "a.csv", "too few points in", csv[:200]
    yield "a.csv", "words in the middle of", csv[:3000] + b"\nthe battery was changed\n" + csv[3000:]
    yield (
        "a.csv",
        "words in a column of",
        csv.replace(b"\n", b",dry\n") + b"1,wet,3,dry\n" + csv.replace(b"\n", b",dry\n"),
    )
    yield "a.csv", "one endless line in", b"1 2 3 " * 400_000
    yield "a.csv", "commas of two meanings in", b"1,5,2,5,3,5\n" * 300
    yield "a.csv", "rows of different length in", csv + b"1,2\n" + csv[6:]
    yield "a.csv", "two columns only in", b"1.0,2.0\n" * 300
    yield "a.xyz", "a count that lies in", b"99999999999\n" + whole["a.xyz"]
    yield "a.xyz", "impossibly large numbers in", whole["a.xyz"] + b"9e99 9e99 9e99\n" * 40
    for name in ("a.ply", "ascii.ply", "big.ply"):
        yield name, "a huge count of points in", whole[name].replace(b"vertex 240", b"vertex 9999999999")
        yield name, "one point more than there is in", whole[name].replace(b"vertex 240", b"vertex 241")
    for name, content in (("a.las", las), ("a.laz", laz)):
        yield name, "a huge count in", content[:107] + b"\xff\xff\xff\xff" + content[111:]
        yield name, "countless records in", content[:100] + b"\xff\xff\xff\xff" + content[104:]
        yield name, "a scale of zero in", content[:131] + bytes(8) + content[139:]
        yield name, "a scale that is no number in", content[:131] + struct.pack("<d", np.nan) + content[139:]
        yield name, "points that begin beyond the end of", content[:96] + b"\xff\xff\xff\x7f" + content[100:]
        yield name, "a version that is none in", content[:24] + b"\x09\x09" + content[26:]
        yield name, "points of a kind that is none in", content[:104] + b"\x3f" + content[105:]
    yield "a.e57", "a wrong checksum in", e57[:500] + b"\xaa" + e57[501:]
    yield "a.e57", "a length that lies in", e57[:16] + b"\xff" * 7 + b"\x7f" + e57[24:]
    yield "a.e57", "a page of no size in", e57[:40] + bytes(8) + e57[48:]


def star(corners: int) -> bytes:
    """An OBJ of one hollow face with so many corners."""
    turn = np.linspace(0, 2 * np.pi, corners, endpoint=False)
    away = np.where(np.arange(corners) % 2, 100.0, 60.0)
    points = np.column_stack([away * np.cos(turn), away * np.sin(turn)])
    rows = "".join(f"v {x:.4f} {y:.4f} 0\n" for x, y in points.tolist())
    return (rows + "f " + " ".join(map(str, range(1, corners + 1))) + "\n").encode()
