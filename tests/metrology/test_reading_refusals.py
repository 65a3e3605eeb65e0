"""Broken, foreign and senseless files: each is refused with a code and a sentence that says what to do."""

import struct

import numpy as np
import pytest

from metrology.errors import ReadingError, Stopped, UnitError
from metrology.reading import read_mesh, read_mesh_with_notes, read_scan, read_scan_with_notes
from metrology.surfaces.mesh_facts import mesh_facts

from .files_by_hand import BOX, BOX_FACES, ascii_stl, binary_stl, ply

RANDOM = np.random.default_rng(1).bytes(5000)
CLOUD = np.random.default_rng(2).normal(size=(200, 3)).astype(np.float32).astype(float)
ROWS = "".join(f"{x} {y} {z}\n" for x, y, z in CLOUD.tolist())
VERTICES = "".join(f"v {x} {y} {z}\n" for x, y, z in BOX.tolist())
TETRA = "v 0 0 0\nv 1 0 0\nv 0 1 0\nv 0 0 1\n"
HEADER = "ply\nformat ascii 1.0\nelement vertex 3\nproperty float x\nproperty float y\nproperty float z\n"
FACE = "element face 1\nproperty list uchar int vertex_indices\n"


def refusal(read, tmp_path, name, content):
    path = tmp_path / "stored-by-hash"
    path.write_bytes(content.encode() if isinstance(content, str) else content)
    with pytest.raises(ReadingError) as refused:
        read(path, unit="mm", name=name)
    sentence = refused.value.sentence
    assert sentence.endswith(".") and (sentence[0].isupper() or sentence[0].isdigit())
    return refused.value


FOR_BOTH = [
    # name, content, code, words of the sentence
    ("a.stl", b"", "empty-file", "0 bytes"),
    ("a.ply", b" \r\n \n", "empty-file", "5 bytes"),
    ("a.stl", RANDOM, "not-a-mesh", "not STL geometry"),
    ("a.ply", RANDOM, "not-a-mesh", "not PLY geometry"),
    ("a.ply", b"%PDF-1.7\n" + RANDOM, "not-a-mesh", "PDF document, not PLY geometry"),
    ("a.stl", b"PK\x03\x04" + RANDOM, "not-a-mesh", "ZIP archive"),
    ("a.obj", b"\x89PNG\r\n\x1a\n" + RANDOM, "not-a-mesh", "PNG picture"),
    ("a.stl", b"\0" * 84 + RANDOM, "not-a-mesh", "not STL geometry"),
    ("a.stl", "<html><body>signed out</body></html>", "not-a-mesh", "HTML"),
    ("a.stl", "these are words\n", "not-a-mesh", "text, but not STL"),
    ("a.stl", "solid a\n facet normal 0 0 1\n outer loop\n vertex 0 0 0\n", "truncated", "after 0 whole facets"),
    ("a.stl", ascii_stl(BOX, BOX_FACES)[:700], "truncated", "after 5 whole facets, without endsolid"),
    ("a.stl", ascii_stl(BOX, BOX_FACES).replace("4.0", "four", 1), "bad-row", "Line 18 reads “vertex four"),
    ("a.stl", ascii_stl(BOX, BOX_FACES).replace("vertex 0.0 0.0 0.0\n", "", 1), "bad-row", "follows 2 vertices:"),
    ("a.stl", ascii_stl(BOX, BOX_FACES)[:744] + "\nendsolid\n", "bad-row", "follows 1 vertex:"),
    ("a.stl", ascii_stl(BOX, BOX_FACES).replace("endloop", "rubbish", 1), "bad-row", "Line 7 reads “rubbish”"),
    ("a.obj", TETRA + "v 1 2\nf 1 2 3\n", "bad-row", "Line 5 reads “v 1 2”"),
    ("a.ply", "ply\nformat ascii 1.0\nelement vertex 3\n", "truncated", "no end_header"),
    ("a.ply", HEADER.replace("float", "quaternion") + "end_header\n", "not-a-mesh", "Line 4 of the PLY header"),
    ("a.ply", HEADER.replace("ascii", "ternary") + "end_header\n", "not-a-mesh", "Line 2 of the PLY header"),
    ("a.ply", HEADER.replace("format ascii 1.0\n", "") + "end_header\n", "not-a-mesh", "no format line"),
    ("a.ply", HEADER.replace("float z", "float height") + "end_header\n", "no-points", "x, y and z"),
    ("a.ply", HEADER + FACE + "end_header\n0 0 0\n1 0 0\n", "truncated", "3 rows of vertex data but ends after 2"),
    ("a.ply", HEADER + FACE + "end_header\n0 0 0\n1 0 0\n0 1 0\n", "truncated", "1 row of face data but ends after 0"),
    ("a.ply", HEADER + "end_header\n0 0 0\n1 oh 0\n0 1 0\n", "bad-row", "Line 9 reads “1 oh 0”"),
]


