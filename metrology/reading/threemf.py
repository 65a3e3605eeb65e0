"""3MF (3MF Core Specification): objects with triangles, placed by build items, joined into one body.

A reader of our own: one zip archive, one XML model. What refers to anything else is refused.
"""

from array import array
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from xml.parsers import expat

import numpy as np

from metrology.bodies import Floats, Ints, Progress
from metrology.errors import ReadingError
from metrology.reading.memory import check_room
from metrology.reading.raw import STAGE, Raw, bad_face, counted
from metrology.reading.text import written_step
from metrology.reading.threemf_package import AGAIN, Package, careful_parser

CORE = "http://schemas.microsoft.com/3dmanufacturing/core/2015/02"
PRODUCTION = "http://schemas.microsoft.com/3dmanufacturing/production/2015/06"
MATERIALS = "http://schemas.microsoft.com/3dmanufacturing/material/2015/02"
# Extensions that change nothing about the triangles of a model that keeps everything in one part.
HARMLESS = {CORE, PRODUCTION, MATERIALS, "http://schemas.microsoft.com/3dmanufacturing/trianglesets/2021/07"}
UNITS = {"millimeter": ("mm", 1.0), "centimeter": ("cm", 1.0), "meter": ("m", 1.0), "inch": ("in", 1.0)}
# Micrometres are turned into millimetres, for nobody states micrometres.
UNITS |= {"foot": ("ft", 1.0), "micron": ("mm", 0.001)}
SUPPORTS = ("support", "solidsupport")
DEEPEST = 64
MOST_PLACED = 20_000
SAMPLE = 300

Transform = tuple[Floats, Floats]


@dataclass
class Object:
    """One object of the model: triangles of its own, or other objects placed in it."""

    kind: str
    vertices: "array[float]" = field(default_factory=lambda: array("d"))
    triangles: "array[int]" = field(default_factory=lambda: array("q"))
    components: list[tuple[str, Transform]] = field(default_factory=list)


@dataclass
class Model:
    unit: str = "millimeter"
    objects: dict[str, Object] = field(default_factory=dict)
    items: list[tuple[str, Transform]] = field(default_factory=list)
    words: list[list[bytes]] = field(default_factory=list)


