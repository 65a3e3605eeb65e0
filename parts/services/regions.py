"""Regions: named parts of the nominal surface, found on it again whenever it is replaced."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from typing import Any

from django.db import transaction

from logbook.services import record
from metrology.errors import InputError, MetrologyError
from metrology.surfaces.selection import AllOf, Box, Chosen, Facing, Grown, Selection, choose
from metrology.surfaces.selection_plain import WAYS, to_plain
from metrology.wording import count, listed

from ..errors import NotNow, Taken, Unusable
from ..limits import check_limits
from ..models import Geometry, Region, Revision
from ..saving import save_checked
from .alignment import refuse_datum
from .revisions import lock_open

AXES = ("forward (x)", "left (y)", "up (z)")


@dataclass(frozen=True)
class Look:
    """What a selection finds on a nominal."""

    chosen: Chosen
    geometry: Geometry

    @property
    def kept(self) -> dict[str, Any]:
        """As it stands in `Region.found`."""
        return {
            "nominal": self.geometry.file.sha256,
            "faces": self.chosen.count,
            "area": round(self.chosen.area, 3),
            "lost": len(self.chosen.lost),
        }


def look_for(selection: Selection, revision: Revision) -> Look | None:
    """Find a selection on the current nominal; None while there is none. Raises Unusable."""
    from ..nominal_surface import nominal_of, surface_of

    geometry = nominal_of(revision)
    if geometry is None:
        return None
    try:
        return Look(choose(selection, surface_of(geometry)), geometry)
    except MetrologyError as error:
        raise Unusable(error.sentence, code=error.code) from None


def add_region(
    revision: Revision,
    *,
    name: str,
    lower: Decimal,
    upper: Decimal,
    facing: str = "",
    box: Sequence[float] | None = None,
    selection: Selection | None = None,
    moved_limit: Decimal | None = None,
    turned_limit: Decimal | None = None,
    by: Any,
    at: datetime | None = None,
) -> Region:
    """Give a part of the surface its own limits on deviation, mm.

    What is given of `selection`, `box` (x, y, z from, then x, y, z to, mm) and `facing` ("up" …) must all hold.
    moved_limit, turned_limit: ± mm and ± degrees that it may stand off as a whole. Refused when it finds nothing on
    the nominal, or one of its seed points finds no face. Raises Frozen, Taken or Unusable.
    """
    asked = combined(selection, box, facing)
    look = look_for(asked, revision)
    if look:
        refuse_lost(look)
    return _add(
        revision, name, asked, look, by=by, at=at,
        lower=lower, upper=upper, moved_limit=moved_limit, turned_limit=turned_limit,
    )  # fmt: skip


@transaction.atomic
def _add(
    revision: Revision,
    name: str,
    asked: Selection,
    look: Look | None,
    *,
    by: Any,
    at: datetime | None,
    **limits: Decimal | None,
) -> Region:
    lock_open(revision)
    check_limits(limits["lower"], limits["upper"], "mm", both=True)
    for field, what in (("moved_limit", "moved"), ("turned_limit", "turned")):
        value = limits[field]
        if value is not None and value <= 0:
            raise Unusable(f"How far it may be {what} as a whole must be more than 0, or left empty.", field=field)
    if revision.regions.filter(name__iexact=name).exists():
        raise Taken(f"{revision} has a region “{name}” already. Choose another name.", field="name")
    region = Region(revision=revision, name=name, selection=to_plain(asked), found=look.kept if look else {}, **limits)
    save_checked(region)
    details = {"selection": region.selection, **region.found}
    record(
        by, "region.added", region, f"Region “{region}” added to {revision}: {region.words}.", details=details, at=at
    )
    return region


@transaction.atomic
def remove_region(region: Region, *, by: Any, at: datetime | None = None) -> Revision:
    """Take a region out of an open revision. Scans already measured keep their figures. Returns the revision."""
    revision = region.revision
    lock_open(revision)
    refuse_datum(region)
    users = list(region.features.values_list("name", flat=True))
    if users:
        raise NotNow(
            f"Region “{region}” is where {listed([f'“{name}”' for name in users])} is fitted. "
            "Take that feature out first."
        )
    details = {"selection": region.selection, "lower": str(region.lower), "upper": str(region.upper)}
    record(by, "region.removed", region, f"Region “{region}” taken out of {revision}.", details=details, at=at)
    region.delete()
    return revision


def find_again(revision: Revision) -> list[Region]:
    """Look for every region on the current nominal, and note what each finds there. Returns those that find nothing or
    have lost a seed. Does nothing for regions that stand on this nominal already."""
    from ..nominal_surface import nominal_of

    geometry = nominal_of(revision)
    missing = []
    for region in revision.regions.all() if geometry else []:
        if not region.stands_on(geometry):
            try:
                look = look_for(region.chosen, revision)
                region.found = look.kept if look else {}
            except (Unusable, InputError):
                region.found = {"nominal": geometry.file.sha256, "faces": 0, "area": 0.0, "lost": 0}
            Region.objects.filter(pk=region.pk).update(found=region.found)
        if not region.found.get("faces") or region.found.get("lost"):
            missing.append(region)
    return missing


def combined(selection: Selection | None, box: Sequence[float] | None, facing: str) -> Selection:
    """All of the conditions given. Raises Unusable when there is none, or the box is none."""
    parts: list[Selection] = [] if selection is None else [selection]
    if box is not None:
        parts.append(checked_box(box))
    if facing and facing not in WAYS:
        raise Unusable(f"“{facing}” is no direction of a part. Choose one of {listed(list(WAYS), 6)}.", field="facing")
    if facing:
        parts.append(Facing(WAYS[facing]))
    if not parts:
        raise Unusable(
            "Say which part of the surface it is: a face to grow from, a direction it faces, a box or a plane.",
            field="facing",
        )
    return parts[0] if len(parts) == 1 else AllOf(tuple(parts))


def checked_box(box: Sequence[float]) -> Box:
    if len(box) != 6:
        raise Unusable("A box needs six numbers: x, y, z from and x, y, z to.", field="box")
    for axis, start, end in zip(AXES, box[:3], box[3:], strict=True):
        if start >= end:
            raise Unusable(
                f"The box goes {axis} from {start:g} to {end:g} mm. The first must be the smaller: swap the two.",
                field="box",
            )
    low, high = ((float(x), float(y), float(z)) for x, y, z in (box[:3], box[3:]))
    return Box(low, high)


def refuse_lost(look: Look) -> None:
    """Raises Unusable for seeds without a face, and for a selection that holds nothing."""
    lost: Sequence[Grown] = look.chosen.lost
    if lost:
        places = listed(["({})".format(", ".join(f"{value:g}" for value in seed.seed)) for seed in lost])
        raise Unusable(
            f"No face lies near {count(len(lost), 'seed point')} {places}, or none there looks that way. Give a point "
            "on the surface of the nominal, in mm.",
            code="lost-seed",
            field="seed_1_x",
        )
    if not look.chosen.count:
        raise Unusable(
            "Nothing of the nominal is in this region. Check the numbers against the size of the part.",
            code="empty-region",
        )
