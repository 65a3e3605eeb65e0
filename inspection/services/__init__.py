"""Acts of inspection. Each is one transaction with its logbook entry and refuses with a reason."""

from .fed import count_scan_value
from .gauge_studies import plan_gauge_study, take_reading, withdraw_gauge_study, withdraw_reading
from .instruments import add_instrument, change_instrument
from .marks import mark_points
from .measurements import Reading, reading_of, record_measurement, record_measurements
from .scans import ask_stop, run_again, upload_scan, withdraw_scan

__all__ = [
    "Reading",
    "add_instrument",
    "ask_stop",
    "change_instrument",
    "count_scan_value",
    "mark_points",
    "plan_gauge_study",
    "reading_of",
    "record_measurement",
    "record_measurements",
    "run_again",
    "take_reading",
    "upload_scan",
    "withdraw_gauge_study",
    "withdraw_reading",
    "withdraw_scan",
]
