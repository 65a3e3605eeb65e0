"""Acts of casting. Each is one transaction with its logbook entry and refuses with a reason."""

from .casts import NewBatch, correct_cast, log_cast, log_demould, move_cast
from .making import change_mould_state, log_batch, log_mould, log_strength_test
from .nonconformities import decide_nonconformity, report_nonconformity

__all__ = [
    "NewBatch",
    "change_mould_state",
    "correct_cast",
    "decide_nonconformity",
    "log_batch",
    "log_cast",
    "log_demould",
    "log_mould",
    "log_strength_test",
    "move_cast",
    "report_nonconformity",
]
