"""Carrying out an alignment as it was asked for, and reporting what it rests on."""

from dataclasses import replace
from functools import cached_property

import numpy as np

from metrology.alignment.contest import FAR_SHARE
from metrology.alignment.datum import align_by_datums
from metrology.alignment.fine_fit import REACH, Fit, fit, motions
from metrology.alignment.marked_points import fit_pairs, pair_equations
from metrology.alignment.model import (
    BEST_FIT,
    DATUM,
    MARKED,
    Alignment,
    AlignmentReport,
    BestFit,
    DatumAlignment,
    Locked,
    MarkedPoints,
    OtherPose,
    Support,
)
from metrology.alignment.pose_uncertainty import Equations, patches_of, pose_uncertainty
from metrology.alignment.registration import STAGE, Placed, Rival, Ticker, finish, picked, place
from metrology.alignment.scan_points import Chosen, choose, common_body, evenly, off_planes
from metrology.alignment.voxels import Target
from metrology.alignment.words import axis_words, difference, pose_words
from metrology.bodies import Floats, Ints, Progress, silent
from metrology.errors import AlignmentError, InputError
from metrology.surfaces.edges import beside_edges, sharp_edges
from metrology.surfaces.surface import Flags, Surface, sample
from metrology.wording import count, listed, quantity

# Points beside the part that are worth a note, as a share; how close to an edge points are unsure, in residuals.
_WORTH_SAYING, _EDGE = 0.05, 4.0


def align(
    surface: Surface, points: Floats, asked: Alignment, *, seed: int = 0, progress: Progress = silent
) -> AlignmentReport:
    """Place a scan as asked. points: (n, 3) mm, scan frame. See `align_with_best_fit` for errors."""
    return align_with_best_fit(surface, points, asked, seed=seed, progress=progress)[0]


def align_with_best_fit(
    surface: Surface, points: Floats, asked: Alignment, *, seed: int = 0, progress: Progress = silent
) -> tuple[AlignmentReport, AlignmentReport]:
    """Place a scan as asked, and by best fit beside it: found by search, or from marked points where there are any.

    Both are the same when a plain best fit is asked for. Same input and seed, same answer. Raises AlignmentError when
    the scan cannot be placed so, with the reason; InputError for coordinates that are not numbers and for locked
    motions without a start or a start that is not rigid.
    """
    progress(STAGE, 0.0)
    work = _Work(surface, points, seed, progress)
    answer = work.carried_out(asked)
    progress(STAGE, 1.0)
    return answer