@pytest.mark.parametrize(("name", "content", "code", "words"), FOR_BOTH)
@pytest.mark.parametrize("read", [read_mesh, read_scan])
def test_what_neither_a_mesh_nor_a_scan_can_be(tmp_path, read, name, content, code, words):
    error = refusal(read, tmp_path, name, content)
    assert error.code == code
    assert words in error.sentence


FOR_MESHES = [
    ("a.csv", ROWS, "not-a-mesh", "Export the nominal as STEP, 3MF, STL, PLY or OBJ"),
    ("a.obj", "v 1 2 3\n# nothing else\n", "no-faces", "only points"),
    ("a.obj", "# nothing\n", "no-points", "no vertices"),
    ("a.dat", "solid a\nendsolid a\n", "no-points", "no vertices"),
    ("a.obj", TETRA + "f 1 2 9\n", "bad-index", "Face 1 refers to vertex 9, but the file has 4 vertices"),
    ("a.obj", TETRA + "f 1 2 3\nf 1 2 -5\n", "bad-row", "Line 6 reads “f 1 2 -5”"),
    ("a.obj", TETRA + "f 0 1 2\n", "bad-row", "counted from 1"),
    ("a.obj", TETRA + "f 1 2\n", "bad-row", "three vertices or more"),
    ("a.obj", TETRA + "f one 2 3\n", "bad-row", "lists vertex numbers"),
    ("a.obj", TETRA.replace("0 0 1", "0 nan 1") + "f 1 2 3\n", "not-finite", "1 of 4 vertices"),
    ("a.obj", TETRA.replace("0 0 1", "0 1e300 1") + "f 1 2 3\n", "not-finite", "first vertex 4"),
    ("a.obj", "v 0 0 0\nv 1 1 1\nv 2 2 2\nf 1 2 3\nf 1 1 2\n", "no-faces", "None of the 2 faces has an area"),
    ("a.ply", HEADER + "end_header\n0 0 0\n1 0 0\n0 1 0\n", "no-faces", "only points"),
    (
        "a.ply",
        HEADER + FACE + "end_header\n0 0 0\n1 0 0\n0 1 0\n3 0 1 3\n",
        "bad-index",
        "vertex 3, but the file has 3",
    ),
    ("a.ply", HEADER + FACE + "end_header\n0 0 0\n1 0 0\n0 1 0\n3 0 1 -1\n", "bad-index", "vertex -1"),
    ("a.ply", HEADER + FACE + "end_header\n0 0 0\n1 0 0\n0 1 0\n4 0 1 2\n", "bad-row", "Line 13 reads “4 0 1 2”"),
    (
        "a.ply",
        HEADER + FACE.replace("1", "2") + "end_header\n0 0 0\n1 0 0\n0 1 0\n3 0 1 2\n4 0 1 2\n",
        "bad-row",
        "Line 14 reads “4 0 1 2”",
    ),
]


@pytest.mark.parametrize(("name", "content", "code", "words"), FOR_MESHES)
def test_what_a_nominal_cannot_be(tmp_path, name, content, code, words):
    error = refusal(read_mesh, tmp_path, name, content)
    assert error.code == code
    assert words in error.sentence


