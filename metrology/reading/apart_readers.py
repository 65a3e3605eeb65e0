"""Run as a process of its own by apart.py, which see: readers of formats whose libraries may crash on a damaged file.

Imports nothing of the project. Every line it prints is one JSON object: signs of life with "share" and "points", at
last {"done": …} or {"refused": [code, sentence]}.
"""

import json
import math
import re
import sys
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, NoReturn

E57_AT_ONCE = 1 << 18
LAS_AT_ONCE = 1 << 19
# Compressed points take a few bytes each; even a million times the same point takes more than this.
MOST_POINTS_A_BYTE = 1000
AGAIN = "Export it again, or export the scan as PLY."
CARTESIAN = ["cartesianX", "cartesianY", "cartesianZ"]
SPHERICAL = ["sphericalRange", "sphericalAzimuth", "sphericalElevation"]
# Linear units of EPSG and of well-known text: metres in one.
EPSG_UNITS = {9001: 1.0, 9002: 0.3048, 9003: 1200 / 3937, 9005: 0.3047972654, 1025: 0.001, 1033: 0.01, 9008: 0.0254}
UNIT_NAMES = {"m": 1.0, "ft": 0.3048, "in": 0.0254, "cm": 0.01, "mm": 0.001}
UNIT_IN_TEXT = re.compile(r"(?<![A-Z])(?:LENGTH)?UNIT\[\"[^\"]*\",(\d+\.?\d*(?:E[-+]?\d+)?)")
PROJECTED_UNITS, VERTICAL_UNITS, MODEL_TYPE, GEOGRAPHIC = 3076, 4099, 1024, 2


class Refused(Exception):
    """Carries the code and the sentence of a refusal."""


def main(order: dict[str, Any]) -> None:
    _limit_memory(order["memory"])
    say({"share": 0.0})
    try:
        say({"done": READERS[order["reader"]](order)})
    except Refused as refusal:
        say({"refused": list(refusal.args)})


def say(words: dict[str, Any]) -> None:
    print(json.dumps(words), flush=True)


def refuse(code: str, sentence: str) -> NoReturn:
    raise Refused(code, sentence)


def step_to_glb(order: dict[str, Any]) -> dict[str, Any]:
    """Triangles of a STEP model in model.glb, which is in metres; status 0 when all went well."""
    # The library offers itself to another one where that is there, which takes a second and serves nothing here.
    sys.modules.setdefault("trimesh", None)  # type: ignore[arg-type]
    import cascadio

    glb = Path(order["folder"]) / "model.glb"
    status = cascadio.step_to_glb(
        order["path"],
        str(glb),
        tol_linear=order["chord_mm"],
        tol_angular=order["turn_rad"],
        merge_primitives=True,
        # One thread, so that the same file gives the same triangles in the same order.
        use_parallel=False,
    )
    return {"status": status, "written": glb.exists()}


# ---- E57 -------------------------------------------------------------------------------------------------------------


def e57_points(order: dict[str, Any]) -> dict[str, Any]:
    """Valid points of all scans in metres, moved by their poses, in the file "points" as doubles."""
    from pye57 import libe57  # type: ignore[import-untyped]

    try:
        return _e57_points(libe57, order)
    except libe57.E57Exception as fault:
        refuse("damaged", f"The E57 file is damaged: {_said(fault)}. {AGAIN}")


