"""What the scans of a revision are aligned by."""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from logbook.services import record
from metrology.alignment.datum import check_datums
from metrology.alignment.model import DatumAlignment, DatumRegion
from metrology.errors import MetrologyError

from ..alignment_models import AlignmentKind, RevisionAlignment, alignment_of
from ..errors import NotNow, Unusable
from ..models import Region, Revision
from ..saving import save_checked
from .revisions import lock_open

NAMES = ("primary", "secondary", "tertiary")


def set_alignment(
    revision: Revision,
    *,
    kind: str,
    primary: Region | None = None,
    secondary: Region | None = None,
    tertiary: Region | None = None,
    held: Sequence[str] = (),
    by: Any,
    at: datetime | None = None,
) -> RevisionAlignment:
    """Say what scans of an open revision are aligned by.

    held: motions (`RevisionAlignment.Motion`) that best fit leaves as the datums have them. Regions that give no plane,
    line or point on the nominal on file are refused now rather than with the first scan. Raises Frozen or Unusable.
    """
    regions = [primary, secondary, tertiary]
    if kind == AlignmentKind.DATUM or held:
        _check_regions(revision, regions)
        _check_on_nominal(revision, regions)
    else:
        regions = [None, None, None]
    held = [motion for motion in RevisionAlignment.Motion.values if motion in held]
    if held and kind != AlignmentKind.BEST_FIT:
        raise Unusable("Only best fit holds motions: the others fix them all.", field="held")
    if len(held) == len(RevisionAlignment.Motion.values):
        raise Unusable("With all motions held there is nothing to fit: choose datum alignment.", field="held")
    return _set(revision, kind, regions, held, by, at)


@transaction.atomic
def _set(
    revision: Revision, kind: str, regions: list[Region | None], held: list[str], by: Any, at: datetime | None
) -> RevisionAlignment:
    lock_open(revision)
    alignment = alignment_of(revision) or RevisionAlignment(revision=revision)
    before = alignment.words if alignment.pk else ""
    alignment.kind, alignment.held = kind, held
    alignment.primary, alignment.secondary, alignment.tertiary = regions
    save_checked(alignment)
    if before != alignment.words:
        sentence = f"Scans of {revision} are aligned by {alignment.words}."
        record(by, "alignment.set", alignment, sentence, details={"before": before or "best fit"}, at=at)
    return alignment


def copy_alignment(before: Revision, revision: Revision) -> RevisionAlignment | None:
    """Take over the alignment of another revision, on the regions of the same names."""
    old = alignment_of(before)
    if old is None:
        return None
    named = {region.name: region for region in revision.regions.all()}
    new = RevisionAlignment(revision=revision, kind=old.kind, held=old.held)
    for name in NAMES:
        region = getattr(old, name)
        setattr(new, name, region and named[region.name])
    save_checked(new)
    return new


def refuse_datum(region: Region) -> None:
    """Raises NotNow when a region is a datum of the alignment."""
    alignment = alignment_of(region.revision)
    if alignment and region in alignment.datums:
        raise NotNow(f"Region “{region}” is a datum of the alignment. Choose another datum first.")


def datum_spec(alignment: RevisionAlignment) -> DatumAlignment:
    """The three datum regions as the calculation takes them. Raises InputError when one can no longer be read."""
    primary, secondary, tertiary = (DatumRegion(region.name, region.chosen) for region in alignment.datums)
    return DatumAlignment(primary, secondary, tertiary)


def _check_regions(revision: Revision, regions: list[Region | None]) -> None:
    for name, region in zip(NAMES, regions, strict=True):
        if region is None:
            raise Unusable(f"Choose the {name} region, or another kind of alignment.", field=name)
        if region.revision_id != revision.pk:
            raise Unusable(f"Choose a region of {revision}.", field=name)
    if len({region.pk for region in regions if region}) < len(regions):
        raise Unusable("The three datums must be three different regions.", field="tertiary")


def _check_on_nominal(revision: Revision, regions: list[Region | None]) -> None:
    from ..nominal_surface import nominal_of, surface_of

    geometry = nominal_of(revision)
    if geometry is None:
        return
    try:
        spec = DatumAlignment(*(DatumRegion(region.name, region.chosen) for region in regions if region))
        check_datums(surface_of(geometry), spec)
    except MetrologyError as error:
        field = next((name for name in NAMES if error.sentence.startswith(f"The {name}")), "primary")
        raise Unusable(error.sentence, code=error.code, field=field) from None
