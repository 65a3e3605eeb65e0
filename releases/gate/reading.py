"""Evaluating the gate for one revision or for a whole board, with the same number of queries."""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any

from django.db.models import Q

from metrology.errors import MetrologyError
from metrology.wording import count, day
from parts.models import Revision
from releases.models import Concession, GatePlan, Verdict

from .base import Check, Finding, Link, evidence_hash, inconclusive, not_applicable
from .registry import CHECKS


@dataclass(frozen=True)
class Row:
    """One check as it stands: what is asked, what was found, by which concession if any."""

    check: Check
    asked: str
    finding: Finding
    evidence: Any
    concession: Concession | None = None

    @property
    def code(self) -> str:
        return self.check.CODE

    @property
    def title(self) -> str:
        return self.check.TITLE

    @property
    def verdict(self) -> Verdict:
        return self.finding.verdict

    @property
    def evidence_hash(self) -> str:
        return evidence_hash(self.evidence)


@dataclass(frozen=True)
class GateReading:
    """The whole gate of one revision at one moment."""

    revision: Revision
    at: datetime
    rows: tuple[Row, ...]

    @property
    def stopping(self) -> list[Row]:
        """Rows that stop the revision: failed first, then inconclusive, then missing."""
        order = [Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.MISSING]
        return sorted((row for row in self.rows if row.finding.stops), key=lambda row: order.index(row.verdict))

    @property
    def is_clear(self) -> bool:
        return not self.stopping

    @property
    def verdict(self) -> Verdict:
        """The gravest verdict: what the whole gate says."""
        if self.stopping:
            return self.stopping[0].verdict
        return Verdict.CONCEDED if any(row.verdict == Verdict.CONCEDED for row in self.rows) else Verdict.PASS

    @property
    def conceded(self) -> list[Row]:
        return [row for row in self.rows if row.verdict == Verdict.CONCEDED]

    @property
    def summary(self) -> str:
        """One line: how many checks passed and what is left."""
        counted = {verdict: sum(row.verdict == verdict for row in self.rows) for verdict in Verdict}
        asked = len(self.rows) - counted[Verdict.NOT_APPLICABLE]
        said = [f"{counted[Verdict.PASS]} of {count(asked, 'check')} passed"]
        if counted[Verdict.CONCEDED]:
            said.append(f"{counted[Verdict.CONCEDED]} by concession")
        for verdict, word in (
            (Verdict.FAIL, "failed"),
            (Verdict.INCONCLUSIVE, "inconclusive"),
            (Verdict.MISSING, "missing"),
        ):
            if counted[verdict]:
                said.append(f"{counted[verdict]} {word}")
        return ", ".join(said) + "."


def evaluate(revisions: Sequence[Revision], at: datetime) -> dict[int, GateReading]:
    """Read all evidence and decide every check, for all revisions together.

    The number of queries does not depend on how many revisions there are. Revisions need `component__kit` selected.
    """
    revisions = list(revisions)
    if not revisions:
        return {}
    plans = _plans(revisions)
    conceded = _concessions(revisions, at)
    rows: dict[int, list[Row]] = {revision.pk: [] for revision in revisions}
    for check in CHECKS:
        evidence = check.evidence(revisions)
        for revision in revisions:
            planned = plans[revision.pk].get(check.CODE)
            settings = {**check.DEFAULTS, **(planned.settings if planned else {})}
            asked = check.ask(settings)
            if planned and not planned.applies:
                finding = not_applicable("left-out", planned.reason)
            else:
                finding = _decide(check, evidence[revision.pk], settings, at)
            concession = conceded.get((revision.pk, check.CODE)) if finding.stops else None
            if concession:
                finding = _concede(finding, concession)
            rows[revision.pk].append(Row(check, asked, finding, evidence[revision.pk], concession))
    return {revision.pk: GateReading(revision, at, tuple(rows[revision.pk])) for revision in revisions}


def _decide(check: Check, evidence: Any, settings: dict[str, Any], at: datetime) -> Finding:
    """Figures that do not allow the calculation are no reason to pass, and none to fail."""
    try:
        return check.decide(evidence, settings, at)
    except MetrologyError as error:
        return inconclusive(error.code, error.sentence)


def _plans(revisions: Sequence[Revision]) -> dict[int, dict[str, Any]]:
    """Per revision: the planned checks of its component's own plan, or else of the kit's."""
    kits = {revision.component.kit_id for revision in revisions}
    components = {revision.component_id for revision in revisions}
    plans = GatePlan.objects.filter(
        Q(kit__in=kits, component__isnull=True) | Q(component__in=components)
    ).prefetch_related("checks")
    own: dict[tuple[int, int | None], dict[str, Any]] = {
        (plan.kit_id, plan.component_id): {planned.check_code: planned for planned in plan.checks.all()}
        for plan in plans
    }
    return {
        revision.pk: own.get(
            (revision.component.kit_id, revision.component_id), own.get((revision.component.kit_id, None), {})
        )
        for revision in revisions
    }


def _concessions(revisions: Sequence[Revision], at: datetime) -> dict[tuple[int, str], Concession]:
    """Concessions in force: granted, not ended, not expired on that day."""
    rows = Concession.objects.filter(revision__in=revisions, granted_at__lte=at, expires_on__gte=at.date()).exclude(
        ended_at__lte=at
    )
    return {(row.revision_id, row.check_code): row for row in rows.order_by("granted_at")}


def _concede(finding: Finding, concession: Concession) -> Finding:
    return replace(
        finding,
        verdict=Verdict.CONCEDED,
        sentence=f"{finding.sentence} Accepted by concession {concession.code} until {day(concession.expires_on)}.",
        links=(*finding.links, Link(concession.code, f"#{concession.code}")),
    )
