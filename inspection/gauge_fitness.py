"""Which gauge study speaks for an instrument at a characteristic, and what it says of the tolerance there."""

from collections.abc import Iterable
from dataclasses import dataclass

from metrology.calculations.gauge_study_words import judged, percent
from metrology.statistics.gauge import STUDY_WIDTH, of_tolerance
from parts.models import Characteristic, Revision

from .gauge_models import GaugeStudy
from .gauge_queries import complete_studies
from .models import Instrument

# AIAG MSA (from memory): good up to 10 % of the tolerance, marginal up to 30 %.
GOOD, MARGINAL = 0.10, 0.30


@dataclass(frozen=True)
class Fit:
    """An instrument at one characteristic: its study, the share of the tolerance, and fit, marginal or unfit. study,
    share: None where no study speaks for it; share, word: None without two limits or one and a nominal.
    """

    characteristic: Characteristic
    tolerance: float | None
    study: GaugeStudy | None
    share: float | None
    word: str | None

    @property
    def said(self) -> str:
        return "" if self.share is None else percent(self.share)


class Studies:
    """Complete studies of some instruments; the newest that speaks for a characteristic counts.

    A study of the same characteristic speaks for it (of the same component, by its name, whatever the revision), else
    one of the instrument as a whole.
    """

    def __init__(self, studies: Iterable[GaugeStudy]) -> None:
        self._own: dict[tuple[int, int, str], GaugeStudy] = {}
        self._whole: dict[int, GaugeStudy] = {}
        for study in studies:  # oldest first: the newest stays
            c = study.characteristic
            if c is None:
                self._whole[study.instrument_id] = study
            else:
                self._own[study.instrument_id, c.revision.component_id, c.name.casefold()] = study

    @classmethod
    def of(cls, instruments: Iterable[Instrument]) -> "Studies":
        """One query."""
        return cls(complete_studies(instruments))

    def speaking_for(self, instrument: int, characteristic: Characteristic, revision: Revision) -> GaugeStudy | None:
        own = self._own.get((instrument, revision.component_id, characteristic.name.casefold()))
        return own or self._whole.get(instrument)


def tolerance_of(lower: float | None, upper: float | None, nominal: float | None) -> float | None:
    """Width of the tolerance; with one limit twice the distance of the nominal from it; None where there is none."""
    if lower is not None and upper is not None:
        return upper - lower if upper > lower else None
    limit = lower if lower is not None else upper
    if limit is None or nominal is None:
        return None
    width = 2 * (nominal - limit if lower is not None else limit - nominal)
    return width if width > 0 else None


def fit_of(characteristic: Characteristic, study: GaugeStudy | None) -> Fit:
    c = characteristic
    tolerance = tolerance_of(*(None if value is None else float(value) for value in (c.lower, c.upper, c.nominal)))
    if study is None or study.grr is None or tolerance is None:
        return Fit(c, tolerance, study, None, None)
    share = of_tolerance(study.grr, tolerance, STUDY_WIDTH)
    return Fit(c, tolerance, study, share, judged(share, GOOD, MARGINAL))


@dataclass(frozen=True)
class Reach:
    """The narrowest tolerances that a gauge is fit and marginal for, from the spread of one study."""

    fit: float
    marginal: float


def reach_of(study: GaugeStudy) -> Reach | None:
    """None where the study shows no spread: then any tolerance would do, which says too much."""
    if not study.grr:
        return None
    return Reach(STUDY_WIDTH * study.grr / GOOD, STUDY_WIDTH * study.grr / MARGINAL)


@dataclass(frozen=True)
class Standing:
    """A complete study of an instrument, with the tolerances that it is fit for."""

    study: GaugeStudy
    reach: Reach | None


def standing_of(instrument: Instrument) -> list[Standing]:
    """Newest first. One query."""
    return [Standing(study, reach_of(study)) for study in reversed(complete_studies([instrument]))]


MOST_ROWS = 200


def fits_of(instrument: Instrument) -> list[Fit]:
    """The instrument at each characteristic that it read a counting value of. Two queries."""
    rows = (
        Characteristic.objects.filter(measurements__instrument=instrument, measurements__replaced=False)
        .exclude(revision__state__in=(Revision.State.SUPERSEDED, Revision.State.WITHDRAWN))
        .select_related("revision__component__kit")
        .distinct()
        .order_by("revision__component__part_number", "revision__letter", "number")
    )
    studies = Studies.of([instrument])
    return [fit_of(row, studies.speaking_for(instrument.pk, row, row.revision)) for row in rows[:MOST_ROWS]]
