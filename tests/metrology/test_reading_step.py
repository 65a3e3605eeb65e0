"""STEP models against closed forms: sizes, volumes, the chord that triangles keep to, units, and several solids.

The files are written by our own writer of ISO 10303-21; volumes and areas of boxes and cylinders are closed forms.
"""

import struct

import numpy as np
import pytest

from fixtures.step import UNITS, FlatSided, Place, RoundBar, write_step
from metrology.amounts.units import LENGTH_IN_MM
from metrology.errors import MetrologyError, ReadingError, Stopped
from metrology.reading import read_mesh_file, read_scan
from metrology.reading.glb import read_glb
from metrology.reading.step_units import own_units
from metrology.surfaces.mesh_facts import mesh_facts

from .files_by_hand import BOX, BOX_QUADS

BLOCK = FlatSided(BOX, BOX_QUADS)  # 4 × 3 × 2


@pytest.fixture
def step(tmp_path):
    def write(*solids, unit="mm", **given):
        path = tmp_path / "model.step"
        write_step(solids, path, unit, **given)
        return path

    return write


@pytest.mark.parametrize("unit", UNITS)
def test_a_box_has_its_size_and_volume_in_every_unit(step, unit):
    file = read_mesh_file(step(BLOCK, unit=unit), unit=unit)
    one = LENGTH_IN_MM[unit]
    facts = mesh_facts(file.mesh)
    assert file.own_unit == unit
    assert facts.watertight
    # The triangles come in single precision, 24 bits.
    assert facts.size == pytest.approx((4 * one, 3 * one, 2 * one), rel=1e-6)
    assert facts.volume == pytest.approx(24 * one**3, rel=1e-6)
    assert facts.area == pytest.approx(52 * one**2, rel=1e-6)


@pytest.mark.parametrize("chord", [0.5, 0.1, 0.02])
def test_no_triangle_lies_farther_off_the_surface_than_the_chord(step, chord):
    radius, height = 50.0, 200.0
    file = read_mesh_file(step(RoundBar(radius, height)), unit="mm", chord_mm=chord)
    facts = mesh_facts(file.mesh)
    assert (file.chord_mm, facts.watertight, file.bodies) == (chord, True, 1)
    middles = file.mesh.vertices[file.mesh.faces]
    middles = (middles + np.roll(middles, 1, axis=1)).reshape(-1, 3) / 2
    on_mantle = middles[(middles[:, 2] > 1) & (middles[:, 2] < height - 1)]
    away = np.linalg.norm(on_mantle[:, :2], axis=1)
    assert radius - away.min() <= chord
    assert away.max() <= radius + 1e-4
    # A chord inside a circle takes away at most chord / radius of the radius.
    exact = np.pi * radius**2 * height
    assert exact * (1 - chord / radius) ** 2 <= facts.volume <= exact * (1 + 1e-6)


def test_a_finer_chord_comes_closer_to_the_closed_form(step):
    exact = np.pi * 50**2 * 200
    path = step(RoundBar(50, 200))
    coarse, fine = (exact - mesh_facts(read_mesh_file(path, unit="mm", chord_mm=c).mesh).volume for c in (0.5, 0.01))
    assert coarse > 10 * fine > 0


def test_the_same_file_gives_the_same_triangles(step):
    path = step(RoundBar(50, 200))
    one, two = (read_mesh_file(path, unit="mm").mesh for _ in range(2))
    assert np.array_equal(one.vertices, two.vertices)
    assert np.array_equal(one.faces, two.faces)


def test_a_unit_other_than_the_files_own_stops_with_both_sizes(step):
    path = step(BLOCK, unit="in")
    with pytest.raises(MetrologyError) as refused:
        read_mesh_file(path, unit="mm")
    assert (refused.value.code, refused.value.likely_unit) == ("unit-contradiction", "in")
    assert "inches" in refused.value.sentence
    assert "102 × 76.2 × 50.8\u00a0mm, in millimetres 4 × 3 × 2\u00a0mm" in refused.value.sentence
    insisted = read_mesh_file(path, unit="mm", overrule=True)
    assert insisted.mesh.size == pytest.approx((4, 3, 2), rel=1e-6)


@pytest.mark.parametrize("second", [RoundBar(1, 2, (20, 0, 0)), FlatSided(BOX + (4, 0, 0), BOX_QUADS)])
def test_several_solids_are_refused_unless_they_are_said_to_be_one_piece(step, second):
    path = step(BLOCK, second)
    with pytest.raises(ReadingError, match="2 solids") as refused:
        read_mesh_file(path, unit="mm")
    assert refused.value.code == "several-bodies"
    assert read_mesh_file(path, unit="mm", together=True).bodies == 2


def test_an_assembly_puts_its_part_where_it_says(step):
    path = step(BLOCK, places=[Place((100, 200, 300), z=(1, 0, 0), x=(0, 1, 0))])
    mesh = read_mesh_file(path, unit="mm").mesh
    # The part's z points along x and its x along y, so its 4 × 3 × 2 become 2 × 4 × 3.
    assert mesh.vertices.min(axis=0) == pytest.approx((100, 200, 300), rel=1e-6)
    assert mesh.size == pytest.approx((2, 4, 3), rel=1e-5)


def test_one_solid_placed_twice_counts_twice(step):
    path = step(BLOCK, places=[Place((0, 0, 0)), Place((50, 0, 0))])
    with pytest.raises(ReadingError, match="2 solids"):
        read_mesh_file(path, unit="mm")