FOR_SCANS = [
    ("a.xyz", b"%PDF-1.7\n" + RANDOM, "no-points", "PDF document, not a table of points"),
    ("a.csv", RANDOM, "no-points", "not a table of points"),
    ("a.csv", "# x y z\n", "no-points", "no points"),
    ("a.csv", "x,y,z\n", "no-points", "no points"),
    ("a.csv", "easting,northing,height\n1,2,3\n", "bad-row", "neither a point nor a heading"),
    ("a.csv", "a fine scan\n1 2 3\n", "bad-row", "Line 1 reads “a fine scan”"),
    ("a.csv", "x,y,z\n1,5,2,5,3,5\n", "bad-row", "names 3 columns but the first point has 6"),
    ("a.csv", "1,5,2,5,3,5\n" * 200, "bad-row", "may part columns or mark decimals"),
    ("a.csv", "1.0,2.0\n" * 200, "bad-row", "neither a point"),
    ("a.xyz", ROWS + "1 2 wet\n" + ROWS, "bad-row", "Line 201 reads “1 2 wet”: “wet” is not a number"),
    ("a.xyz", ROWS + "1 2\n" + ROWS, "bad-row", "Line 201 reads “1 2”: it has 2 columns where the first point has 3"),
    ("a.csv", "1.0,2.0,3.0\n" * 150 + "1,5,2,5,3,5\n" * 150, "bad-row", "Line 151"),
    ("a.xyz", ROWS + "1_0 2 3\n", "bad-row", "“1_0” is not a number"),
    ("a.xyz", ROWS + "1,5 2,5 3,5\n", "bad-row", "decimal commas and decimal points are mixed"),
    ("a.xyz", ROWS + "1.5 2.5", "truncated", "in the middle of line 201"),
    ("a.xyz", "500\n" + ROWS, "truncated", "promises 500 points but the file holds 200"),
    ("a.xyz", ROWS + "nan nan nan\n" * 3, "not-finite", "3 of 203 points"),
    ("a.xyz", ROWS + "9e99 1 1\n" * 3, "not-finite", "1.5 % of all, first point 201"),
    ("a.xyz", "1 2 3\n4 5 6\n7 8 9\n", "too-few-points", "3 points only"),
    ("a.xyz", "1 2 3\n4 5 6\n" * 500, "too-few-points", "2 points only"),
    ("a.obj", VERTICES, "too-few-points", "8 points only"),
    ("a.txt", "1 2 3 " * 300_000, "bad-row", "longer than a megabyte"),
]


@pytest.mark.parametrize(("name", "content", "code", "words"), FOR_SCANS)
def test_what_a_scan_cannot_be(tmp_path, name, content, code, words):
    error = refusal(read_scan, tmp_path, name, content)
    assert error.code == code
    assert words in error.sentence


@pytest.mark.parametrize("line_break", ["\n", "\r\n", "\r"])
@pytest.mark.parametrize("block", [130, 201, 1 << 22])
def test_a_bad_row_has_its_right_number_however_the_file_is_read(tmp_path, monkeypatch, line_break, block):
    monkeypatch.setattr("metrology.reading.text.BLOCK_BYTES", block)
    rows = ("# remark\nx y z\n" + ROWS + "1 2 wet\n").replace("\n", line_break)
    assert "Line 203 reads" in refusal(read_scan, tmp_path, "a.xyz", rows).sentence
    facets = ascii_stl(BOX, BOX_FACES).replace("0.0 3.0 2.0", "0.0 3.0 two", 1).replace("\n", line_break)
    assert "Line 6 reads" in refusal(read_mesh, tmp_path, "a.stl", facets).sentence
    last = ascii_stl(BOX, BOX_FACES).replace("endsolid", "endsol", 1).replace("\n", line_break) + "endsolid"
    assert "Line 86 reads" in refusal(read_mesh, tmp_path, "a.stl", last).sentence


@pytest.mark.parametrize("read", [read_mesh, read_scan])
def test_a_binary_stl_cut_short_names_both_sizes(tmp_path, read):
    content = binary_stl(tmp_path / "b", BOX, BOX_FACES).read_bytes()[:-30]
    error = refusal(read, tmp_path, "b.stl", content)
    assert error.code == "truncated"
    assert "promises 12 triangles (684 bytes) but holds 11 whole ones (654 bytes)" in error.sentence


@pytest.mark.parametrize("form", ["binary_little_endian", "binary_big_endian"])
@pytest.mark.parametrize("cut", [1, 30, 200])
def test_a_nominal_in_binary_ply_is_refused_wherever_it_was_cut_short(tmp_path, form, cut):
    content = ply(tmp_path / "b", CLOUD, BOX_FACES.tolist(), form=form).read_bytes()
    assert refusal(read_mesh, tmp_path, "b.ply", content[:-cut]).code == "truncated"


@pytest.mark.parametrize("form", ["binary_little_endian", "binary_big_endian"])
def test_a_scan_in_binary_ply_is_refused_when_vertices_or_nearly_all_faces_are_missing(tmp_path, form):
    content = ply(tmp_path / "b", CLOUD, BOX_FACES.tolist(), form=form).read_bytes()
    faces = 12 * 13  # bytes; a scan needs none of them, so their lists are not followed
    assert refusal(read_scan, tmp_path, "b.ply", content[: -faces - 1]).code == "truncated"
    assert refusal(read_scan, tmp_path, "b.ply", content[: -faces + 11]).code == "truncated"


def test_a_binary_ply_with_a_list_of_senseless_length_is_refused(tmp_path):
    content = ply(tmp_path / "b", BOX, BOX_FACES.tolist(), form="binary_little_endian").read_bytes()
    damaged = content[: -12 * 13] + b"\xff" + content[-12 * 13 + 1 :]
    assert refusal(read_mesh, tmp_path, "b.ply", damaged).code == "truncated"


