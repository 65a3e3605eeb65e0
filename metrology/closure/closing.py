"""Whether assemblies of real parts close: a loop of characteristics, each from measured casts or from its tolerance."""

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import lru_cache
from math import radians

import numpy as np

from metrology.bodies import Floats
from metrology.closure.loop_chance import GapLimits, closing_chance, remedies
from metrology.closure.loop_formula import FormulaLoop
from metrology.closure.loops import Contributor, LinearLoop, Loop, stack_up
from metrology.closure.ring_chain import Errors, Ring
from metrology.closure.ring_chance import chances_behind, spreads_of
from metrology.closure.ring_closure import (
    FREE_KINDS,
    KINDS,
    PLACES,
    Limits,
    PieceErrors,
    Spread,
    chance,
    chance_fixed,
    chance_free,
    simulate_fixed,
    simulate_free,
    spoilers,
)
from metrology.errors import InputError
from metrology.statistics.tolerance_interval import clopper_pearson

# A normal dimension has its limits at three standard deviations: common practice, no source.
SDS_TO_LIMIT = 3.0
ASSEMBLIES = 50_000
RINGS = 10_000
ANGLES = ("angle", "pitch")


@dataclass(frozen=True)
class Member:
    """One dimension of a loop, in its own unit (mm, or degrees).

    times: so many pieces of it stand in the loop, each drawn by itself. role: what it is in a ring, one of
    `ring_closure.KINDS`; empty elsewhere. casts: (serial, value) of measured casts, empty for what is not cast.
    """

    name: str
    nominal: float
    lower: float
    upper: float
    sensitivity: float = 1.0
    times: int = 1
    role: str = ""
    part: str = ""
    casts: tuple[tuple[str, float], ...] = ()

    @property
    def is_cast(self) -> bool:
        return bool(self.part)

    def from_casts(self, minimum: int) -> bool:
        return len(self.casts) >= max(2, minimum)


@dataclass(frozen=True)
class RingShape:
    """As `ring_chain.Ring`, and how it is built: fixed on set-out places, or piece against piece. step, height: the
    largest steps allowed, mm; None: not limited."""

    pieces: int
    chord: float
    joint: float
    depth: float
    fixed: bool
    step: float | None = None
    height: float | None = None


@dataclass(frozen=True)
class PartLoop:
    """What closes. formula: of the members' names; empty: the sum of sensitivity times dimension. ring: then neither.

    lower, upper: limits of the gap; of a ring those of its joints.
    """

    members: tuple[Member, ...]
    lower: float | None
    upper: float | None
    formula: str = ""
    ring: RingShape | None = None


@dataclass(frozen=True)
class Change:
    """A proposal for one member. tolerance: ± about its mean, at three standard deviations; shift: of its mean."""

    tolerance: float | None = None
    shift: float = 0.0


@dataclass(frozen=True)
class Spoiler:
    """share: of the gap's variance; of a ring the chance if this error were gone."""

    name: str
    share: float
    from_casts: bool


@dataclass(frozen=True)
class Better:
    """One change: "halve" the spread of a member, "shift" its mean, or build a ring on "places" (no member's name)."""

    name: str
    kind: str
    shift: float
    share: float


@dataclass(frozen=True)
class Closes:
    """share, low, high: chance of closing, and its bounds each at the confidence. too_small, too_large: shares of
    gaps below and above the limits. middle, sd: of the gap (of a ring: the last, or the narrowest joint). least, most:
    worst case, None for a ring. gaps: (assemblies,). spoilers: worst first. better: best first.
    """

    share: float
    low: float
    high: float
    too_small: float
    too_large: float
    middle: float
    sd: float
    least: float | None
    most: float | None
    spoilers: tuple[Spoiler, ...]
    better: tuple[Better, ...]
    from_casts: tuple[str, ...]
    gaps: Floats = field(repr=False, compare=False)


def changed(loop: PartLoop, changes: Mapping[str, Change], *, minimum: int, fixed: bool | None = None) -> PartLoop:
    """The loop with proposals for some members. A member with a tolerance of its own is no longer drawn from casts."""
    members = tuple(_changed(one, changes.get(one.name), minimum) for one in loop.members)
    ring = loop.ring if loop.ring is None or fixed is None else replace(loop.ring, fixed=fixed)
    return replace(loop, members=members, ring=ring)


