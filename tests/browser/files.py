"""The files that the people of the walk upload. Invented; made by the same code as the demonstration's."""

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from fixtures import drawing, files, photos, scanner, solids


@dataclass(frozen=True)
class Uploads:
    nominal: Path
    drawing: Path
    scan: Path
    photo: Path


def make(folder: Path) -> Uploads:
    """A saddle block with its drawing, a scan of a cast that shrank by 0.02 % in an unknown pose, and a photo."""
    made = Uploads(*(folder / name for name in ("saddle.stl", "saddle.pdf", "saddle-scan.ply", "joint.jpg")))
    block = solids.saddle_block()
    files.write_stl(block, made.nominal)
    made.drawing.write_bytes(drawing.drawing_pdf({"title": "Saddle block", "part_number": "SB-02"}, block))
    cast = scanner.cast_from(block, shrinkage=(0.0002, 0.0002, 0.0002), unevenness_mm=0.1, seed=4)
    cloud, _ = scanner.scan(cast, points=60_000, noise_mm=0.05, stray_share=0.005, seed=11)
    files.write_ply_points(np.asarray(cloud.points), made.scan)
    made.photo.write_bytes(photos.mockup_photo(5, "joint"))
    return made