def test_a_binary_ply_that_promises_more_than_memory_is_refused_at_once(tmp_path):
    content = ply(tmp_path / "b", BOX, form="binary_little_endian").read_bytes()
    error = refusal(read_scan, tmp_path, "b.ply", content.replace(b"vertex 8", b"vertex 8000000000000"))
    assert error.code == "truncated"
    assert "96 bytes are left" in error.sentence


def test_an_stl_with_coordinates_that_are_not_finite_is_refused(tmp_path):
    content = bytearray(binary_stl(tmp_path / "b", BOX, BOX_FACES).read_bytes())
    content[84 + 12 : 84 + 16] = struct.pack("<f", float("nan"))
    error = refusal(read_mesh, tmp_path, "b.stl", bytes(content))
    assert error.code == "not-finite"
    assert "1 of 36 vertices" in error.sentence


@pytest.mark.parametrize("read", [read_mesh, read_scan])
def test_an_unknown_unit_is_refused_before_the_file_is_opened(tmp_path, read):
    with pytest.raises(UnitError):
        read(tmp_path / "nowhere.stl", unit="cubit")


def test_content_counts_more_than_the_name(tmp_path):
    path = ply(tmp_path / "really.stl", BOX, BOX_FACES.tolist(), form="binary_little_endian")
    assert mesh_facts(read_mesh(path, unit="mm", name="drawing.pdf")).volume == pytest.approx(24)


def test_faces_without_area_and_unused_vertices_are_left_out_and_said(tmp_path):
    faces = [*BOX_FACES.tolist(), (0, 0, 1), (0, 8, 1)]
    points = np.concatenate([BOX, [(0.0, 0.0, 1.0), (50.0, 50.0, 50.0)]])
    mesh, notes = read_mesh_with_notes(ply(tmp_path / "b.ply", points, faces), unit="mm")
    assert np.array_equal(mesh.vertices, BOX)
    assert np.array_equal(mesh.faces, BOX_FACES)
    assert notes == (
        "2 faces without area were left out.",
        "2 vertices that no face uses were left out.",
    )


def test_a_mesh_inside_out_is_turned_and_said(tmp_path):
    path = binary_stl(tmp_path / "b.stl", BOX, BOX_FACES[:, ::-1])
    mesh, notes = read_mesh_with_notes(path, unit="mm")
    assert mesh_facts(mesh).volume == pytest.approx(24)
    assert len(notes) == 1 and "inside out" in notes[0]


def test_a_clean_file_has_no_notes(tmp_path):
    assert read_mesh_with_notes(binary_stl(tmp_path / "b.stl", BOX, BOX_FACES), unit="mm")[1] == ()
    assert read_scan_with_notes(ply(tmp_path / "s.ply", CLOUD), unit="mm")[1] == ()


def test_an_open_mesh_is_read_as_it_is(tmp_path):
    mesh, notes = read_mesh_with_notes(binary_stl(tmp_path / "b.stl", BOX, BOX_FACES[1:, ::-1]), unit="mm")
    assert len(mesh.faces) == 11
    assert notes == ()


@pytest.mark.parametrize("kind", ["xyz", "ascii-ply", "binary-ply", "stl", "ascii-stl", "obj"])
def test_progress_rises_to_one_and_can_stop_the_reading(tmp_path, kind, monkeypatch):
    monkeypatch.setattr("metrology.reading.text.BLOCK_BYTES", 500)
    monkeypatch.setattr("metrology.reading.ply.ROWS_AT_ONCE", 50)
    monkeypatch.setattr("metrology.reading.stl.TRIANGLES_AT_ONCE", 50)
    path = tmp_path / "body"
    triangles = np.arange(198).reshape(-1, 3)
    match kind:
        case "xyz":
            path.write_text(ROWS)
        case "ascii-ply":
            ply(path, CLOUD)
        case "binary-ply":
            ply(path, CLOUD, form="binary_little_endian")
        case "stl":
            binary_stl(path, CLOUD, triangles)
        case "ascii-stl":
            path.write_text(ascii_stl(CLOUD, triangles))
        case "obj":
            path.write_text("".join(f"v {row}\n" for row in ROWS.splitlines()))
    shares = []
    read_scan(path, unit="mm", progress=lambda stage, share: shares.append((stage, share)))
    assert {stage for stage, _ in shares} == {"reading"}
    assert [share for _, share in shares] == sorted(share for _, share in shares)
    assert len(shares) > 2 and shares[-1][1] == 1.0

    def stop(stage, share):
        raise Stopped

    with pytest.raises(Stopped):
        read_scan(path, unit="mm", progress=stop)
