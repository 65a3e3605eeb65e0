"""What goes into a position report and what comes out of it."""

from dataclasses import dataclass
from typing import Literal

from metrology.alignment.model import MarkedPair
from metrology.bodies import Floats
from metrology.positions.assembly_frame import Drift

Placing = Literal["best fit", "marked points", "as scanned"]
Axes = Literal["assembly", "part"]

DIRECTIONS = ("forward/back", "left/right", "high/low")
TURNS = ("sideways lean", "tip forward/back", "turn in plan")


@dataclass(frozen=True)
class PositionSettings:
    """How to place and judge. uncertainty_mm: of the instrument, expanded, k = 2.

    placing: how the whole scan is first placed on the whole assembly: from an unknown pose, by marked pairs, or taken
    as it is because the scan is already in the assembly's frame. control: labels of the parts that the whole is then
    fitted to by least squares; none fits to all parts found, those far off having less say; with "as scanned" and no
    control parts the whole is not moved. axes: in whose axes the six numbers are given. search_mm: how far from its
    place a part is looked for.
    """

    uncertainty_mm: float
    placing: Placing = "best fit"
    pairs: tuple[MarkedPair, ...] = ()
    control: tuple[str, ...] = ()
    axes: Axes = "assembly"
    search_mm: float = 40.0
    seed: int = 0


@dataclass(frozen=True)
class PartPosition:
    """Where one part lies. Lengths in mm, at the middle of the part (the middle of the box around its nominal).

    found: enough of it is in the scan. slide: (3,) forward +, left +, up + in the axes chosen. turn_deg: (3,) about the
    forward, left and up axes, right-handed. slide_u, turn_u: (3,) each, expanded, k = 2. known: (6,) whether each of
    slide and then turn is determined by what the scan shows; what is not is given as 0. axes: (3, 3) rows, the axes
    chosen, in the assembly's frame. off: length of the slide as far as it is known; off_u. turned_deg: size of the
    whole turn; turned_u. position_mm, limit_mm: diameter of the tolerance zone and half of it. share: of the tolerance
    used, the larger of position and turn; None without tolerances. result, position_result, turn_result: conforms,
    does not conform, inconclusive, not measured, or "" where no tolerance was given. coverage: share of its surface in
    the scan. points: scan points it was fitted to. rms: mm. sentence: what it says; verdict: how it is judged.
    """

    label: str
    part: str
    found: bool
    middle: Floats
    axes: Floats
    slide: Floats
    slide_u: Floats
    turn_deg: Floats
    turn_u: Floats
    known: tuple[bool, ...]
    off: float
    off_u: float
    turned_deg: float
    turned_u: float
    position_mm: float | None
    turn_limit_deg: float | None
    share: float | None
    position_result: str
    turn_result: str
    result: str
    coverage: float
    points: int
    rms: float
    control: bool
    sentence: str
    verdict: str

    @property
    def limit_mm(self) -> float | None:
        return None if self.position_mm is None else self.position_mm / 2


@dataclass(frozen=True)
class PositionReport:
    """The parts in the order that matters: not conforming first, then by share of tolerance used, then by size.

    placement: (4, 4) from the scan file's own coordinates, mm, to the assembly. placed_by: in words. ambiguous: the
    whole fits its nominal in more than one way round. drift: of the whole, None where too few parts tell. result: the
    gravest of the parts'.
    """

    parts: tuple[PartPosition, ...]
    placement: Floats
    placed_by: str
    ambiguous: bool
    drift: Drift | None
    result: str
    sentence: str
    notes: tuple[str, ...]
    points_read: int
    settings: PositionSettings
    version: str
    stage_seconds: dict[str, float]