def read_3mf(path: Path, progress: Progress) -> Raw:
    """All triangles of all build items; `bodies` counts the placed objects.

    Raises ReadingError: truncated, not-a-mesh, unsafe-archive, bad-row, bad-index, no-faces, outside-file,
    too-large-for-memory.
    """
    package = Package(path)
    try:
        model = _parse(package, progress)
    finally:
        package.close()
    unit, scale = UNITS.get(model.unit, ("", 0.0))
    if not unit:
        raise ReadingError("not-a-mesh", f"The 3MF is in “{model.unit[:40]}”, which is no unit of 3MF. {AGAIN}")
    placed, supports = _placed(model)
    check_room(sum(len(one.vertices) + len(one.triangles) for one, _ in placed) // 3, "mesh")
    points, faces = _joined(placed)
    notes = [f"{counted(supports, 'support structure was', 'support structures were')} left out."] if supports else []
    if scale != 1.0:
        notes.append("The file is in micrometres, which were turned into millimetres.")
    return Raw(
        points * scale,
        faces,
        own_unit=unit,
        step=written_step(model.words) * scale,
        bodies=len(placed),
        notes=tuple(notes),
    )


def _parse(package: Package, progress: Progress) -> Model:
    entry = package.model()
    reader = _Reader()
    parser = careful_parser()
    parser.StartElementHandler = reader.start
    parser.EndElementHandler = reader.end
    parser.StartNamespaceDeclHandler = reader.bind
    done = 0
    try:
        for piece in package.pieces(entry):
            parser.Parse(piece, False)
            done += len(piece)
            progress(STAGE, min(done / max(entry.file_size, 1), 1.0))
        parser.Parse(b"", True)
    except expat.ExpatError as fault:
        raise ReadingError(
            "not-a-mesh", f"The model inside the 3MF is damaged: its XML breaks off in line {fault.lineno:,}. {AGAIN}"
        ) from None
    return reader.model


class _Reader:
    """Gathers the model while the XML passes by."""

    def __init__(self) -> None:
        self.model = Model()
        self.namespaces: dict[str | None, str] = {}
        self._object: Object | None = None
        self._acts: dict[str, Callable[[dict[str, str]], None]] = {
            f"{CORE} {name}": act
            for name, act in {
                "model": self._model,
                "object": self._begin_object,
                "vertex": self._vertex,
                "triangle": self._triangle,
                "component": self._component,
                "item": self._item,
            }.items()
        }

    def bind(self, prefix: str | None, uri: str) -> None:
        self.namespaces[prefix] = uri

    def start(self, name: str, attributes: dict[str, str]) -> None:
        act = self._acts.get(name)
        if act:
            try:
                act(attributes)
            except (KeyError, ValueError, OverflowError):
                tag = name.rpartition(" ")[2]
                raise ReadingError(
                    "bad-row", f"A <{tag}> of the 3MF lacks something or holds what is not a number. {AGAIN}"
                ) from None

    def end(self, name: str) -> None:
        if name == f"{CORE} object":
            self._object = None

    def _model(self, a: dict[str, str]) -> None:
        self.model.unit = a.get("unit", "millimeter")
        if "requiredextensions" in a:
            unknown = [p for p in a["requiredextensions"].split() if self.namespaces.get(p) not in HARMLESS]
            if unknown:
                raise ReadingError(
                    "outside-file",
                    f"The 3MF can only be understood with the extension “{unknown[0][:40]}”, which is not read here. "
                    "Export it without extensions, or export STL.",
                )

    def _begin_object(self, a: dict[str, str]) -> None:
        self._object = Object(a.get("type", "model"))
        self.model.objects[a["id"]] = self._object

    def _vertex(self, a: dict[str, str]) -> None:
        words = a["x"], a["y"], a["z"]
        if self._object is None or any("_" in word for word in words):
            raise ValueError
        self._object.vertices.extend(map(float, words))
        if len(self.model.words) < SAMPLE:
            self.model.words.append([word.encode() for word in words])

    def _triangle(self, a: dict[str, str]) -> None:
        if self._object is None:
            raise ValueError
        self._object.triangles.extend((int(a["v1"]), int(a["v2"]), int(a["v3"])))

    def _component(self, a: dict[str, str]) -> None:
        if self._object is None:
            raise ValueError
        self._object.components.append((_own(a), _transform(a.get("transform"))))

    def _item(self, a: dict[str, str]) -> None:
        self.model.items.append((_own(a), _transform(a.get("transform"))))


def _own(attributes: dict[str, str]) -> str:
    """The id of an object in this very part; objects in other parts of the archive are refused."""
    if f"{PRODUCTION} path" in attributes:
        raise ReadingError(
            "outside-file",
            "The 3MF keeps its objects in separate files (the production extension), which are not read here. "
            "Export it as one 3MF model, or export STL.",
        )
    return attributes["objectid"]


def _transform(text: str | None) -> Transform:
    """(3 × 3 matrix, shift): a point p, as a row, becomes p · matrix + shift. Raises ValueError."""
    if text is None:
        return np.eye(3), np.zeros(3)
    numbers = np.array([float(word) for word in text.split()])
    if len(numbers) != 12 or not np.isfinite(numbers).all():
        raise ValueError
    matrix, shift = numbers[:9].reshape(3, 3), numbers[9:]
    if abs(np.linalg.det(matrix)) < 1e-12:
        raise ReadingError("bad-row", f"A placement in the 3MF flattens its object to nothing. {AGAIN}")
    return matrix, shift


def _placed(model: Model) -> tuple[list[tuple[Object, Transform]], int]:
    """Every object with triangles, where the build places it, and how many support structures were left out."""
    placed: list[tuple[Object, Transform]] = []
    supports = visited = 0
    # Last in, first out, so the items are put in from the last to the first.
    open_ones = [(name, transform, 0) for name, transform in reversed(model.items)]
    while open_ones:
        name, (matrix, shift), depth = open_ones.pop()
        visited += 1
        one = model.objects.get(name)
        if one is None:
            raise ReadingError("bad-index", f"The 3MF builds object {name[:20]}, which is not in it. {AGAIN}")
        if depth > DEEPEST or visited > MOST_PLACED:
            raise ReadingError(
                "unsafe-archive", f"Objects of the 3MF are nested without end, or far too often. {AGAIN}"
            )
        if one.kind in SUPPORTS:
            supports += 1
            continue
        if one.triangles:
            placed.append((one, (matrix, shift)))
        open_ones += [(n, (m @ matrix, s @ matrix + shift), depth + 1) for n, (m, s) in reversed(one.components)]
    if not placed:
        raise ReadingError("no-faces", "The 3MF builds no object that has triangles. Export the nominal again.")
    return placed, supports


def _joined(placed: list[tuple[Object, Transform]]) -> tuple[Floats, Ints]:
    points, faces = [], []
    before = 0
    for one, (matrix, shift) in placed:
        vertices = np.array(one.vertices).reshape(-1, 3)
        triangles = np.array(one.triangles, dtype=np.int64).reshape(-1, 3)
        wrong = np.flatnonzero(((triangles < 0) | (triangles >= len(vertices))).any(axis=1))
        if len(wrong):
            corner = next(int(v) for v in triangles[wrong[0]] if not 0 <= v < len(vertices))
            raise bad_face(int(wrong[0]) + 1, corner, len(vertices))
        # A placement that mirrors turns the faces inside out; the winding is set right again.
        faces.append((triangles if np.linalg.det(matrix) > 0 else triangles[:, ::-1]) + before)
        with np.errstate(invalid="ignore", over="ignore"):  # coordinates that are no numbers are refused later
            points.append(vertices @ matrix + shift)
        before += len(vertices)
    return np.concatenate(points), np.concatenate(faces)
