"""3MF packages by hand from the published core specification: units, placements, and archives that are traps."""

import struct
import zipfile

import numpy as np
import pytest

from fixtures.formats import CORE, RELATIONS, model_xml, write_3mf, write_3mf_package
from metrology.amounts.units import LENGTH_IN_MM
from metrology.bodies import Mesh
from metrology.errors import MetrologyError, ReadingError
from metrology.reading import read_mesh_file, read_scan
from metrology.surfaces.mesh_facts import mesh_facts

from .files_by_hand import BOX, BOX_FACES, same_triangles

BLOCK = Mesh(BOX, BOX_FACES)
PRODUCTION = ' xmlns:p="http://schemas.microsoft.com/3dmanufacturing/production/2015/06"'
MESH = (
    '<mesh><vertices><vertex x="0" y="0" z="0"/><vertex x="1" y="0" z="0"/><vertex x="0" y="1" z="0"/>'
    '<vertex x="0" y="0" z="1"/></vertices><triangles><triangle v1="0" v2="2" v3="1"/><triangle v1="0" v2="1" v3="3"/>'
    '<triangle v1="0" v2="3" v3="2"/><triangle v1="1" v2="2" v3="3"/></triangles></mesh>'
)
ONE = f'<resources><object id="1">{MESH}</object></resources>'
BUILT = f'{ONE}<build><item objectid="1"/></build>'


@pytest.fixture
def package(tmp_path):
    def write(body=BUILT, unit="millimeter", attributes="", **given):
        path = tmp_path / "part.3mf"
        write_3mf_package(path, model_xml(body, unit, attributes), **given)
        return path

    return write


def refusal(path, **given):
    with pytest.raises(MetrologyError) as refused:
        read_mesh_file(path, unit="mm", **given)
    assert refused.value.sentence.endswith(".")
    return refused.value


@pytest.mark.parametrize(
    ("unit", "ours"), [("millimeter", "mm"), ("centimeter", "cm"), ("meter", "m"), ("inch", "in"), ("foot", "ft")]
)
def test_triangles_and_unit_are_those_that_were_written(tmp_path, unit, ours):
    path = tmp_path / "part.3mf"
    write_3mf([BLOCK], path, unit)
    file = read_mesh_file(path, unit=ours)
    assert (file.own_unit, file.bodies, file.kind) == (ours, 1, "3mf")
    assert same_triangles(BOX * LENGTH_IN_MM[ours], BOX_FACES, file.mesh.vertices, file.mesh.faces)


def test_micrometres_become_millimetres(package):
    file = read_mesh_file(package(unit="micron"), unit="mm")
    assert file.mesh.size == pytest.approx((0.001, 0.001, 0.001))
    assert "micrometres" in file.notes[0]


def test_a_file_that_says_nothing_is_in_millimetres(package):
    path = package()
    text = model_xml(BUILT).replace(' unit="millimeter"', "")
    write_3mf_package(path, text)
    assert read_mesh_file(path, unit="mm").own_unit == "mm"


def test_another_unit_than_the_files_stops(package):
    error = refusal(package(unit="inch"))
    assert (error.code, error.likely_unit) == ("unit-contradiction", "in")
    assert read_mesh_file(package(unit="inch"), unit="mm", overrule=True).mesh.size == pytest.approx((1, 1, 1))


def test_a_build_item_turns_and_moves_its_object(tmp_path):
    path = tmp_path / "part.3mf"
    # Rows of a quarter turn about z: (x, y, z) becomes (−y, x, z); then moved.
    placed = np.array([(0, 1, 0), (-1, 0, 0), (0, 0, 1), (100, 200, 300)], dtype=float)
    write_3mf([BLOCK], path, placements=[(0, placed)])
    expected = np.column_stack([-BOX[:, 1], BOX[:, 0], BOX[:, 2]]) + (100, 200, 300)
    file = read_mesh_file(path, unit="mm")
    assert same_triangles(expected, BOX_FACES, file.mesh.vertices, file.mesh.faces)