def _e57_points(libe57: Any, order: dict[str, Any]) -> dict[str, Any]:
    image = libe57.ImageFile(order["path"], "r")
    root = image.root()
    scans = root["data3D"] if root.isDefined("data3D") else []
    scans = [scans[i] for i in range(len(scans))]
    total = sum(scan["points"].childCount() for scan in scans if scan.isDefined("points"))
    if not total:
        refuse("no-points", f"The E57 file holds no points (scans listed in it: {len(scans)}). Export the scan again.")
    say({"points": total, "share": 0.0})
    done = invalid = unplaced = 0
    step = 0.0
    with (Path(order["folder"]) / "points").open("wb") as out:
        for number, scan in enumerate(scans, 1):
            if not scan.isDefined("points") or not scan["points"].childCount():
                continue
            unplaced += not scan.isDefined("pose")
            matrix, shift = _pose(scan, number)
            names, of_step = _fields(libe57, scan["points"], number)
            step = max(step, of_step)
            for values in _e57_blocks(libe57, image, scan["points"], names):
                points, bad = _to_points(names, values)
                invalid += bad
                out.write((points @ matrix.T + shift).tobytes())
                done += len(points) + bad
                say({"points": total, "share": done / total})
    image.close()
    if done < total:
        refuse("truncated", f"The E57 file promises {total:,} points but holds {done:,}. {AGAIN}")
    if invalid == total:
        refuse("no-points", f"All {total:,} points of the E57 file are marked as invalid. Export the scan again.")
    notes = []
    if len(scans) > 1:
        notes.append(f"{len(scans)} scans of the file were joined by their poses.")
    if unplaced and len(scans) > 1:
        notes.append(f"{unplaced} of them state no pose and were taken as they are: check that they fit together.")
    if invalid:
        notes.append(f"{invalid:,} points that the scanner marked as invalid were left out.")
    return {"unit": "m", "step": step, "notes": notes}


def _e57_blocks(libe57: Any, image: Any, points: Any, names: list[str]) -> Iterator[list[Any]]:
    import numpy as np

    arrays = [np.empty(E57_AT_ONCE, "i1" if "State" in name else "f8") for name in names]
    buffers = libe57.VectorSourceDestBuffer()
    for name, array in zip(names, arrays, strict=True):
        buffers.append(libe57.SourceDestBuffer(image, name, array, E57_AT_ONCE, True, True))
    reader = points.reader(buffers)
    while count := reader.read():
        yield [array[:count] for array in arrays]


def _fields(libe57: Any, points: Any, number: int) -> tuple[list[str], float]:
    """The fields to read of one scan, and the steps in which its coordinates come, m."""
    prototype = libe57.StructureNode(points.prototype())
    there = [prototype.get(i).elementName() for i in range(prototype.childCount())]
    for names, state in ((CARTESIAN, "cartesianInvalidState"), (SPHERICAL, "sphericalInvalidState")):
        if all(name in there for name in names):
            return [*names, *([state] if state in there else [])], max(_step(libe57, prototype[n]) for n in names)
    missing = [name for name in CARTESIAN if name not in there]
    refuse(
        "no-points",
        f"Scan {number} of the E57 file lacks {', '.join(missing)}, and has no range with two angles instead: "
        f"it holds {', '.join(there) or 'nothing'}. Export it with coordinates.",
    )


def _step(libe57: Any, node: Any) -> float:
    """Steps of one field, m: of scaled integers their scale, of single precision those at its largest value."""
    import numpy as np

    name = node.elementName()
    if isinstance(node, libe57.ScaledIntegerNode):
        return 0.0 if "Azimuth" in name or "Elevation" in name else float(node.scale())
    if isinstance(node, libe57.FloatNode) and node.precision() == libe57.E57_SINGLE and name in CARTESIAN:
        farthest = max(abs(node.minimum()), abs(node.maximum()))
        return float(np.spacing(np.float32(farthest))) if farthest < 1e9 else 0.0
    return 0.0


def _to_points(names: list[str], values: list[Any]) -> tuple[Any, int]:
    """((n, 3) points of one block in the scan's own frame, number of points marked as invalid)."""
    import numpy as np

    if names[0] == CARTESIAN[0]:
        points = np.stack(values[:3], axis=1)
    else:
        # ASTM E2807: azimuth from the x axis towards y, elevation up from the xy plane, both in radians.
        away, azimuth, elevation = values[:3]
        level = away * np.cos(elevation)
        points = np.stack([level * np.cos(azimuth), level * np.sin(azimuth), away * np.sin(elevation)], axis=1)
    if len(values) == 3:
        return points, 0
    valid = values[3] == 0
    return points[valid], int((~valid).sum())


