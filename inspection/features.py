"""Features of a scan: measured after the comparison, kept with its figures, and fed to characteristics."""

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass
from decimal import Decimal
from typing import Any

from metrology.bodies import Floats
from metrology.comparison.compare import Comparison
from metrology.comparison.kept_points import on_faces
from metrology.features.measure import FeatureResult, PairResult, PairSpec, measure_feature, measure_pair
from metrology.features.values import Figure
from metrology.statistics.conformity import decide
from metrology.surfaces.surface import Surface
from parts.models import Feed, Revision
from parts.queries import feeds_of
from parts.services.features import spec_of

from .models import Measurement, Scan

# An instrument is never surer than the record can say.
SMALLEST_U = Decimal("0.0001")
UNSURE = (
    "How sure it is cannot be said: the scan could lie elsewhere and fit as well. Align by datums or marked points "
    "that hold the part in every direction."
)


@dataclass(frozen=True)
class Fed:
    """A characteristic with the figure that it takes from this scan; None where that was not measured."""

    feed: Feed
    figure: Figure | None
    sentence: str


@dataclass(frozen=True)
class MeasuredFeatures:
    features: tuple[FeatureResult, ...] = ()
    fed: tuple[Fed, ...] = ()


def measure_features(
    revision: Revision,
    surface: Callable[[], Surface],
    comparison: Comparison,
    scanner_mm: float,
    report: Callable[[str, float], None],
) -> MeasuredFeatures:
    """Every feature of a revision on one scan. surface: asked for only when there is a feature.

    Raises InputError (selection) for a region that can no longer be read.
    """
    features = list(revision.features.prefetch_related("regions").order_by("name"))
    if not features:
        return MeasuredFeatures()
    report("features", 0.0)
    nominal = surface()
    placed = on_faces(comparison.kept, nominal)
    unsure: tuple[Floats, Floats] = (comparison.alignment.uncertainty.covariance, comparison.alignment.uncertainty.at)
    results = []
    for done, feature in enumerate(features, 1):
        spec = spec_of(feature)
        results.append(measure_feature(spec, nominal, placed, instrument_mm=scanner_mm, alignment=unsure))
        report("features", done / len(features))
    known = {result.name: result for result in results}
    return MeasuredFeatures(tuple(results), tuple(_fed(feed, known) for feed in feeds_of(revision)))


def _fed(feed: Feed, known: Mapping[str, FeatureResult]) -> Fed:
    if feed.other_id:
        pair: PairResult = measure_pair(PairSpec(feed.gives, feed.feature.name, feed.other.name), known)
        return Fed(feed, pair.figure and _as_drawn(pair.figure, feed), pair.sentence)
    result = known[feed.feature.name]
    figure = next((figure for figure in result.figures if figure.gives == feed.gives), None)
    if figure is None:
        return Fed(feed, None, f"“{feed.feature}” was not measured: {result.sentence}")
    return Fed(feed, figure, "" if _writable(figure) else UNSURE)


def _as_drawn(figure: Figure, feed: Feed) -> Figure:
    """An angle as the drawing counts it: 135° for two planes that meet at 45°, if that is nearer to what is drawn."""
    characteristic = feed.characteristic
    drawn = [v for v in (characteristic.nominal, characteristic.lower, characteristic.upper) if v is not None]
    if figure.gives != "angle" or not drawn:
        return figure
    wanted = float(drawn[0])
    if abs(180 - figure.nominal - wanted) >= abs(figure.nominal - wanted):
        return figure
    values = asdict(figure) | {"value": 180 - figure.value, "nominal": 180 - figure.nominal}
    return Figure(**values)


def plain_features(measured: MeasuredFeatures, plain: Callable[[Any], Any]) -> dict[str, Any]:
    """As they stand in the figures of a result: plain JSON values."""
    return {
        "features": [_plain(result, plain) for result in measured.features],
        "fed": [
            {
                "number": fed.feed.characteristic.number,
                "name": fed.feed.characteristic.name,
                "words": fed.feed.words,
                "lower": _number(fed.feed.characteristic.lower),
                "upper": _number(fed.feed.characteristic.upper),
                "unit": fed.feed.characteristic.unit,
                "figure": None if fed.figure is None else plain(asdict(fed.figure)),
                "result": _result(fed),
                "sentence": fed.sentence,
            }
            for fed in measured.fed
        ],
    }


def _plain(result: FeatureResult, plain: Callable[[Any], Any]) -> dict[str, Any]:
    fitted = result.fitted
    kept = {
        name: plain(getattr(result, name))
        for name in ("name", "kind", "form_name", "points", "left_out", "edge_mm", "coverage", "code", "sentence")
    }
    kept["figures"] = [plain(asdict(figure)) for figure in result.figures]
    if fitted is not None:
        names = ("point", "direction", "radius", "rms", "spread", "arc_deg", "iterations", "last_step_mm", "converged")
        kept["element"] = {name: plain(getattr(fitted, name)) for name in names}
    return kept


def _result(fed: Fed) -> str:
    """The verdict of a fed characteristic on this scan."""
    if fed.figure is None or not _writable(fed.figure):
        return "not measured"
    characteristic = fed.feed.characteristic
    lower, upper = _number(characteristic.lower), _number(characteristic.upper)
    return decide(_value(fed.figure), lower, upper, fed.figure.uncertainty).result


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


def _value(figure: Figure) -> float:
    """As it is written down, so that the verdict is that of the number that people see."""
    return round(figure.value, 3)


def feed_characteristics(scan: Scan, fed: Sequence[Fed]) -> dict[str, list[str]]:
    """Write each figure as a measurement of the cast, in the transaction of the caller; an earlier value of the same
    scan gives way, also to none. The newest scan counts. A value that a person typed goes on counting beside it, until
    somebody says that the scan's shall (`services.count_scan_value`).

    Returns for the logbook, by number of the characteristic: the value, the verdict, and whether it counts.
    """
    told = {}
    for one in fed:
        characteristic, figure = one.feed.characteristic, one.figure
        rows = Measurement.objects.filter(cast=scan.cast, characteristic=characteristic)
        rows.filter(scan=scan, replaced=False).update(replaced=True)
        if figure is None or not _writable(figure):
            continue
        counts = rows.filter(replaced=False)
        typed = counts.filter(scan__isnull=True).exists()
        newer = counts.filter(scan__scanned_at__gt=scan.scanned_at).exists()
        if not newer:
            counts.filter(scan__isnull=False).update(replaced=True)
        row = Measurement.objects.create(
            cast=scan.cast,
            characteristic=characteristic,
            value=Decimal(f"{_value(figure):.3f}"),
            scan=scan,
            instrument=scan.instrument,
            uncertainty=Decimal(f"{figure.uncertainty:.3f}").max(SMALLEST_U),
            result=_result(one),
            measured_at=scan.scanned_at,
            measured_by=scan.scanned_by,
            replaced=typed or newer,
        )
        held = "a typed value goes on counting" if typed else "a newer scan counts" if newer else "counts"
        told[str(characteristic.number)] = [str(row.value), row.result, held]
    return told


def _writable(figure: Figure) -> bool:
    """Whether a figure fits the record; a value that is sure to nothing is none."""
    return abs(figure.value) < 1e9 and figure.uncertainty < 1000
