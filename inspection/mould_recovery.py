"""Taking up comparisons and corrections whose worker died."""

from datetime import timedelta

from parts import work

from . import compared_job, correction_job
from .mould_models import CastsCompared, CorrectionEffect, MouldCorrection

KINDS = (
    (CastsCompared, compared_job.enqueue),
    (MouldCorrection, correction_job.enqueue),
    (CorrectionEffect, correction_job.enqueue_effect),
)


def recover(*, stale_after: timedelta = work.STALE, waiting_too: bool = False) -> str:
    """As `inspection.jobs.recover` does for scans; says in words what was done."""
    said = [work.recover(kind, enqueue, stale_after=stale_after, waiting_too=waiting_too) for kind, enqueue in KINDS]
    return ", ".join(filter(None, said))