def _changed(one: Member, change: Change | None, minimum: int) -> Member:
    if change is None:
        return one
    shift = change.shift
    if change.tolerance is None:
        casts = tuple((serial, value + shift) for serial, value in one.casts)
        return replace(one, lower=one.lower + shift, upper=one.upper + shift, casts=casts)
    middle = (one.lower + one.upper) / 2
    if one.from_casts(minimum):
        middle = float(np.mean([value for _, value in one.casts]))
    middle += shift
    return replace(one, lower=middle - change.tolerance, upper=middle + change.tolerance, casts=())


@lru_cache(maxsize=64)
def closes(loop: PartLoop, minimum: int, confidence: float, seed: int = 1) -> Closes:
    """The chance that assemblies close. Members with at least `minimum` casts are drawn from them.

    Deterministic, and kept for the same question asked again. Raises InputError: no-contributors, no-limits, the
    errors of formulas and rings.
    """
    if not loop.members:
        raise InputError("no-contributors", "Give at least one dimension that adds to the gap.")
    if loop.ring is not None:
        return _ring_closes(loop, loop.ring, minimum, confidence, seed)
    limits = GapLimits(loop.lower, loop.upper)
    kind, spread = pieces_of(loop, minimum)
    stack = stack_up(kind, spread)
    found = closing_chance(kind, spread, limits, confidence=confidence, assemblies=ASSEMBLIES, seed=seed)
    shares: dict[str, float] = dict.fromkeys((one.name for one in loop.members), 0.0)
    for part, share in zip(spread, stack.shares, strict=True):
        shares[part.name] += float(share)
    measured = {one.name for one in loop.members if one.from_casts(minimum)}
    ranked = sorted(shares.items(), key=lambda pair: -pair[1])
    return Closes(
        share=found.share,
        low=found.low,
        high=found.high,
        too_small=found.too_small,
        too_large=found.too_large,
        middle=float(found.gaps.mean()),
        sd=stack.sd,
        least=stack.least,
        most=stack.most,
        spoilers=tuple(Spoiler(name, share, name in measured) for name, share in ranked),
        better=tuple(
            Better(one.name, one.kind, one.shift, one.share) for one in remedies(kind, spread, limits, seed=seed)
        ),
        from_casts=tuple(sorted(measured)),
        gaps=found.gaps,
    )


def pieces_of(loop: PartLoop, minimum: int) -> tuple[Loop, list[Contributor]]:
    """The loop with a contributor for each piece."""
    parts = [contributor_of(one, minimum) for one in loop.members]
    if loop.formula:
        return FormulaLoop(loop.formula, [one.name for one in loop.members]), parts
    spread = [part for part, one in zip(parts, loop.members, strict=True) for _ in range(one.times)]
    return LinearLoop(tuple(one.sensitivity for one in loop.members for _ in range(one.times))), spread


def contributor_of(one: Member, minimum: int) -> Contributor:
    if one.from_casts(minimum):
        values = tuple(value for _, value in one.casts)
        return Contributor(one.name, one.nominal, one.lower, one.upper, "measured", measured=values)
    return Contributor(one.name, one.nominal, one.lower, one.upper, "normal", SDS_TO_LIMIT)


# ---- rings -----------------------------------------------------------------------------------------------------------


def ring_of(
    loop: PartLoop, shape: RingShape, minimum: int
) -> tuple[Ring, Limits, dict[str, Member], PieceErrors, Errors | None, tuple[str, ...]]:
    """The ring, its limits, its members by role, how they vary, its casts and which roles these tell."""
    if all(one is None for one in (loop.lower, loop.upper, shape.step, shape.height)):
        raise InputError("no-limits", "Give at least one limit of the joints.")
    limits = Limits(
        -np.inf if loop.lower is None else loop.lower,
        np.inf if loop.upper is None else loop.upper,
        np.inf if shape.step is None else shape.step,
        np.inf if shape.height is None else shape.height,
    )
    kinds = KINDS if shape.fixed else FREE_KINDS
    members = {one.role: one for one in loop.members if one.role in kinds}
    if not members:
        raise InputError("no-errors", "Give at least one error of the pieces: length, angle, height or pitch.")
    casts, measured = _cast_errors(members, minimum)
    errors = PieceErrors(**{role: _spread(one) for role, one in members.items()})
    if casts is not None:
        told = spreads_of(casts)
        errors = replace(errors, **{role: getattr(told, role) for role in measured})
    return Ring(shape.pieces, shape.chord, shape.joint, shape.depth), limits, members, errors, casts, measured