def _pose(scan: Any, number: int) -> tuple[Any, Any]:
    """(rotation (3, 3), translation (3,)) of one scan; nothing stated is no movement."""
    import numpy as np

    w, x, y, z, shift = 1.0, 0.0, 0.0, 0.0, np.zeros(3)
    pose = scan["pose"] if scan.isDefined("pose") else None
    if pose is not None and pose.isDefined("rotation"):
        w, x, y, z = (float(pose["rotation"][axis].value()) for axis in "wxyz")
    if pose is not None and pose.isDefined("translation"):
        shift = np.array([float(pose["translation"][axis].value()) for axis in "xyz"])
    size = math.sqrt(w * w + x * x + y * y + z * z)
    if not abs(size - 1) < 0.01 or not np.isfinite(shift).all():
        refuse("damaged", f"The pose of scan {number} in the E57 file is not a rotation and a shift. {AGAIN}")
    w, x, y, z = w / size, x / size, y / size, z / size
    rotation = [
        [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
        [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
        [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
    ]
    return np.array(rotation), shift


# ---- LAS and LAZ -----------------------------------------------------------------------------------------------------


def las_points(order: dict[str, Any]) -> dict[str, Any]:
    """Points that are not withheld, scaled and shifted as the header says, in the file "points" as doubles."""
    return _carefully(_las_points, order)


def las_unit(order: dict[str, Any]) -> dict[str, Any]:
    """Only the unit."""
    return _carefully(_only_las_unit, order)


def _carefully(act: Callable[[dict[str, Any]], dict[str, Any]], order: dict[str, Any]) -> dict[str, Any]:
    try:
        return act(order)
    except Refused:
        raise
    except BaseException as fault:  # the decoder's panics are no Exceptions
        refuse("damaged", f"The LAS file is damaged: {_said(fault)}. {AGAIN}")


def _only_las_unit(order: dict[str, Any]) -> dict[str, Any]:
    import laspy  # type: ignore[import-untyped]

    _check_las_header(Path(order["path"]))
    with laspy.open(order["path"]) as reader:
        return {"unit": _las_unit(reader.header)}


def _las_points(order: dict[str, Any]) -> dict[str, Any]:
    import laspy
    import numpy as np

    _check_las_header(Path(order["path"]))
    with laspy.open(order["path"]) as reader:
        header = reader.header
        total = int(header.point_count)
        scales, offsets = np.array(header.scales, float), np.array(header.offsets, float)
        if not (np.isfinite(scales).all() and np.isfinite(offsets).all() and (scales > 0).all()):
            refuse("damaged", f"The LAS header has scales or offsets that are not numbers above zero. {AGAIN}")
        if not total:
            refuse("no-points", "The LAS file holds no points. Export the scan again.")
        whole, there = (
            header.offset_to_point_data + total * header.point_format.size,
            Path(order["path"]).stat().st_size,
        )
        if not header.are_points_compressed and whole > there:
            refuse("truncated", f"The LAS file promises {total:,} points in {whole:,} bytes but has {there:,}. {AGAIN}")
        unit = _las_unit(header)
        say({"points": total, "share": 0.0})
        done = withheld = 0
        with (Path(order["folder"]) / "points").open("wb") as out:
            for block in reader.chunk_iterator(LAS_AT_ONCE):
                whole = np.stack([block.X, block.Y, block.Z], axis=1) * scales + offsets
                kept = np.asarray(block.withheld) == 0
                withheld += int((~kept).sum())
                out.write((whole if kept.all() else whole[kept]).tobytes())
                done += len(whole)
                say({"points": total, "share": done / total})
    if done < total:
        refuse("truncated", f"The LAS file promises {total:,} points but holds {done:,}. {AGAIN}")
    notes = [f"{withheld:,} points that are marked as withheld were left out."] if withheld else []
    return {"unit": unit, "step": float(scales.max()), "notes": notes}


def _check_las_header(path: Path) -> None:
    """Refuse counts that cannot be, before a library believes them: records, and points in a compressed file."""
    size = path.stat().st_size
    with path.open("rb") as file:
        head = file.read(375)
    if len(head) < 227:
        refuse("truncated", f"The LAS file ends inside its header, after {size:,} bytes. {AGAIN}")
    whole = int.from_bytes
    header, points = whole(head[94:96], "little"), whole(head[96:100], "little")
    records, count = whole(head[100:104], "little"), whole(head[107:111], "little")
    more = start = 0
    if head[25] >= 4 and len(head) == 375:
        start, more = whole(head[235:243], "little"), whole(head[243:247], "little")
        count = max(count, whole(head[247:255], "little"))
    if points > size or records * 54 > points - header or (more and start + more * 60 > size):
        refuse("damaged", f"The LAS header promises more records than the file's {size:,} bytes can hold. {AGAIN}")
    if count > size * MOST_POINTS_A_BYTE:
        refuse("truncated", f"The LAS file promises {count:,} points but has only {size:,} bytes. {AGAIN}")


def _las_unit(header: Any) -> str:
    """The unit of the coordinates by the file's own reference system, "" where it names none that we know."""
    keys: dict[int, int] = {}
    text = ""
    for record in [*header.vlrs, *(header.evlrs or [])]:
        for key in getattr(record, "geo_keys", None) or []:
            keys[key.id] = key.value_offset
        text = text or str(getattr(record, "string", "") or "")
    if text:
        return _unit_of_text(text)
    if keys.get(MODEL_TYPE) == GEOGRAPHIC:
        _refuse_degrees()
    return _unit_of([EPSG_UNITS.get(keys[k], 0.0) for k in (PROJECTED_UNITS, VERTICAL_UNITS) if k in keys])


def _unit_of_text(text: str) -> str:
    """As _las_unit, from the well-known text of a reference system."""
    text = re.sub(r"\s+", "", text).upper()
    if re.match(r"(COMPD_CS\[\"[^\"]*\",)?(GEOGCS|GEOGCRS|GEODCRS)\[", text):
        _refuse_degrees()
    # What stands inside the ellipsoid and the geographic part is not the unit of the coordinates.
    plain = re.sub(r"(ELLIPSOID|SPHEROID)\[[^\[\]]*(\[[^\[\]]*\][^\[\]]*)*\]", "", text)
    plain = re.sub(r"GEOGCS\[.*?(?<![A-Z])UNIT\[[^\]]*\]", "", plain)
    return _unit_of([float(size) for size in UNIT_IN_TEXT.findall(plain)])


def _unit_of(sizes: list[float]) -> str:
    if not sizes:
        return ""
    if max(sizes) > min(sizes) * 1.0001:
        refuse(
            "mixed-units",
            "By the reference system in the LAS file, plan and height are in different units. Export it in one unit.",
        )
    return next((name for name, metres in UNIT_NAMES.items() if abs(sizes[0] / metres - 1) < 1e-4), "")


def _refuse_degrees() -> NoReturn:
    refuse("mixed-units", "The LAS file holds degrees of latitude and longitude. Export it in a grid of metres.")


def _said(fault: BaseException) -> str:
    """The first line of what a library said, short and without its own file names."""
    text = (str(fault) or type(fault).__name__).strip().splitlines()[0]
    return re.sub(r"\s*\(?\S*[/\\]\S*", "", text)[:120].rstrip(".") or type(fault).__name__


def _limit_memory(size: int) -> None:
    """Where the system knows such a limit: rather fail than take all there is."""
    try:
        import resource

        resource.setrlimit(resource.RLIMIT_AS, (size, size))
        resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    except (ImportError, ValueError, OSError):
        pass


READERS = {"step": step_to_glb, "e57": e57_points, "las": las_points, "las-unit": las_unit}

if __name__ == "__main__":
    main(json.loads(sys.argv[1]))
