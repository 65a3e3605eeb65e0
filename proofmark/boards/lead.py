"""What stops us building: every component with its checks in one fixed order, the next action, and whose it is."""

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.urls import reverse

from logbook.models import Entry
from metrology.wording import count
from parts.models import Kit, Revision
from releases.gate import CHECKS
from releases.models import Verdict
from releases.queries import BoardRow, board
from sitework.queries import Notice, notices

# What a lead wants to hear of after a day away; the rest stands in the logbook.
NOTABLE = ("hold.", "revision.", "concession.", "scan.measured", "lesson.written", "nonconformity.")
SHOWN = 5
# Checks behind which the casts are shown characteristic by characteristic, over their pours.
OVER_POURS = ("characteristics", "process")


@dataclass(frozen=True)
class Cell:
    title: str
    verdict: Verdict

    @property
    def label(self) -> str:
        return f"{self.title}: {self.verdict}"


@dataclass(frozen=True)
class Line:
    """One component on the board, with the sentence that says what stops it."""

    row: BoardRow
    why: str
    then: str
    whose: str
    yours: bool
    change: int  # number of its change triangle, 0 for none

    @property
    def component(self):
        return self.row.component

    @property
    def on_hold(self) -> bool:
        return bool(self.row.holds)

    @property
    def pours(self) -> str:
        """Where the casts are shown characteristic by characteristic, when one of those checks stops the part."""
        rows = self.row.reading.rows if self.row.reading else ()
        if self.row.shown and any(row.code in OVER_POURS and row.finding.stops for row in rows):
            return reverse("inspection:characteristics", args=self.row.shown.url_args())
        return ""

    @property
    def checks(self) -> list[Cell]:
        """One cell per check, in the fixed order; nothing was decided for a part without a revision."""
        if self.row.reading is None:
            return [Cell(check.TITLE, Verdict.MISSING) for check in CHECKS]
        return [Cell(row.title, row.verdict) for row in self.row.reading.rows]


@dataclass(frozen=True)
class Change:
    number: int
    entry: Entry
    part_number: str


@dataclass(frozen=True)
class Board:
    kit: Kit
    stopped: tuple[Line, ...]
    waiting: tuple[Line, ...]
    buildable: tuple[Line, ...]
    changes: tuple[Change, ...]
    notices: tuple[Notice, ...]

    @property
    def checks(self) -> tuple[Any, ...]:
        return CHECKS

    @property
    def total(self) -> int:
        return len(self.stopped) + len(self.waiting) + len(self.buildable)

    @property
    def yours(self) -> int:
        return sum(line.yours for line in (*self.stopped, *self.waiting))

    @property
    def sentence(self) -> str:
        if not self.total:
            return "No component yet."
        if not self.stopped:
            return "Nothing stops the build." if not self.waiting else "Nothing is stopped; evidence is still to come."
        verb = "stops" if len(self.stopped) == 1 else "stop"
        yours = f" {self.yours} wait for your decision." if self.yours > 1 else ""
        if self.yours == 1:
            yours = " 1 waits for your decision."
        return f"{len(self.stopped)} of {count(self.total, 'component')} {verb} the build.{yours}"

    @property
    def standing(self) -> str:
        return f"{len(self.stopped)} stopped" if self.stopped else "nothing stopped"

    @property
    def then(self) -> str:
        return f"{len(self.buildable)} buildable, {len(self.waiting)} waiting for evidence."


def lead_board(kit: Kit, person: Any, at: datetime, last_entry: int) -> Board:
    """The whole board. last_entry: number of the last logbook entry that this person has seen here."""
    changes = _changes(kit, last_entry)
    numbers: dict[str, int] = {}
    for change in changes:
        numbers.setdefault(change.part_number, change.number)
    lines = [_line(row, person, numbers.get(row.component.part_number, 0)) for row in board(kit, at)]

    def group(name: str) -> tuple[Line, ...]:
        chosen = [line for line in lines if line.row.group == name]
        return tuple(sorted(chosen, key=lambda line: (not line.on_hold, not line.yours, line.component.part_number)))

    return Board(kit, group("stopped"), group("waiting"), group("buildable"), changes, tuple(notices(kit)))


def _line(row: BoardRow, person: Any, change: int) -> Line:
    lead = person.has_perm("releases.sign_off_revision")
    shown = row.shown
    if row.holds:
        hold = row.holds[0]
        whose = "you" if lead else "lead"
        return Line(row, f"On hold: {hold.reason}", f"Decide on hold {hold.code}", whose, lead, change)
    if shown is None:
        return Line(row, "No revision to build.", "Draw the next revision", "you" if lead else "lead", lead, change)
    if shown.state == Revision.State.PUT_FORWARD and row.reading and row.reading.is_clear:
        mine = lead and shown.author_id != person.pk
        whose = "you" if mine else "second lead"
        return Line(row, f"{shown.letter} is put forward.", "Read the evidence and sign", whose, mine, change)
    stopping = row.reading.stopping if row.reading else []
    if not stopping:
        if row.trial:
            return Line(
                row, "Every check passes.", f"Put {shown.letter} forward", "you" if lead else "lead", lead, change
            )
        return Line(row, "", "", "", False, change)
    first = stopping[0]
    owner = first.check.OWNER
    mine = lead and owner == "lead" and first.verdict == Verdict.FAIL
    return Line(row, first.finding.sentence, first.check.NEXT, "you" if mine else owner, mine, change)


def _changes(kit: Kit, last_entry: int) -> tuple[Change, ...]:
    entries = Entry.objects.filter(number__gt=last_entry, trail__startswith=f"{kit.code}/").order_by("-number")[:200]
    notable = [entry for entry in entries if entry.act.startswith(NOTABLE)][:SHOWN]
    return tuple(Change(k, entry, _part_number(entry)) for k, entry in enumerate(notable, 1))


def _part_number(entry: Entry) -> str:
    parts: Sequence[str] = entry.trail.split("/")
    return parts[1] if len(parts) > 1 else ""