class _Work:
    """One alignment under way: what its steps share."""

    def __init__(self, surface: Surface, points: Floats, seed: int, progress: Progress) -> None:
        self.surface, self.points, self.seed, self.progress = surface, points, seed, progress
        self.few = picked(points, seed)
        self.tick = Ticker(progress)

    @cached_property
    def target(self) -> Target:
        return Target(self.surface, self.surface.coarse)

    @cached_property
    def body(self) -> tuple[Floats, Chosen]:
        """The middle of what was scanned, and the points to align by: without tables."""
        body, planes = common_body(self.few, self.surface, self.seed)
        return body.mean(axis=0), choose(self.few[off_planes(self.few, planes)])

    def carried_out(self, asked: Alignment) -> tuple[AlignmentReport, AlignmentReport]:
        match asked:
            case DatumAlignment():
                return self._by_datums(asked)
            case MarkedPoints():
                return self._by_marks(asked)
            case BestFit(start=None, locked=()):
                best = self._report_best(place(self.surface, self.points, seed=self.seed, progress=self.progress))
                return best, best
            case BestFit(start=None):
                raise InputError(
                    "nothing-to-hold", "Locked motions need an alignment to hold them from: datums or marked points."
                )
        return self._from_start(asked)

    def _by_datums(self, asked: DatumAlignment) -> tuple[AlignmentReport, AlignmentReport]:
        if asked.start is None:
            rough = place(self.surface, self.points, seed=self.seed, progress=self.progress)
        else:
            rough = self._near(fit_pairs(asked.start.pairs)[0], self._open(()))
            self._refuse_elsewhere(rough)
        best = self._report_best(rough, "from the marked points" if asked.start else "")
        datums = align_by_datums(self.surface, self.few, rough.pose.matrix, asked, self.tick)
        as_it_is = self._near(datums.matrix, self._open(()), steps=0, rival=rough.rival, beside=rough.beside)
        names = [f"“{region.name}”" for region in (asked.primary, asked.secondary, asked.tertiary)]
        trimmed = sum(one.points * one.trimmed_share / max(1e-9, 1 - one.trimmed_share) for one in datums.supports)
        held = sum(one.points for one in datums.supports)
        pose = replace(
            as_it_is.pose,
            iterations=datums.iterations,
            converged=True,
            trimmed_share=float(trimmed / max(trimmed + held, 1)),
            ambiguous=rough.rival is not None and rough.rival.almost,
        )
        report = AlignmentReport(
            kind=DATUM,
            basis=f"Datum alignment: the plane of {names[0]}, then the line of {names[1]}, then a point of {names[2]}"
            + (", looked for from the marked points." if asked.start else "."),
            pose=pose,
            coverage=_coverage(self.surface, as_it_is),
            supports=datums.supports,
            other=self._other(rough.rival, datums.matrix),
            uncertainty=pose_uncertainty(self.surface, datums.equations, self.surface.coarse),
            notes=best.notes,
        )
        return report, best

    def _by_marks(self, asked: MarkedPoints) -> tuple[AlignmentReport, AlignmentReport]:
        matrix, supports = fit_pairs(asked.pairs)
        standing = self._near(matrix, self._open(()), steps=0)
        self._refuse_elsewhere(standing)
        refined = self._near(matrix, self._open(()))
        best = self._report_best(refined, "from the marked points")
        pairs = count(len(asked.pairs), "pair")
        if asked.refined:
            moved = difference(matrix, refined.pose.matrix, self.surface)
            note = (
                f"The fit to the surface moved the part by up to {quantity(moved.greatest_mm, 'mm', 2)} from the marks."
            )
            refitted = self._marked_again(asked, refined.pose.matrix)
            report = replace(
                best,
                kind=MARKED,
                basis=f"Marked points: {pairs}, then fitted to the whole surface from there.",
                supports=(*best.supports, *refitted),
                notes=(*best.notes, note),
            )
            return report, best
        rms = float(np.sqrt(np.mean([one.rms**2 for one in supports])))
        report = AlignmentReport(
            kind=MARKED,
            basis=f"Marked points: {pairs}, root mean square {quantity(rms, 'mm', 2)}.",
            pose=replace(standing.pose, iterations=1, converged=True, trimmed_share=0.0, ambiguous=False),
            coverage=_coverage(self.surface, standing),
            supports=supports,
            other=None,
            uncertainty=pose_uncertainty(
                self.surface, pair_equations(asked.pairs, supports, self.surface), self.surface.coarse
            ),
            notes=self._off_surface(asked),
        )
        return report, best

    def _from_start(self, asked: BestFit) -> tuple[AlignmentReport, AlignmentReport]:
        """Best fit from a given start, some motions locked perhaps."""
        start, best = asked.start, None
        if isinstance(start, DatumAlignment | MarkedPoints):
            began, best = self.carried_out(start)
            matrix, whence = began.pose.matrix, began.kind
        else:
            matrix, whence = _rigid(start), "the pose given"
        open_ = self._open(asked.locked)
        placed = self._near(matrix, open_)
        if not isinstance(start, DatumAlignment | MarkedPoints):
            self._refuse_elsewhere(placed)
        said = f"from {whence}"
        if asked.locked:
            said += f", {listed([_locked_words(lock) for lock in asked.locked], 6)} held"
        report = self._report_best(placed, said, open_)
        if best is None or not asked.locked:
            best = (
                report if not asked.locked else self._report_best(self._near(matrix, self._open(())), f"from {whence}")
            )
        return report, best

    def _near(
        self,
        matrix: Floats,
        open_: Floats,
        *,
        steps: int = 60,
        rival: Rival | None = None,
        beside: float = 0.0,
    ) -> Placed:
        """The scan at a pose that is known: fitted from there with the open motions, or judged as it lies."""
        middle, chosen = self.body
        turn, shift = matrix[:3, :3], matrix[:3, :3] @ middle + matrix[:3, 3] - self.surface.centroid
        near = evenly(chosen.all, 4_000) - middle
        first: Fit = fit(self.surface, near, turn, shift, min(steps, 15), self.tick, None, open_)
        return finish(
            self.surface, self.target, chosen, len(self.few), middle, first, rival, self.tick,
            allowed=open_, steps=steps, beside=beside,
        )  # fmt: skip

    def _open(self, locked: tuple[Locked, ...]) -> Floats:
        """Motions that are not locked, (6, k) orthonormal."""
        if not locked:
            return np.eye(6)
        rows = []
        for lock in locked:
            axis = np.asarray(lock.axis, dtype=np.float64)
            if not (np.isfinite(axis).all() and np.linalg.norm(axis) > 0):
                raise InputError("locked-axis", "A locked motion needs an axis: three numbers that are not all 0.")
            unit = axis / np.linalg.norm(axis)
            rows.append(np.concatenate([unit, np.zeros(3)] if lock.motion == "along" else [np.zeros(3), unit]))
        _, sizes, ways = np.linalg.svd(np.array(rows))
        held = int((sizes > 1e-9).sum())
        if held == 6:
            raise InputError("all-locked", "All motions are locked, so nothing is left to fit. Free at least one.")
        return ways[held:].T

    def _report_best(
        self, placed: Placed, whence: str = "from an unknown pose", open_: Floats | None = None
    ) -> AlignmentReport:
        last = placed.last
        surface = self.surface
        owners = surface.coarse.nearest(last.placed + surface.centroid, last.facing)[1]
        coverage = _coverage(surface, placed, owners)
        held = np.eye(6) if open_ is None else open_
        share = placed.stands_for / placed.stands_for.mean()
        smooth = np.sqrt(last.weights / share)
        sound = _told_by_faces(surface, placed)
        rows = motions(last.placed, last.facing, surface.diagonal / 2)
        equations = Equations(
            rows=rows,
            asked=rows @ held,
            open=held,
            residuals=last.residuals,
            weights=last.weights * sound,
            slope=share * smooth * (1.0 - 5.0 * (1.0 - smooth)) * sound,
            patches=patches_of(surface, owners),
            unseen=1.0 - coverage,
        )
        used = last.weights > 0
        off = last.residuals[used]
        whole = Support(
            "the surface", "whole surface", int(used.sum()), coverage, placed.pose.rms,
            float(off[np.argmax(np.abs(off))]), placed.pose.trimmed_share,
        )  # fmt: skip
        uncertainty = pose_uncertainty(surface, equations, self.surface.coarse)
        return AlignmentReport(
            kind=BEST_FIT,
            basis=f"Best fit to the whole surface, {whence or 'from an unknown pose'}.",
            pose=replace(placed.pose, ambiguous=placed.pose.ambiguous or bool(uncertainty.free)),
            coverage=coverage,
            supports=(whole,),
            other=self._other(placed.rival, placed.pose.matrix),
            uncertainty=uncertainty,
            notes=_apart(placed, surface),
        )

    def _other(self, rival: Rival | None, matrix: Floats) -> OtherPose | None:
        if rival is None:
            return None
        words = pose_words(matrix, rival.matrix, self.surface)
        return OtherPose(rival.rms, rival.best_rms, rival.almost, words, rival.matrix)

    def _marked_again(self, asked: MarkedPoints, matrix: Floats) -> tuple[Support, ...]:
        """The pairs once more, where the fit to the surface has carried them."""
        found = []
        for number, pair in enumerate(asked.pairs, start=1):
            offset = matrix[:3, :3] @ np.array(pair.scan) + matrix[:3, 3] - np.array(pair.nominal)
            away = float(np.linalg.norm(offset))
            found.append(Support(pair.name or f"pair {number}", "pair", 1, float("nan"), away, away, 0.0, offset))
        return tuple(found)

    def _off_surface(self, asked: MarkedPoints) -> tuple[str, ...]:
        """A note for nominal marks that do not lie on the nominal."""
        at = np.ascontiguousarray([pair.nominal for pair in asked.pairs], dtype=np.float64)
        away = np.abs(self.surface.closest(at)[0])
        far = [
            f"{pair.name or f'pair {number}'} by {quantity(float(off), 'mm', 1)}"
            for number, (pair, off) in enumerate(zip(asked.pairs, away, strict=True), start=1)
            if off > REACH * self.surface.diagonal
        ]
        return (f"Marked off the surface of the nominal: {listed(far, 6)}.",) if far else ()

    def _refuse_elsewhere(self, placed: Placed) -> None:
        """A start that was given must put the scan on the nominal, or the part is not where it was said to be."""
        away = np.abs(placed.last.residuals)
        near = away[away < 5 * REACH * self.surface.diagonal]
        if len(near) < 0.25 * len(away) or (near > REACH * self.surface.diagonal).mean() > FAR_SHARE:
            raise AlignmentError(
                "elsewhere",
                f"So placed, the scan does not lie on the nominal: half of its points are more than "
                f"{quantity(float(np.median(away)), 'mm', 0)} off. Check that each pair marks the same place on both, "
                "and the unit of the file.",
            )


