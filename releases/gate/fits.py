"""Do the gaps measured in trials lie inside the limits of the interfaces. Shared by the model and the mock-up check."""

from collections.abc import Sequence
from dataclasses import dataclass

from django.db.models import Q
from django.urls import reverse

from inspection.models import Result
from lessons.models import FitCheck, TrialPiece
from metrology.amounts.decimals import places
from metrology.wording import count, limits, number, quantity
from parts.models import Interface, Revision

from .base import Finding, Gauge, Link, failed, inconclusive, missing, not_applicable, passed


@dataclass(frozen=True)
class Gap:
    where: str
    gap: float
    uncertainty: float
    result: str


@dataclass(frozen=True)
class Joint:
    """An interface of the component with the gaps of its newest trial in which a piece of the revision stood."""

    code: str
    name: str
    trial: str
    url: str
    lower: float | None
    upper: float | None
    gaps: tuple[Gap, ...]


@dataclass(frozen=True)
class Evidence:
    joints: tuple[Joint, ...]
    trials: int
    url: str


def read(revisions: Sequence[Revision], full_size: bool) -> dict[int, Evidence]:
    """Evidence of all revisions at one size. Trials in which no piece of the revision stood do not count."""
    components = {revision.component_id for revision in revisions}
    interfaces = list(
        Interface.objects.filter(Q(component_a__in=components) | Q(component_b__in=components)).order_by("code")
    )
    size = Q(trial__mockup__scale=1)
    stood: dict[int, set[int]] = {revision.pk: set() for revision in revisions}
    pieces = TrialPiece.objects.filter(size if full_size else ~size, revision__in=revisions)
    for revision_id, trial_id in pieces.values_list("revision_id", "trial_id"):
        stood[revision_id].add(trial_id)
    checks = list(
        FitCheck.objects.filter(trial__in={pk for group in stood.values() for pk in group}, interface__in=interfaces)
        .select_related("trial__kit")
        .order_by("-trial__started_at", "pk")
    )
    found = {}
    for revision in revisions:
        own = [check for check in checks if check.trial_id in stood[revision.pk]]
        joints = tuple(
            _joint(interface, [check for check in own if check.interface_id == interface.pk])
            for interface in interfaces
            if revision.component_id in (interface.component_a_id, interface.component_b_id)
        )
        url = reverse("lessons:revision_trials", args=revision.url_args())
        found[revision.pk] = Evidence(joints, len(stood[revision.pk]), url)
    return found


def _joint(interface: Interface, checks: list[FitCheck]) -> Joint:
    newest = [check for check in checks if check.trial_id == checks[0].trial_id]
    first = newest[0] if newest else None
    limit = first or interface
    return Joint(
        code=interface.code,
        name=interface.name,
        trial=first.trial.code if first else "",
        url=first.trial.get_absolute_url() if first else "",
        lower=None if limit.lower is None else float(limit.lower),
        upper=None if limit.upper is None else float(limit.upper),
        gaps=tuple(Gap(c.where, float(c.gap), float(c.uncertainty), c.result) for c in newest),
    )


def judge(evidence: Evidence, on_what: str) -> Finding:
    """on_what: "the mock-up" or "the model", for the sentences."""
    if not evidence.joints:
        return not_applicable("no-interface", "It meets no other component.")
    links: tuple[Link, ...] = (Link("Trials", evidence.url),)
    if not evidence.trials:
        return missing("no-trial", f"No piece of this revision has been tried on {on_what}.", links=links)
    bad = [(j, g) for j in evidence.joints for g in j.gaps if g.result == Result.DOES_NOT]
    unsure = [(j, g) for j in evidence.joints for g in j.gaps if g.result == Result.INCONCLUSIVE]
    for found, finding, code in ((bad, failed, "gap-outside"), (unsure, inconclusive, "gap-unsure")):
        if found:
            joint, gap = found[0]
            decimals = _decimals(joint.lower, joint.upper, gap.gap)
            side = "too tight" if joint.lower is not None and gap.gap < joint.lower + gap.uncertainty else "too wide"
            word = side if finding is failed else f"{side} to be sure, within {quantity(gap.uncertainty, 'mm', 2)}"
            place = f" at {gap.where}" if gap.where else ""
            return finding(
                code,
                f"{joint.name}: gap {quantity(gap.gap, 'mm', decimals)}{place}, {word}. "
                f"Asked: {limits(joint.lower, joint.upper, 'mm', decimals)}.",
                links=tuple({j.trial: Link(f"Trial {j.trial}", j.url) for j, _ in found}.values()),
                gauge=_gauge(joint),
            )
    untried = [joint for joint in evidence.joints if not joint.gaps]
    if untried:
        return missing(
            "joint-not-tried",
            f"{untried[0].name} was not measured on {on_what}.",
            links=links,
            gauge=_gauge(untried[0]),
        )
    gaps = [gap.gap for joint in evidence.joints for gap in joint.gaps]
    decimals = _decimals(*(limit for joint in evidence.joints for limit in (joint.lower, joint.upper)), *gaps)
    trials = {joint.trial: Link(f"Trial {joint.trial}", joint.url) for joint in evidence.joints}
    return passed(
        "fits",
        f"{count(len(gaps), 'gap')} at {count(len(evidence.joints), 'interface')} inside their limits, "
        f"{number(min(gaps), decimals)} to {quantity(max(gaps), 'mm', decimals)}.",
        links=tuple(trials.values()),
        gauge=_gauge(evidence.joints[0]),
    )


def _gauge(joint: Joint) -> Gauge:
    guard = max((gap.uncertainty for gap in joint.gaps), default=0.0)
    gaps = tuple(gap.gap for gap in joint.gaps)
    return Gauge(joint.lower, joint.upper, gaps, guard, decimals=_decimals(joint.lower, joint.upper, *gaps))


def _decimals(*values: float | None) -> int:
    """One decimal as on full size, two where a limit or a gap of a small model needs them."""
    return min(2, max(1, places(*values)))