def test_a_placement_that_mirrors_keeps_outside_outside(tmp_path):
    path = tmp_path / "part.3mf"
    placed = np.vstack([np.diag([-1.0, 1.0, 1.0]), np.zeros(3)])
    write_3mf([BLOCK], path, placements=[(0, placed)])
    file = read_mesh_file(path, unit="mm")
    assert mesh_facts(file.mesh).volume == pytest.approx(24)
    assert not file.notes


def test_several_objects_are_refused_unless_they_are_said_to_be_one_piece(tmp_path):
    path = tmp_path / "part.3mf"
    write_3mf([BLOCK, Mesh(BOX + 10, BOX_FACES)], path)
    assert refusal(path).code == "several-bodies"
    joined = read_mesh_file(path, unit="mm", together=True)
    assert joined.bodies == 2
    assert mesh_facts(joined.mesh).volume == pytest.approx(48)


def test_objects_made_of_objects_are_placed_one_in_the_other(package):
    body = (
        f'<resources><object id="1">{MESH}</object><object id="2"><components>'
        '<component objectid="1" transform="1 0 0 0 1 0 0 0 1 10 0 0"/></components></object></resources>'
        '<build><item objectid="2" transform="2 0 0 0 2 0 0 0 2 0 0 5"/></build>'
    )
    mesh = read_mesh_file(package(body), unit="mm").mesh
    assert mesh.vertices.min(axis=0) == pytest.approx((20, 0, 5))
    assert mesh.size == pytest.approx((2, 2, 2))


def test_support_structures_are_left_out(package):
    body = BUILT.replace("</resources>", f'<object id="2" type="support">{MESH}</object></resources>')
    file = read_mesh_file(package(body.replace("</build>", '<item objectid="2"/></build>')), unit="mm")
    assert file.bodies == 1
    assert "1 support structure was left out." in file.notes


def test_the_vertices_of_a_3mf_may_be_a_scan(tmp_path):
    points = np.random.default_rng(1).normal(size=(150, 3))
    write_3mf([Mesh(points, np.arange(150).reshape(-1, 3))], tmp_path / "scan.3mf")
    assert np.array_equal(read_scan(tmp_path / "scan.3mf", unit="mm").points, points)


BROKEN = {
    "no such object": (ONE + '<build><item objectid="7"/></build>', "bad-index"),
    "nothing built": (ONE + "<build/>", "no-faces"),
    "no triangles": (BUILT.replace("<triangle ", "<shape "), "no-faces"),
    "a corner that is not there": (BUILT.replace('v3="3"', 'v3="9"'), "bad-index"),
    "a negative corner": (BUILT.replace('v3="3"', 'v3="-1"'), "bad-index"),
    "a word for a number": (BUILT.replace('x="1"', 'x="one"'), "bad-row"),
    "an underscore in a number": (BUILT.replace('x="1"', 'x="1_0"'), "bad-row"),
    "a coordinate missing": (BUILT.replace('x="1" ', ""), "bad-row"),
    "not a number": (BUILT.replace('x="1"', 'x="NaN"'), "not-finite"),
    "no unit of 3MF": ("furlong", "not-a-mesh"),
    "flattened": (BUILT.replace('"1"/></b', '"1" transform="1 0 0 0 1 0 0 0 0 0 0 0"/></b'), "bad-row"),
    "half a placement": (BUILT.replace('"1"/></b', '"1" transform="1 0 0 0 1 0"/></b'), "bad-row"),
    "open tags": (BUILT[:-10], "not-a-mesh"),
    "itself inside itself": (
        '<resources><object id="1"><components><component objectid="1"/></components></object></resources>'
        '<build><item objectid="1"/></build>',
        "unsafe-archive",
    ),
}


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_model_is_refused(package, case):
    body, code = BROKEN[case]
    path = package(unit=body) if body == "furlong" else package(body)
    assert refusal(path).code == code


def test_objects_nested_until_they_are_countless_are_refused_at_once(package):
    levels = "".join(
        f'<object id="{n}"><components>' + f'<component objectid="{n - 1}"/>' * 10 + "</components></object>"
        for n in range(2, 30)
    )
    body = f'<resources><object id="1">{MESH}</object>{levels}</resources><build><item objectid="29"/></build>'
    assert refusal(package(body), together=True).code == "unsafe-archive"


