"""The job that judges mouldability: read the nominal, judge, draw, save."""

from dataclasses import asdict
from datetime import datetime
from typing import Any

import numpy as np
from django.db import transaction
from django_tasks import task

from logbook.files import keep
from logbook.services import record
from metrology import VERSION
from metrology.moulds.mouldability import STAGE_JUDGING, STAGE_TRYING, Asked, Mouldability, mouldability
from metrology.moulds.picture import MOULD_VIEWS, mould_pictures
from metrology.pictures.png import png

from . import work
from .mould_models import MouldabilityCheck
from .services.geometry import nominal_mesh

STAGES = {"reading": 0.15, STAGE_TRYING: 0.3, STAGE_JUDGING: 0.2, "drawing": 0.3, "saving": 0.05}


@task()
def judge_mouldability(check_id: int, attempt: int) -> None:
    run(check_id, attempt)


def enqueue(check_id: int, attempt: int) -> None:
    judge_mouldability.enqueue(check_id, attempt)


def run(check_id: int, attempt: int, *, at: datetime | None = None) -> bool:
    return work.run(MouldabilityCheck, check_id, attempt, STAGES, _judge, at)


def asked_of(check: MouldabilityCheck) -> Asked:
    return Asked(
        kind="two-part" if check.kind == MouldabilityCheck.Kind.TWO_PART else "open-face",
        pull=tuple(check.pull) if check.pull else None,
        fill_at=tuple(check.fill_at) if check.fill_at else None,
        draft_deg=float(check.draft_wanted),
        wall_mm=None if check.wall_wanted is None else float(check.wall_wanted),
    )


def _judge(check: MouldabilityCheck, report: work.Reporter, at: datetime) -> None:
    report("reading", 0.0)
    mesh = nominal_mesh(check.geometry)
    found = mouldability(mesh, asked_of(check), report)
    report("drawing", 0.0)
    drawn = mould_pictures(mesh, found, width=1100, height=825)
    above, below = (keep(png(drawn[view.name]), "image/png") for view in MOULD_VIEWS)
    report("saving", 0.0)
    with transaction.atomic():
        work.claim_the_end(
            check,
            at,
            sentence=found.sentence,
            figures=figures(found),
            undercut=found.undercut,
            above=above,
            below=below,
            code_version=VERSION,
        )
        details = {
            "nominal": check.geometry.file.sha256,
            "pull": list(map(float, found.pull)),
            "undercut": found.undercut,
        }
        record(None, "mouldability.judged", check, f"{check.named}: {found.sentence}", details=details, at=at)


def figures(found: Mouldability) -> dict[str, Any]:
    """Everything found, as plain numbers for the record."""
    return _plain({**asdict(found), "litres": found.litres})


def _plain(value: Any) -> Any:
    if isinstance(value, dict):
        return {name: _plain(inner) for name, inner in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(inner) for inner in value]
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    return value.item() if isinstance(value, np.generic) else value
