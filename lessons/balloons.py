"""Where the numbered balloons of a photo stand, so that they hide neither a marked place nor one another."""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import product
from math import cos, hypot, pi, sin

WIDTH = 640.0  # the drawing's own width; its height follows from the photo
RADIUS = 19.0
REACHES = (78.0, 120.0)
WAYS = 16


@dataclass(frozen=True)
class Balloon:
    """A marked place (x, y) and its balloon (cx, cy), in the drawing's units; (ex, ey) is where the leader ends."""

    number: int
    text: str
    x: float
    y: float
    cx: float
    cy: float
    ex: float
    ey: float


def drawn_height(width: int, height: int) -> float:
    """Height of the drawing of a photo of this size, in pixels or any other unit."""
    return round(WIDTH * height / width, 1)


def place_balloons(marks: Sequence[tuple[int, str, float, float]], width: int, height: int) -> list[Balloon]:
    """marks: (number, text, x, y) with x, y as shares from the top left. width, height: the photo's.

    Each balloon stands beside its place, inside the photo, where it is farthest from all places and other balloons.
    """
    tall = drawn_height(width, height)
    points = [(x * WIDTH, y * tall) for _, _, x, y in marks]
    placed: list[Balloon] = []
    for (number, text, _, _), (x, y) in zip(marks, points, strict=True):
        taken = points + [(one.cx, one.cy) for one in placed]
        cx, cy = max(_candidates(x, y, tall), key=lambda spot: _room(spot, taken, tall))
        away = hypot(cx - x, cy - y) or 1.0
        share = max(0.0, 1 - RADIUS / away)
        placed.append(Balloon(number, text, x, y, cx, cy, x + (cx - x) * share, y + (cy - y) * share))
    return placed


def _candidates(x: float, y: float, tall: float) -> list[tuple[float, float]]:
    edge = RADIUS + 4
    spots = []
    for reach, way in product(REACHES, range(WAYS)):
        cx, cy = x + reach * cos(2 * pi * way / WAYS), y - reach * sin(2 * pi * way / WAYS)
        spots.append((min(max(cx, edge), WIDTH - edge), min(max(cy, edge), max(tall - edge, edge))))
    return spots


def _room(spot: tuple[float, float], taken: list[tuple[float, float]], tall: float) -> float:
    """How free a spot is: the distance to what is nearest, of which more than enough counts no more; then outwards."""
    free = min([hypot(spot[0] - a, spot[1] - b) for a, b in taken], default=WIDTH)
    outwards = hypot(spot[0] - WIDTH / 2, spot[1] - tall / 2)
    return min(free, 3.2 * RADIUS) * 100 + outwards