def test_objects_in_other_files_of_the_archive_are_refused_with_the_reason(package):
    body = f'{ONE}<build><item objectid="1" p:path="/3D/Objects/one.model"/></build>'
    error = refusal(package(body, attributes=PRODUCTION + ' requiredextensions="p"'))
    assert error.code == "outside-file"
    assert "production extension" in error.sentence


def test_the_production_extension_alone_does_no_harm(package):
    path = package(attributes=PRODUCTION + ' requiredextensions="p"')
    assert read_mesh_file(path, unit="mm").bodies == 1


def test_an_extension_that_must_be_understood_is_refused(package):
    lattice = ' xmlns:b="http://schemas.microsoft.com/3dmanufacturing/beamlattice/2017/02" requiredextensions="b"'
    assert refusal(package(attributes=lattice)).code == "outside-file"


@pytest.mark.parametrize(
    ("target", "mode"),
    [
        ("../../etc/passwd", ""),
        ("..\\model", ""),
        ("http://example.org/a.model", ' TargetMode="External"'),
        ("file:///a.model", ""),
    ],
)
def test_a_model_outside_the_archive_is_refused(package, target, mode):
    error = refusal(package(relations=RELATIONS.replace('"/3D/3dmodel.model"', f'"{target}"{mode}')))
    assert error.code == "unsafe-archive"
    assert "outside itself" in error.sentence


def test_entities_and_document_types_are_refused(package):
    path = package()
    growing = '<!DOCTYPE m [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;&a;&a;">]>'
    fetching = '<!DOCTYPE m [<!ENTITY a SYSTEM "file:///etc/passwd">]>'
    for trap in (growing, fetching, '<!DOCTYPE m SYSTEM "http://example.org/a.dtd">'):
        write_3mf_package(path, model_xml(BUILT.replace('x="1"', 'x="&a;"')).replace("?>\n", f"?>\n{trap}", 1))
        assert refusal(path).code == "unsafe-archive"


def test_an_archive_that_grows_beyond_reason_is_refused(tmp_path):
    path = tmp_path / "bomb.3mf"
    write_3mf_package(path, model_xml(BUILT + " " * 30_000_000))
    assert path.stat().st_size < 100_000
    error = refusal(path)
    assert error.code == "unsafe-archive"
    assert "MB when it is unpacked" in error.sentence


def test_an_archive_that_lies_about_the_size_of_its_model_is_not_believed(tmp_path):
    path = tmp_path / "bomb.3mf"
    write_3mf_package(path, model_xml(BUILT + " " * 30_000_000))
    data = bytearray(path.read_bytes())
    at = data.rindex(b"PK\x01\x02", 0, data.rindex(b"3D/3dmodel.model"))
    struct.pack_into("<I", data, at + 24, 1000)  # uncompressed size in the table of contents
    path.write_bytes(data)
    assert refusal(path).code in ("unsafe-archive", "truncated")


def test_other_archives_are_named_for_what_they_are(tmp_path):
    path = tmp_path / "part.3mf"
    with zipfile.ZipFile(path, "w") as package:
        package.writestr("word/document.xml", "<a/>")
    assert "relations" in refusal(path).sentence
    with pytest.raises(ReadingError, match="ZIP archive or an office file"):
        read_mesh_file(path, unit="mm", name="part.stl")


def test_a_3mf_under_another_name_is_read(tmp_path):
    path = tmp_path / "stored"
    write_3mf([BLOCK], path)
    assert read_mesh_file(path, unit="mm", name="part.stl").kind == "3mf"


def test_a_locked_archive_is_refused(tmp_path):
    path = tmp_path / "part.3mf"
    write_3mf([BLOCK], path)
    data = bytearray(path.read_bytes())
    for signature, place in ((b"PK\x03\x04", 6), (b"PK\x01\x02", 8)):
        at = -1
        while (at := data.find(signature, at + 1)) >= 0:
            data[at + place] |= 1
    path.write_bytes(data)
    assert "password" in refusal(path).sentence


def test_only_the_core_namespace_is_geometry(package):
    other = model_xml(BUILT).replace(CORE, "http://example.org/other")
    path = package()
    write_3mf_package(path, other)
    assert refusal(path).code == "no-faces"
