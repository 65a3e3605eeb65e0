"""Features fitted in regions, and the characteristics that they feed."""

from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from django.db import transaction

from logbook.services import record
from metrology.errors import MetrologyError
from metrology.features.measure import FeatureSpec, nominal_feature
from metrology.features.values import GIVES
from metrology.wording import listed, quantity

from ..errors import NotNow, Taken, Unusable
from ..models import Characteristic, Feature, Feed, Region, Revision
from ..saving import save_checked
from .revisions import lock_open

Kind, Gives = Characteristic.Kind, Feed.Gives
# What kind of characteristic may take which figure; “other” takes any, in the right unit.
TAKES: Mapping[str, tuple[str, ...]] = {
    Gives.FORM: (Kind.FLATNESS, Kind.OTHER),
    Gives.DIAMETER: (Kind.DIAMETER, Kind.LENGTH, Kind.OTHER),
    Gives.POSITION: (Kind.POSITION, Kind.OTHER),
    Gives.DISTANCE: (Kind.LENGTH, Kind.POSITION, Kind.OTHER),
    Gives.ANGLE: (Kind.ANGLE, Kind.OTHER),
}


def spec_of(feature: Feature) -> FeatureSpec:
    """What metrology measures of a feature. Raises InputError (selection) for a region that cannot be read."""
    return FeatureSpec(feature.name, feature.kind, tuple(region.chosen for region in feature.regions.all()))


def add_feature(
    revision: Revision, *, name: str, kind: str, regions: Sequence[Region], by: Any, at: datetime | None = None
) -> Feature:
    """A feature to be fitted to the points of one region or several. Refused when the nominal has no such element
    there.

    Raises Frozen, Taken or Unusable.
    """
    if not regions:
        raise Unusable("Choose at least one region: its points are what the feature is fitted to.", field="regions")
    if any(region.revision_id != revision.pk for region in regions):
        raise Unusable("A feature is fitted in regions of its own revision.", field="regions")
    size = _on_nominal(revision, name, kind, regions)
    with transaction.atomic():
        lock_open(revision)
        if revision.features.filter(name__iexact=name).exists():
            raise Taken(f"{revision} has a feature “{name}” already. Choose another name.", field="name")
        feature = Feature(revision=revision, name=name, kind=kind)
        save_checked(feature)
        feature.regions.set(regions)
        where = listed([f"“{region}”" for region in regions])
        sentence = f"Feature “{feature}” added to {revision}: a {kind} in {where}{size}."
        details = {"kind": kind, "regions": [region.name for region in regions]}
        record(by, "feature.added", feature, sentence, details=details, at=at)
    return feature


@transaction.atomic
def remove_feature(feature: Feature, *, by: Any, at: datetime | None = None) -> Revision:
    """Take a feature out of an open revision. Values already measured stay. Returns the revision."""
    revision = feature.revision
    lock_open(revision)
    fed = [*feature.feeds.select_related("characteristic"), *feature.feeds_as_other.select_related("characteristic")]
    if fed:
        numbers = listed([f"{feed.characteristic}" for feed in fed])
        raise NotNow(f"“{feature}” feeds {numbers}. Stop that first.")
    record(by, "feature.removed", feature, f"Feature “{feature}” taken out of {revision}.", at=at)
    feature.delete()
    return revision


def misfit(values: Mapping[str, Any], gives: str) -> tuple[str, str] | None:
    """Why a characteristic with these values cannot take a figure: the column at fault, and what to say after its name.
    None when it can."""
    kind, unit = Kind(values["kind"]), Characteristic.Unit.DEG if gives == Gives.ANGLE else Characteristic.Unit.MM
    if values["method"] != Characteristic.Method.SCAN:
        return "method", "is not measured by scan, and only what has the method “scan” can be fed."
    if kind not in TAKES[gives]:
        return "kind", f"is a {kind.label}; it cannot take a {gives}."
    if values["unit"] != unit:
        return "unit", f"is not in {unit.label}."
    if gives in (Gives.FORM, Gives.POSITION) and values["lower"] is not None:
        return "lower", (
            f"has a lower limit, but a {gives} is never below 0. Leave that limit empty, or values near 0 come too "
            "close to it to conform."
        )
    return None