def _apart(placed: Placed, surface: Surface) -> tuple[str, ...]:
    """Notes on what the scan shows besides the part."""
    off = float((np.abs(placed.last.residuals) > REACH * surface.diagonal).mean())
    notes = []
    if placed.beside:
        notes.append("A second body that fits the nominal stands beside the part in the scan; it was left out.")
    if off > _WORTH_SAYING:
        notes.append(
            f"{quantity(100 * off, '%', 0)} of the points aligned by lie apart from the part: no weight was given."
        )
    return tuple(notes)


def _told_by_faces(surface: Surface, placed: Placed) -> Flags:
    """Points that a face tells where they belong, or the rim of an open surface.

    Noise puts points of one face closer to its neighbour when they lie beside a sharp edge, and then they seem to hold
    the part along the first face, from one side only: they are not counted on.
    """
    last = placed.last
    sharp, rim = sharp_edges(surface)
    unsure = beside_edges(surface, last.faces, last.closest, sharp & ~rim, _EDGE * placed.pose.rms)
    told: Flags = ~unsure
    return told


def _rigid(rows: object) -> Floats:
    matrix = np.array(rows, dtype=np.float64)
    turn = matrix[:3, :3] if matrix.shape == (4, 4) else np.zeros((3, 3))
    sound = np.isfinite(matrix).all() and np.allclose(turn @ turn.T, np.eye(3), atol=1e-6)
    if not (sound and np.linalg.det(turn) > 0 and np.allclose(matrix[3], [0, 0, 0, 1])):
        raise InputError(
            "not-rigid", "The pose to start from must be a rotation and a shift: no scale and no mirror image."
        )
    return matrix


def _locked_words(lock: Locked) -> str:
    return (
        f"{'sliding along' if lock.motion == 'along' else 'turning about'} {axis_words(np.asarray(lock.axis, float))}"
    )


def _coverage(surface: Surface, placed: Placed, owners: Ints | None = None) -> float:
    """Share of the nominal's area with points that the pose rests on, as finely as the points allow. owners: (n,) the
    sample of `surface.coarse` that each point belongs to, where that is known."""
    used = placed.last.weights > 0
    if not used.any():
        return 0.0
    count = int(np.clip(used.sum() // 8, 100, 2500))
    if count < 2500 or owners is None:
        places = surface.coarse if count == 2500 else sample(surface, count)
        at = placed.last.placed[used] + surface.centroid
        owned = places.nearest(at, placed.last.facing[used])[1]
    else:
        owned = owners[used]
    return float((np.bincount(owned, minlength=count) > 0).mean())