def test_a_hollow_inside_a_solid_is_no_second_solid(step, tmp_path):
    path = step(
        FlatSided(np.vstack([BOX * 10, BOX + 10]), [*BOX_QUADS, *([i + 8 for i in q[::-1]] for q in BOX_QUADS)])
    )
    file = read_mesh_file(path, unit="mm")
    assert file.bodies == 1
    assert mesh_facts(file.mesh).volume == pytest.approx(24_000 - 24, rel=1e-5)


def test_large_coordinates_are_told_to_have_lost_digits(step):
    far = read_mesh_file(step(FlatSided(BOX * 100 + 4_000_000, BOX_QUADS)), unit="mm")
    # Single precision near 4,000 m comes in steps of 2⁻¹² m.
    assert far.step_mm == pytest.approx(1000 / 4096)
    assert "steps of 0.24\u00a0mm" in far.notes[-1]


def test_a_step_model_is_no_scan(step):
    with pytest.raises(ReadingError, match="a design, not a measurement"):
        read_scan(step(BLOCK), unit="mm")


BROKEN = {
    "cut short": (lambda text: text[: len(text) // 2], "truncated"),
    "cut short with an end": (lambda text: text[: len(text) // 3] + "END-ISO-10303-21;", None),
    "no solids": (lambda text: text.replace("CLOSED_SHELL", "CLOSED_SHEL"), "no-faces"),
    "a building": (lambda text: text.replace("AUTOMOTIVE_DESIGN", "IFC4"), "not-a-mesh"),
    "odd units": (lambda text: text.replace(".MILLI.", ".MICRO."), "not-a-mesh"),
    "rubbish": (lambda text: text[:40] + "\x01\x02#%&" * 500 + "END-ISO-10303-21;", None),
}


@pytest.mark.parametrize("case", BROKEN)
def test_a_broken_model_is_refused_in_words(step, case):
    change, code = BROKEN[case]
    path = step(BLOCK)
    path.write_text(change(path.read_text()))
    with pytest.raises(ReadingError) as refused:
        read_mesh_file(path, unit="mm")
    assert code in (None, refused.value.code)
    assert refused.value.sentence.endswith(".")


def test_a_model_whose_points_are_not_there_takes_nobody_with_it(step):
    """The library has been seen to crash on damaged references; its process may, ours may not."""
    path = step(BLOCK)
    text = path.read_text()
    path.write_text(text.replace("VERTEX_POINT('',#", "VERTEX_POINT('',#9"))
    with pytest.raises(ReadingError):
        read_mesh_file(path, unit="mm")


def test_reading_can_be_stopped(step):
    def stop(stage, share):
        raise Stopped

    with pytest.raises(Stopped):
        read_mesh_file(step(RoundBar(50, 200)), unit="mm", progress=stop)


@pytest.mark.parametrize(
    ("entity", "unit"),
    [
        ("( LENGTH_UNIT ( ) NAMED_UNIT ( * ) SI_UNIT ( .MILLI. , .METRE. ) )", "mm"),
        ("(NAMED_UNIT(*)LENGTH_UNIT()\nSI_UNIT($,/* none */.METRE.))", "m"),
    ],
)
def test_units_are_found_however_they_are_written(entity, unit):
    text = f"#5={entity};#6=(GEOMETRIC_REPRESENTATION_CONTEXT(3)GLOBAL_UNIT_ASSIGNED_CONTEXT((#5,#7)));#7=X();"
    assert own_units(text.encode()) == [unit]


def test_a_unit_is_converted_by_its_own_measure():
    text = (
        "#1=(LENGTH_UNIT()NAMED_UNIT(*)SI_UNIT($,.METRE.));"
        "#2=LENGTH_MEASURE_WITH_UNIT(LENGTH_MEASURE(2.54E-2),#1);"
        "#3=(CONVERSION_BASED_UNIT('inch',#2)LENGTH_UNIT()NAMED_UNIT(#9));"
        "#4=(X()GLOBAL_UNIT_ASSIGNED_CONTEXT((#3)));"
    )
    assert own_units(text.encode()) == ["in"]
    assert own_units(b"#1=NOTHING();") == []


def test_triangles_of_a_placed_mesh_are_turned_scaled_and_moved(tmp_path):
    """A file by hand from the layout of binary glTF 2.0: a triangle in a node below a turned one."""
    points = np.array([(1, 0, 0), (0, 1, 0), (0, 0, 1)], dtype="<f4").tobytes()
    corners = np.array([0, 1, 2], dtype="<u2").tobytes()
    half = np.sqrt(0.5)
    content = (
        '{"scene":0,"scenes":[{"nodes":[0]}],"nodes":['
        f'{{"children":[1],"rotation":[0,0,{half},{half}],"translation":[10,0,0]}},{{"mesh":0,"scale":[2,2,2]}}],'
        '"meshes":[{"primitives":[{"attributes":{"POSITION":0},"indices":1}]}],'
        '"accessors":[{"bufferView":0,"componentType":5126,"count":3,"type":"VEC3"},'
        '{"bufferView":1,"componentType":5123,"count":3,"type":"SCALAR"}],'
        '"bufferViews":[{"buffer":0,"byteLength":36},{"buffer":0,"byteOffset":36,"byteLength":6}]}'
    ).encode()
    content += b" " * (-len(content) % 4)
    data = points + corners + b"\0\0"
    body = struct.pack("<II", len(content), 0x4E4F534A) + content + struct.pack("<II", len(data), 0x004E4942) + data
    path = tmp_path / "a.glb"
    path.write_bytes(struct.pack("<4sII", b"glTF", 2, 12 + len(body)) + body)
    [(placed, faces)] = read_glb(path)
    # A quarter turn about z takes x to y; then all is moved by 10 along x.
    assert placed == pytest.approx(np.array([(10, 2, 0), (8, 0, 0), (10, 0, 2)]), abs=1e-6)
    assert faces.tolist() == [[0, 1, 2]]