@transaction.atomic
def feed_characteristic(
    characteristic: Characteristic,
    *,
    feature: Feature,
    gives: str,
    other: Feature | None = None,
    by: Any,
    at: datetime | None = None,
) -> Feed:
    """From now on the value of a characteristic comes from every scan, as a figure of one feature or of two.

    Raises Frozen, Taken, Unusable.
    """
    revision = characteristic.revision
    lock_open(revision)
    if feature.revision_id != revision.pk or (other and other.revision_id != revision.pk):
        raise Unusable("Choose features of the same revision.", field="feature")
    if gives not in GIVES[feature.kind]:
        can = listed(list(GIVES[feature.kind]), 6)
        raise Unusable(f"A {feature.kind} has no {gives}. It gives {can}.", field="gives")
    if gives in Feed.OF_TWO and (other is None or other.pk == feature.pk):
        raise Unusable(f"A {gives} needs a second feature. Choose one.", field="other")
    if gives in Feed.OF_TWO and gives not in GIVES[other.kind]:
        raise Unusable(f"A {other.kind} has no {gives}.", field="other")
    if gives not in Feed.OF_TWO:
        other = None
    if unfit := misfit(vars(characteristic), gives):
        column, why = unfit
        raise Unusable(f"{characteristic} {why}", field="gives" if column == "kind" else "characteristic")
    if Feed.objects.filter(characteristic=characteristic).exists():
        raise Taken(f"{characteristic} is fed already. Stop that first.", field="characteristic")
    feed = Feed(characteristic=characteristic, feature=feature, gives=gives, other=other)
    save_checked(feed)
    sentence = f"Characteristic {characteristic} of {revision} takes the {feed.words} from every scan."
    record(by, "characteristic.fed", characteristic, sentence, details={"gives": gives}, at=at)
    return feed


@transaction.atomic
def stop_feeding(feed: Feed, *, by: Any, at: datetime | None = None) -> Revision:
    """The characteristic is no longer fed; what was measured stays. Returns the revision."""
    characteristic = feed.characteristic
    revision = characteristic.revision
    lock_open(revision)
    sentence = f"Characteristic {characteristic} of {revision} no longer takes the {feed.words} from scans."
    record(by, "characteristic.feed-stopped", characteristic, sentence, at=at)
    feed.delete()
    return revision


def copy_features(before: Revision, revision: Revision) -> int:
    """Features and what they feed, taken over with regions and characteristics of the same names and numbers."""
    regions = {region.name: region for region in revision.regions.all()}
    numbers = {row.number: row for row in revision.characteristics.all()}
    made: dict[int, Feature] = {}
    for feature in before.features.prefetch_related("regions"):
        copy = Feature.objects.create(revision=revision, name=feature.name, kind=feature.kind)
        copy.regions.set([regions[region.name] for region in feature.regions.all() if region.name in regions])
        made[feature.pk] = copy
    for feed in Feed.objects.filter(characteristic__revision=before).select_related("characteristic"):
        Feed.objects.create(
            characteristic=numbers[feed.characteristic.number],
            feature=made[feed.feature_id],
            gives=feed.gives,
            other=made[feed.other_id] if feed.other_id else None,
        )
    return len(made)


def _on_nominal(revision: Revision, name: str, kind: str, regions: Sequence[Region]) -> str:
    """In words how large the element is on the nominal; empty where there is none yet, or no size to tell."""
    from ..nominal_surface import nominal_of, surface_of

    geometry = nominal_of(revision)
    if geometry is None:
        return ""
    try:
        spec = FeatureSpec(name, kind, tuple(region.chosen for region in regions))
        nominal, _, _ = nominal_feature(spec, surface_of(geometry))
    except MetrologyError as error:
        raise Unusable(error.sentence, code=error.code, field="regions") from None
    return f", {quantity(nominal.diameter, 'mm', 3)} in diameter on the nominal" if nominal.diameter else ""
