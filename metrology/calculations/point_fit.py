"""Pairs of points in two frames: the rigid motion between them, without mirror and without scale unless asked."""

from dataclasses import dataclass, fields

import numpy as np

from metrology.alignment.registration import fit_rotation
from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, amounts, flag, sentence, table, text
from metrology.calculations.problems import refuse
from metrology.calculations.said import Quantity, say
from metrology.errors import InputError
from metrology.rotation import vector_of

# Residuals that a mirror would bring below this share: the pairs are left for right.
_MIRRORED = 0.5


@dataclass(frozen=True)
class SpacePair:
    x: float = amount("From x", "mm")
    y: float = amount("From y", "mm")
    z: float = amount("From z", "mm")
    to_x: float = amount("To x", "mm")
    to_y: float = amount("To y", "mm")
    to_z: float = amount("To z", "mm")


@dataclass(frozen=True)
class PointFitInputs:
    pairs: tuple[SpacePair, ...] = table("Pairs of points", SpacePair, least=3, most=5000)
    with_scale: bool = flag("Let the scale differ too", default=False)


@dataclass(frozen=True)
class PairLeft:
    x: float = amount("Off, x", "mm", decimals=4)
    y: float = amount("Off, y", "mm", decimals=4)
    z: float = amount("Off, z", "mm", decimals=4)
    apart: float = amount("Apart", "mm", decimals=4)


@dataclass(frozen=True)
class PointFitResult:
    sentence: str = sentence()
    rotation_x: tuple[float, ...] = amounts("Rotation, first row", "1")
    rotation_y: tuple[float, ...] = amounts("Rotation, second row", "1")
    rotation_z: tuple[float, ...] = amounts("Rotation, third row", "1")
    translation: tuple[float, ...] = amounts("Translation x, y, z", "mm")
    turned: float = amount("Turned in all", "°", decimals=5)
    scale: float = amount("Scale", "1", decimals=8)
    rms: float = amount("Root mean square distance left", "mm", decimals=4)
    worst: str = text("Pair farthest apart")
    left: tuple[PairLeft, ...] = table("Left of each pair, moved minus given", PairLeft)


def point_fit(inputs: PointFitInputs) -> PointFitResult:
    """to = scale · R · from + translation by least squares, R a rotation. Errors: on-one-line, mirrored, no-scale."""
    rows = np.array([[getattr(pair, one.name) for one in fields(SpacePair)] for pair in inputs.pairs])
    source, target = rows[:, :3], rows[:, 3:]
    try:
        turn, shift, rms = fit_rotation(source, target)
    except InputError as error:
        raise refuse("/pairs", error.sentence, error.code) from None
    mirrored = fit_rotation(source * [1.0, 1.0, -1.0], target)[2]
    flat = min(_thinness(source), _thinness(target)) < 1e-9
    if not flat and not inputs.with_scale and mirrored < _MIRRORED * rms:
        raise refuse(
            "/pairs",
            f"These pairs fit only as a mirror image: apart by {rms:.3g} mm turned, by {mirrored:.3g} mm mirrored. "
            "Check left and right, or the sign of one axis.",
            "mirrored",
        )
    scale = 1.0
    if inputs.with_scale:
        about, onto = source - source.mean(axis=0), target - target.mean(axis=0)
        scale = float(np.einsum("ni,ni->", about @ turn.T, onto) / np.einsum("ni,ni->", about, about))
        if scale <= 0:
            raise refuse("/pairs", "No scale above 0 fits these pairs. Check how they are paired.", "no-scale")
        shift = target.mean(axis=0) - scale * turn @ source.mean(axis=0)
    left = scale * source @ turn.T + shift - target
    apart = np.linalg.norm(left, axis=1)
    worst = int(np.argmax(apart))
    said = say(
        "The pairs agree within {rms} (root mean square); pair {worst} is farthest apart, by {far}.{few}",
        rms=Quantity(float(np.sqrt((apart**2).mean())), "mm", 3), worst=str(worst + 1),
        far=Quantity(float(apart[worst]), "mm", 3),
        few=" Three pairs check little. Mark a fourth." if len(source) == 3 else "",
    )  # fmt: skip
    return PointFitResult(
        said, tuple(turn[0].tolist()), tuple(turn[1].tolist()), tuple(turn[2].tolist()), tuple(shift.tolist()),
        float(np.degrees(np.linalg.norm(vector_of(turn)))), scale, float(np.sqrt((apart**2).mean())), str(worst + 1),
        tuple(PairLeft(x, y, z, far) for x, y, z, far in np.column_stack([left, apart]).tolist()),
    )  # fmt: skip


def _thinness(points: Floats) -> float:
    sizes = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    return float(sizes[-1] / max(float(sizes[0]), 1e-300)) if len(sizes) == 3 else 0.0


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="point-fit",
        title="Motion between two frames, from pairs of points",
        subject="Measuring",
        asks="How is one frame turned and moved against another, and how well do the marked points agree?",
        inputs=PointFitInputs,
        result=PointFitResult,
        compute=point_fit,
        example=PointFitInputs(
            (
                SpacePair(0.0, 0.0, 0.0, 100.1, 50.0, 20.0),
                SpacePair(600.0, 0.0, 0.0, 100.0, 650.2, 20.1),
                SpacePair(600.0, 400.0, 0.0, -300.1, 650.0, 20.0),
                SpacePair(0.0, 400.0, 240.0, -300.0, 50.1, 259.9),
            )
        ),
        formula="to = scale · R · from + translation; Σ |left|² least, det R = +1",
        sources=(
            Source("Kabsch 1976 for the rotation, Umeyama 1991 for the determinant and the scale", "from memory"),
        ),
        cautions=("Pairs far apart and not in one line hold the turn. A rigid part has the scale 1.",),
    ),
)
