"""What the mouldability of a nominal says, in plain sentences."""

import numpy as np

from metrology.bodies import Floats
from metrology.moulds.places import Place
from metrology.moulds.release import MouldKind
from metrology.wording import listed, quantity

# Less undercut than this share of what the mould touches is slivers of the mesh, not a shape.
_WORTH_NAMING = 1e-5
_WAYS = (("forwards", "backwards"), ("to the left", "to the right"), ("upwards", "downwards"))


def pull_words(pull: Floats) -> str:
    """ "upwards", "upwards and forwards (30° off upright)", "to the left (3° off)"."""
    axis = int(np.argmax(np.abs(pull)))
    main = _WAYS[axis][0 if pull[axis] > 0 else 1]
    off = float(np.degrees(np.arccos(min(abs(float(pull[axis])), 1.0))))
    if off < 0.05:
        return main
    others = np.argsort(-np.abs(pull), kind="stable")[1:]
    leaning = [_WAYS[k][0 if pull[k] > 0 else 1] for k in others if abs(pull[k]) > 0.02]
    also = f", leaning {listed(leaning)}" if leaning else ""
    return f"{main}{also} ({quantity(off, '', 0 if off >= 1 else 1)}° off)"


def area_words(area: float) -> str:
    """mm², cm² below one square metre's hundredth, m² above."""
    if area < 1_000:
        return quantity(area, "mm²", 0 if area >= 10 else 1)
    if area < 1e6:
        return quantity(area / 100, "cm²", 0 if area >= 1e4 else 1)
    return quantity(area / 1e6, "m²", 2)


def sentence(
    *,
    kind: MouldKind,
    pull: Floats,
    undercut: float,
    undercut_share: float,
    undercut_at: Place | None,
    draft: float | None,
    draft_at: Place | None,
    draft_wanted: float,
    wall: float | None,
    wall_at: Place | None,
    wall_wanted: float | None,
    spacing: float,
) -> str:
    """ "Comes out upwards: no undercut; least draft angle 1.2° on the left side at …; thinnest wall 18 mm at …"."""
    way = pull_words(pull)
    if undercut_share > _WORTH_NAMING and undercut_at is not None:
        share = quantity(100 * undercut_share, "%", 0 if undercut_share >= 0.095 else 1)
        parts = [f"Held back {way}: {area_words(undercut)} of undercut ({share} of what the mould touches), "
                 f"the largest {undercut_at.words}"]  # fmt: skip
    else:
        worth = f" worth naming ({area_words(undercut)})" if undercut > 0 else ""
        verb = f"Comes out {way}" if kind == "open-face" else f"One half comes off {way}, one the other way"
        parts = [f"{verb}: no undercut{worth}"]
    if draft is not None and draft_at is not None:
        short = f" ({quantity(draft_wanted, '', 1)}° is wanted)" if draft < draft_wanted - 5e-3 else ""
        parts.append(f"least draft angle {quantity(draft, '', 1 if draft >= 0.1 or draft == 0 else 2)}°{short} "
                     f"{draft_at.words}")  # fmt: skip
    if wall is not None and wall_at is not None:
        short = f" ({quantity(wall_wanted, 'mm', 0 if wall_wanted >= 10 else 1)} is wanted)" \
            if wall_wanted is not None and wall < wall_wanted - 1e-6 else ""  # fmt: skip
        parts.append(f"thinnest wall {quantity(wall, 'mm', 0 if wall >= 10 else 1)}{short} {wall_at.words}")
    return "; ".join(parts) + "."
