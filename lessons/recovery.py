"""Taking up mouldability checks and position reports whose worker died."""

from datetime import timedelta

from parts import mould_job, work
from parts.mould_models import MouldabilityCheck

from . import position_job
from .position_models import MockupScan

KINDS = ((MouldabilityCheck, mould_job.enqueue), (MockupScan, position_job.enqueue))


def recover(*, stale_after: timedelta = work.STALE, waiting_too: bool = False) -> str:
    """As `inspection.jobs.recover` does for scans; says in words what was done."""
    said = [work.recover(kind, enqueue, stale_after=stale_after, waiting_too=waiting_too) for kind, enqueue in KINDS]
    return ", ".join(filter(None, said))
