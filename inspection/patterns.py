"""The pattern a mould was made to: nominal enlarged by the mould's scale, or the surface of a mould correction."""

import io

import numpy as np

from casting.models import Mould
from logbook.files import local_path
from logbook.models import StoredFile
from metrology.errors import InputError
from metrology.moulds.correction import fill_faces
from metrology.moulds.pattern import Pattern, moved_at, nominal_pattern
from metrology.surfaces.surface import Flags, Surface
from parts.models import Geometry

from .mould_models import MouldCorrection

PULLS: dict[str, tuple[float, float, float]] = {
    Mould.Pull.UP: (0.0, 0.0, 1.0),
    Mould.Pull.DOWN: (0.0, 0.0, -1.0),
    Mould.Pull.FORWARD: (1.0, 0.0, 0.0),
    Mould.Pull.BACK: (-1.0, 0.0, 0.0),
    Mould.Pull.LEFT: (0.0, 1.0, 0.0),
    Mould.Pull.RIGHT: (0.0, -1.0, 0.0),
}


def pattern_of(mould: Mould | None, surface: Surface, nominal: Geometry) -> Pattern:
    """surface: of the nominal. A correction made for another nominal is carried over to this one, point by point."""
    if mould is None:
        return nominal_pattern(surface)
    made_from = MouldCorrection.objects.filter(made=mould).select_related("data", "nominal").first()
    if made_from is None or made_from.data is None:
        return nominal_pattern(surface, (float(mould.scale_x), float(mould.scale_y), float(mould.scale_z)))
    pattern = loaded(made_from.data)
    if made_from.nominal.file_id == nominal.file_id:
        return pattern
    plain = nominal_pattern(surface)
    motion = moved_at(pattern, pattern.moved - pattern.nominal, plain.nominal)
    return Pattern(plain.nominal, plain.nominal + motion, plain.faces, plain.parents)


def stored(pattern: Pattern, **more: np.ndarray) -> bytes:
    """A pattern and what belongs to it, as a file."""
    content = io.BytesIO()
    np.savez_compressed(
        content,
        nominal=pattern.nominal,
        moved=pattern.moved,
        faces=pattern.faces.astype(np.int32),
        parents=pattern.parents.astype(np.int32),
        **more,
    )
    return content.getvalue()


def loaded(data: StoredFile) -> Pattern:
    with local_path(data) as path, np.load(path) as kept:
        return Pattern(
            np.array(kept["nominal"], dtype=np.float64),
            np.array(kept["moved"], dtype=np.float64),
            np.array(kept["faces"], dtype=np.int64),
            np.array(kept["parents"], dtype=np.int64),
        )


def fill_of(surface: Surface, pull: str, kind: str) -> tuple[Flags | None, str]:
    """Faces that the mould does not form, and why they are not known; for comparing, where that stops nothing."""
    try:
        found = fill_faces(surface, np.array(PULLS[pull]), "two-part" if kind == Mould.Kind.TWO_PART else "open-face")
    except InputError as error:
        return None, error.sentence
    return (found, "") if found.any() else (None, "")
