"""Alignment by marked points: pairs of a place on the scan and the same place on the nominal."""

import numpy as np

from metrology.alignment.fine_fit import motions
from metrology.alignment.model import MarkedPair, Support
from metrology.alignment.pose_uncertainty import Equations
from metrology.alignment.registration import fit_rotation
from metrology.bodies import Floats
from metrology.errors import AlignmentError, InputError
from metrology.surfaces.surface import Surface
from metrology.wording import count, number, quantity

FEWEST_PAIRS = 3
# Two marks nearer than this share of the greatest distance between marks are one mark.
_ONE_PLACE = 0.005
# Marks that spread less than this share of their length across it lie on one line.
_ONE_LINE = 0.02
# Lengths between marks on scan and nominal that differ by more than this share are another unit or another part.
_OTHER_SIZE = 0.05
# Residuals beyond this share of the spread of the marks: the pairs contradict each other.
_CONTRADICT = 0.05
# A mirrored fit that leaves less than this share of the residual.
_MIRRORED = 0.5


def fit_pairs(pairs: tuple[MarkedPair, ...]) -> tuple[Floats, tuple[Support, ...]]:
    """The pose (4, 4), scan to nominal, that fits the pairs best by least squares without weights, and the residual of
    each pair.

    Raises InputError for coordinates that are not numbers, AlignmentError with code "too-few-pairs", "same-place",
    "on-one-line", "other-size", "mirrored" or "contradict" for pairs that do not tell where the scan lies.
    """
    if len(pairs) < FEWEST_PAIRS:
        raise AlignmentError(
            "too-few-pairs", f"{count(len(pairs), 'pair is', 'pairs are')} marked; mark at least three, far apart."
        )
    scan = np.array([pair.scan for pair in pairs], dtype=np.float64)
    nominal = np.array([pair.nominal for pair in pairs], dtype=np.float64)
    if not (np.isfinite(scan).all() and np.isfinite(nominal).all()):
        raise InputError("not-a-number", "A marked point has a coordinate that is not a number. Mark it again.")
    names = [pair.name or f"pair {place}" for place, pair in enumerate(pairs, start=1)]
    for points, where in ((scan, "on the scan"), (nominal, "on the nominal")):
        _refuse_degenerate(points, where, names)
    _refuse_other_size(scan, nominal)
    turn, shift, rms = fit_rotation(scan, nominal)
    offsets = scan @ turn.T + shift - nominal
    size = _greatest(nominal)
    _refuse_mirrored(scan, nominal, rms, size)
    away = np.linalg.norm(offsets, axis=1)
    if rms > _CONTRADICT * size:
        worst = int(np.argmax(away))
        raise AlignmentError(
            "contradict",
            f"The marked points contradict each other: however the scan is placed, they are {quantity(rms, 'mm', 1)} "
            f"apart, most {names[worst]} with {quantity(float(away[worst]), 'mm', 1)}. Check that each pair marks the "
            "same place on both.",
        )
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = turn, shift
    supports = tuple(
        Support(name, "pair", 1, float("nan"), float(distance), float(distance), 0.0, offset)
        for name, distance, offset in zip(names, away, offsets, strict=True)
    )
    return matrix, supports


def pair_equations(pairs: tuple[MarkedPair, ...], supports: tuple[Support, ...], surface: Surface) -> Equations:
    """What the pose that fits the pairs satisfies, three rows a pair, for its uncertainty."""
    at = np.array([pair.nominal for pair in pairs], dtype=np.float64) - surface.centroid
    rows = np.concatenate([motions(at, np.broadcast_to(axis, at.shape), surface.diagonal / 2) for axis in np.eye(3)])
    offsets = np.array([one.offset for one in supports if one.offset is not None])
    ones = np.ones(len(rows))
    return Equations(rows, rows, np.eye(6), offsets.T.reshape(-1), ones, ones, (), 0.0)


def _greatest(points: Floats) -> float:
    return float(np.linalg.norm(points[:, None] - points[None], axis=2).max())


def _refuse_degenerate(points: Floats, where: str, names: list[str]) -> None:
    away = np.linalg.norm(points[:, None] - points[None], axis=2)
    size = float(away.max())
    close = np.argwhere(np.triu(away <= _ONE_PLACE * size, 1))
    if len(close):
        one, other = (names[int(k)] for k in close[0])
        raise AlignmentError(
            "same-place",
            f"Two points {where} mark the same place: {one} and {other} lie "
            f"{quantity(float(away[tuple(close[0])]), 'mm', 1)} apart. Move one of them, far from the others.",
        )
    spread = np.linalg.svd(points - points.mean(axis=0), compute_uv=False)
    if spread[1] <= _ONE_LINE * spread[0]:
        raise AlignmentError(
            "on-one-line",
            f"The points marked {where} lie on one line, so the part could turn about it. Mark one off the line.",
        )


def _refuse_other_size(scan: Floats, nominal: Floats) -> None:
    across, nominal_across = (float(np.sqrt(((points - points.mean(axis=0)) ** 2).sum())) for points in (scan, nominal))
    ratio = nominal_across / across
    if abs(np.log(ratio)) > np.log1p(_OTHER_SIZE):
        sizes = (
            f"{quantity(_greatest(scan), 'mm', 1)} on the scan, {quantity(_greatest(nominal), 'mm', 1)} on the nominal"
        )
        raise AlignmentError(
            "other-size",
            f"The marked points are not equally far apart: at most {sizes}, a ratio of {number(ratio, 3)}. Check the "
            "unit of the scan and that each pair marks the same place on both.",
        )


def _refuse_mirrored(scan: Floats, nominal: Floats, rms: float, size: float) -> None:
    """Four points or more that are not in one plane tell a part from its mirror image."""
    flat = np.linalg.svd(nominal - nominal.mean(axis=0), compute_uv=False)[2] <= _ONE_LINE * size
    if flat or rms <= 0.25 * _CONTRADICT * size:
        return
    mirrored = fit_rotation(scan * [-1.0, 1.0, 1.0], nominal)[2]
    if mirrored < _MIRRORED * rms:
        raise AlignmentError(
            "mirrored",
            f"The marked points fit the mirror image of the nominal (residual {quantity(mirrored, 'mm', 1)}) better "
            f"than the nominal itself ({quantity(rms, 'mm', 1)}). Check that the export does not mirror the scan and "
            "that no two pairs are exchanged.",
        )
