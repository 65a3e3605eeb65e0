"""What each tolerance of a loop may be so that assemblies close often enough."""

from dataclasses import dataclass
from functools import lru_cache
from math import radians

from metrology.closure.closing import ANGLES, SDS_TO_LIMIT, PartLoop, RingShape, contributor_of, pieces_of, ring_of
from metrology.closure.loop_chance import GapLimits, factor_to_reach
from metrology.closure.ring_closure import factor_for

# Rings that each step of a search looks at.
FEW_RINGS = 2_000


@dataclass(frozen=True)
class Allowed:
    """Half tolerances of a member (of casts: three standard deviations), in its unit. now; alike: with all members
    changed by one factor; alone: this member alone changed. None: not to be had that way."""

    name: str
    now: float
    alike: float | None
    alone: float | None


@lru_cache(maxsize=64)
def allowed(loop: PartLoop, minimum: int, wanted: float, seed: int = 1) -> tuple[Allowed, ...]:
    """What the tolerances may be to reach a wanted chance; means stay. Raises InputError as `closes`."""
    if loop.ring is not None:
        return _ring_allowed(loop, loop.ring, minimum, wanted, seed)
    limits = GapLimits(loop.lower, loop.upper)
    kind, spread = pieces_of(loop, minimum)
    alike = factor_to_reach(kind, spread, limits, wanted, seed=seed)
    found = []
    for one in loop.members:
        part = contributor_of(one, minimum)
        now = part.half if part.spread == "normal" else SDS_TO_LIMIT * part.sd
        rows = [row for row, other in enumerate(spread) if other.name == one.name]
        alone = factor_to_reach(kind, spread, limits, wanted, rows=rows, seed=seed) if now > 0 else None
        found.append(Allowed(one.name, now, _times(now, alike), _times(now, alone)))
    return tuple(found)


def _times(now: float, factor: float | None) -> float | None:
    return None if factor is None else now * factor


def _ring_allowed(loop: PartLoop, shape: RingShape, minimum: int, wanted: float, seed: int) -> tuple[Allowed, ...]:
    ring, limits, members, errors, _, _ = ring_of(loop, shape, minimum)

    def factor(kind: str | None) -> float | None:
        return factor_for(ring, errors, limits, wanted, fixed=shape.fixed, seed=seed, kind=kind, assemblies=FEW_RINGS)

    alike = factor(None)
    found = []
    for role, one in members.items():
        now = SDS_TO_LIMIT * getattr(errors, role).sd / (radians(1) if role in ANGLES else 1.0)
        found.append(Allowed(one.name, now, _times(now, alike), _times(now, factor(role)) if now > 0 else None))
    return tuple(found)