def _ring_closes(loop: PartLoop, shape: RingShape, minimum: int, confidence: float, seed: int) -> Closes:
    ring, limits, members, errors, casts, measured = ring_of(loop, shape, minimum)
    if shape.fixed:
        joints = simulate_fixed(ring, errors, RINGS, seed)
        share, gaps = chance_fixed(joints, limits), joints.narrowest
    else:
        closing = simulate_free(ring, errors, RINGS, seed)
        share, gaps = chance_free(closing, limits), closing.gap
    if casts is None:
        low, high = clopper_pearson(share.inside, share.assemblies, 1 - confidence, 1 - confidence)
    else:
        shares = chances_behind(ring, casts, limits, fixed=shape.fixed, seed=seed, others=errors)
        low, high = (float(end) for end in np.quantile(shares, [1 - confidence, confidence]))
    gone = spoilers(ring, errors, limits, fixed=shape.fixed, seed=seed, assemblies=RINGS)
    names = [(members[role].name, role, without) for role, without in gone]
    return Closes(
        share=share.share,
        low=low,
        high=high,
        too_small=float((gaps < limits.least_gap).mean()),
        too_large=float((gaps > limits.most_gap).mean()),
        middle=float(gaps.mean()),
        sd=float(gaps.std()),
        least=None,
        most=None,
        spoilers=tuple(Spoiler(name, without, role in measured) for name, role, without in names),
        better=_ring_better(
            ring, errors, limits, shape.fixed, {role: members[role].name for role in members}, loop, seed
        ),
        from_casts=tuple(sorted(members[role].name for role in measured)),
        gaps=gaps,
    )


def _ring_better(
    ring: Ring, errors: PieceErrors, limits: Limits, fixed: bool, names: Mapping[str, str], loop: PartLoop, seed: int
) -> tuple[Better, ...]:
    found = []
    for role, name in names.items():
        after = chance(ring, errors.scaled(0.5, role), limits, fixed=fixed, assemblies=RINGS, seed=seed)
        found.append(Better(name, "halve", 0.0, after.share))
    places = {one.role: _spread(one) for one in loop.members if one.role in PLACES}
    if not fixed and places:
        on_places = replace(errors, **places)
        found.append(
            Better("", "places", 0.0, chance(ring, on_places, limits, fixed=True, assemblies=RINGS, seed=seed).share)
        )
    return tuple(sorted(found, key=lambda one: -one.share))


def _spread(one: Member) -> Spread:
    turn = radians(1) if one.role in ANGLES else 1.0
    middle = (one.lower + one.upper) / 2 - one.nominal
    return Spread(middle * turn, (one.upper - one.lower) / 2 / SDS_TO_LIMIT * turn)


def _cast_errors(members: Mapping[str, Member], minimum: int) -> tuple[Errors | None, tuple[str, ...]]:
    """Errors of the casts that have every kind which is measured, (n, 1) each; and these kinds."""
    measured = tuple(role for role, one in members.items() if one.from_casts(minimum))
    values = {role: dict(members[role].casts) for role in measured}
    whole = sorted(set.intersection(*(set(one) for one in values.values()))) if values else []
    if len(whole) < max(2, minimum):
        return None, ()
    found = {}
    for role in measured:
        turn = radians(1) if role in ANGLES else 1.0
        found[role] = np.array([[(values[role][serial] - members[role].nominal) * turn] for serial in whole])
    return Errors(**found), measured


def verdict(found: Closes, wanted: float) -> str:
    """ "pass" when the chance is surely reached, "fail" when it surely is not, else "inconclusive"."""
    if found.low >= wanted:
        return "pass"
    return "fail" if found.high < wanted else "inconclusive"
