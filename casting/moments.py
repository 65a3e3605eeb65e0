"""Moments as people of the kit read them: in the kit's time zone, day and minute."""

from datetime import date, datetime
from zoneinfo import ZoneInfo

from metrology.wording import day
from parts.models import Kit


def local_day(kit: Kit, at: datetime) -> date:
    return at.astimezone(ZoneInfo(kit.time_zone)).date()


def said(kit: Kit, at: datetime) -> str:
    """ "12 May 2026, 14:05" at the kit."""
    there = at.astimezone(ZoneInfo(kit.time_zone))
    return f"{day(there.date())}, {there:%H:%M}"
