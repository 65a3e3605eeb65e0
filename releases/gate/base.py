"""What every check of the gate is made of."""

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, field
from datetime import datetime
from typing import Any, Protocol

from django.core.serializers.json import DjangoJSONEncoder

from parts.models import Revision
from releases.models import Verdict


@dataclass(frozen=True)
class Link:
    """Where the evidence is: a short label and an address."""

    label: str
    url: str


@dataclass(frozen=True)
class Gauge:
    """A value against its limits, for the dimension line beside a check. None: no limit on that side."""

    lower: float | None
    upper: float | None
    values: tuple[float, ...] = ()
    guard: float = 0.0
    unit: str = "mm"
    decimals: int = 1


@dataclass(frozen=True)
class Finding:
    """What a check says: a verdict, a stable code, one plain sentence with numbers and units, and what it rests on."""

    verdict: Verdict
    code: str
    sentence: str
    links: tuple[Link, ...] = ()
    gauge: Gauge | None = None
    figures: Mapping[str, Any] = field(default_factory=dict)

    @property
    def stops(self) -> bool:
        return self.verdict in (Verdict.FAIL, Verdict.INCONCLUSIVE, Verdict.MISSING)


class Check(Protocol):
    """One module per check. `evidence` is the only half that reads the database, for many revisions at once;
    `decide` is pure."""

    CODE: str
    TITLE: str
    OWNER: str  # whose action comes next when it does not pass
    NEXT: str  # what that action is
    DEFAULTS: Mapping[str, Any]

    def ask(self, settings: Mapping[str, Any]) -> str: ...

    def evidence(self, revisions: Sequence[Revision]) -> dict[int, Any]: ...

    def decide(self, evidence: Any, settings: Mapping[str, Any], at: datetime) -> Finding: ...


# Where evidence is shown, what is still being worked on and what follows from the rest are not evidence.
ASIDE = {"url", "under_way", "by_hand"}
# Evidence that the check learned to look at later: left out while there is none, so that what was signed before keeps
# its hash.
LATER = {"studies"}


def canonical(evidence: Any) -> dict[str, Any]:
    """A frozen evidence dataclass as plain JSON values, without what is only for the page."""

    def kept(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        return {name: value for name, value in pairs if name not in ASIDE and (value or name not in LATER)}

    return json.loads(json.dumps(asdict(evidence, dict_factory=kept), cls=DjangoJSONEncoder, sort_keys=True))


def evidence_hash(evidence: Any) -> str:
    """SHA-256 of the evidence in canonical form: equal evidence, equal hash."""
    text = json.dumps(canonical(evidence), sort_keys=True, separators=(",", ":"), ensure_ascii=False)
    return hashlib.sha256(text.encode()).hexdigest()


def passed(code: str, sentence: str, **extra: Any) -> Finding:
    return Finding(Verdict.PASS, code, sentence, **extra)


def failed(code: str, sentence: str, **extra: Any) -> Finding:
    return Finding(Verdict.FAIL, code, sentence, **extra)


def inconclusive(code: str, sentence: str, **extra: Any) -> Finding:
    return Finding(Verdict.INCONCLUSIVE, code, sentence, **extra)


def missing(code: str, sentence: str, **extra: Any) -> Finding:
    return Finding(Verdict.MISSING, code, sentence, **extra)


def not_applicable(code: str, sentence: str, **extra: Any) -> Finding:
    return Finding(Verdict.NOT_APPLICABLE, code, sentence, **extra)
