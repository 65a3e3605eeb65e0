"""What a loop's page and list show: the answer as it is, and with a change that is tried."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from urllib.parse import urlencode

import numpy as np

from metrology.amounts.decimals import places
from metrology.calculations.loop_parts import gap_plot
from metrology.calculations.plots import Plot, Series
from metrology.closure.closing import SDS_TO_LIMIT, Change, Closes, changed, closes, verdict
from metrology.closure.closing_allowed import Allowed, allowed
from metrology.closure.closing_matched import matched
from metrology.closure.loop_chance import GapLimits
from metrology.errors import InputError

from .closure import LoopRead, MemberRow, unit_of
from .closure_models import ClosureLoop
from .closure_words import amount, better_in_words, chance_in_words, from_what, limits_in_words, percent, series, spoils

# Starting values of our own, no source; the gate plan has its own.
WANTED, CONFIDENCE, MINIMUM = 0.95, 0.95, 3
BEST = 5


@dataclass(frozen=True)
class Advice:
    """One change with the chance after it, and the fields that try it on the page."""

    words: str
    chance: str
    gain: float
    tried: str


@dataclass(frozen=True)
class Line:
    """A member in the table. share: of what spoils it, 0 to 100."""

    row: MemberRow
    source: str
    share: float
    said: str
    limits: str
    alike: str = ""
    alone: str = ""


@dataclass(frozen=True)
class Compared:
    """A figure as it is and with the change."""

    name: str
    now: str
    then: str


class LoopSheet:
    """One loop, judged. Nothing is worked out before it is asked for."""

    def __init__(
        self,
        read: LoopRead,
        *,
        changes: Mapping[str, Change] | None = None,
        fixed: bool | None = None,
        match: bool = False,
        wanted: float = WANTED,
    ) -> None:
        self.read, self.loop, self.part = read, read.loop, read.part
        self.changes, self.fixed, self.match, self.wanted = changes or {}, fixed, match, wanted

    @cached_property
    def _judged(self) -> tuple[Closes | None, str]:
        if self.part is None:
            return None, self.read.fault
        try:
            return closes(self.part, MINIMUM, CONFIDENCE), ""
        except InputError as error:
            return None, error.sentence

    @property
    def found(self) -> Closes | None:
        return self._judged[0]

    @property
    def fault(self) -> str:
        return self._judged[1]

    @cached_property
    def _tried(self) -> tuple[Closes | None, str]:
        part, minimum = self.part, MINIMUM
        if part is None or not self.is_tried:
            return None, ""
        try:
            part = changed(part, self.changes, minimum=minimum, fixed=self.fixed)
            if self.match and (sets := matched(part, minimum)) is not None:
                part, minimum = sets, 2
            return closes(part, minimum, CONFIDENCE), ""
        except InputError as error:
            return None, error.sentence

    @property
    def tried(self) -> Closes | None:
        return self._tried[0]

    @property
    def tried_fault(self) -> str:
        return self._tried[1]

    @property
    def is_tried(self) -> bool:
        ring = self.loop.how == ClosureLoop.How.RING
        other = ring and self.fixed is not None and self.fixed != (self.loop.built == ClosureLoop.Built.FIXED)
        return bool(self.changes or self.match or other)

    @property
    def can_match(self) -> bool:
        return self.part is not None and matched(self.part, MINIMUM) is not None

    # ---- words -------------------------------------------------------------------------------------------------------

    @property
    def word(self) -> str:
        return "missing" if self.found is None else verdict(self.found, self.wanted)

    @property
    def limits(self) -> str:
        return limits_in_words(*self.read.limits, self.loop.unit)

    @property
    def sentence(self) -> str:
        if self.found is None or self.part is None:
            return f"Nobody can say whether it closes: {self.fault}"
        return f"{chance_in_words(self.found, CONFIDENCE)} {spoils(self.part, self.found)}".strip()

    @property
    def then(self) -> str:
        """What to change first, and the whole series."""
        if self.found is None:
            return ""
        said = [series(self.found, self.loop.assemblies)]
        if self.advice:
            best = self.advice[0]
            said.append(f"Change first: {best.words}; then {best.chance} close.")
        return " ".join(one for one in said if one)

    @property
    def sources(self) -> str:
        return "" if self.found is None or self.part is None else from_what(self.part, self.found)

    @cached_property
    def advice(self) -> list[Advice]:
        """Changes that bring more than the luck of the draw, best first."""
        if self.found is None or self.part is None:
            return []
        places = {row.member.name: row.member.position for row in self.read.rows}
        told = []
        for one in self.found.better:
            gain = one.share - self.found.share
            if gain < 0.002:
                continue
            unit = self.unit(one.name)
            tail = f" {unit}" if unit else ""
            if one.kind == "places":
                tried = {"built": ClosureLoop.Built.FIXED}
            elif one.kind == "halve":
                tried = {f"t{places[one.name]}": f"{self._half(one.name) / 2:.4g}{tail}"}
            else:
                tried = {f"s{places[one.name]}": f"{one.shift:.3f}{tail}"}
            words = better_in_words(self.part, self.found, one, unit)
            told.append(Advice(words, percent(one.share), gain, urlencode(tried)))
        return told[:BEST]

    def unit(self, name: str) -> str:
        return next((unit_of(self.loop, row) for row in self.read.rows if row.member.name == name), "")

    def _half(self, name: str) -> float:
        """Half the tolerance of a member, or three standard deviations of its casts."""
        member = next(row.part for row in self.read.rows if row.member.name == name)
        if member is None:
            return 0.0
        if member.from_casts(MINIMUM):
            return SDS_TO_LIMIT * float(np.std([value for _, value in member.casts], ddof=1))
        return (member.upper - member.lower) / 2

    @cached_property
    def allowed(self) -> dict[str, Allowed]:
        """By member, what its tolerance may be to reach the wanted chance."""
        if self.found is None or self.part is None:
            return {}
        try:
            return {one.name: one for one in allowed(self.part, MINIMUM, self.wanted)}
        except InputError:
            return {}

    @property
    def lines(self) -> list[Line]:
        found, may = self.found, self.allowed
        shares = {one.name: one for one in found.spoilers} if found else {}
        lines = []
        for row in self.read.rows:
            spoiler = shares.get(row.member.name)
            source = "tolerance"
            if spoiler and spoiler.from_casts and row.part:
                source = f"{len(row.part.casts)} casts"
            elif row.part is not None and row.part.is_cast:
                source = f"tolerance, {len(row.part.casts)} of {MINIMUM} casts measured"
            share = 0.0 if spoiler is None else 100 * spoiler.share
            said = "" if spoiler is None else f"{percent(spoiler.share)}"
            part = row.part
            limits = "" if part is None else limits_in_words(part.lower, part.upper, unit_of(self.loop, row))
            one, unit = may.get(row.member.name), unit_of(self.loop, row)
            alike, alone = (
                ("", "")
                if one is None
                else (_half(one.alike, unit, "means in the way"), _half(one.alone, unit, "not alone"))
            )
            lines.append(Line(row, source, share, said, limits, alike, alone))
        ring = self.loop.how == ClosureLoop.How.RING
        return sorted(lines, key=lambda line: -line.share) if found and not ring else lines

    # ---- figures and drawing -----------------------------------------------------------------------------------------

    @property
    def compared(self) -> list[Compared]:
        now, then = self.found, self.tried
        if now is None:
            return []
        unit = self.loop.unit
        gap = {"ring": "Last joint, mean"}.get(self.loop.how, "Mean gap")
        if self.loop.how == "ring" and (self.loop.built == "fixed" or self.fixed):
            gap = "Narrowest joint, mean" if self.loop.built == "fixed" else "Last or narrowest joint, mean"
        rows: Sequence[tuple[str, str, str]] = [
            ("Close", percent(now.share), percent(then.share) if then else ""),
            ("At least", percent(now.low), percent(then.low) if then else ""),
            ("Gap too small", percent(now.too_small), percent(then.too_small) if then else ""),
            ("Gap too large", percent(now.too_large), percent(then.too_large) if then else ""),
            (gap, amount(now.middle, unit, 2), amount(then.middle, unit, 2) if then else ""),
            ("Standard deviation", amount(now.sd, unit, 2), amount(then.sd, unit, 2) if then else ""),
        ]
        if now.least is not None and now.most is not None:
            worst = f"{amount(now.least, unit, 1)} to {amount(now.most, unit, 1)}"
            rows = [*rows, ("Worst case", worst, _worst(then, unit))]
        return [Compared(*row) for row in rows]

    @property
    def gain(self) -> str:
        """One sentence on what the tried change brings."""
        if self.found is None or self.tried is None:
            return ""
        more = self.tried.share - self.found.share
        if abs(more) < 0.002:
            return f"The change brings nothing: {percent(self.tried.share)} close, as before."
        word = "instead of" if more > 0 else "and not"
        return f"With the change {percent(self.tried.share)} close {word} {percent(self.found.share)}."

    @property
    def lesson(self) -> str:
        """Words that a lesson about the tried change may begin with, as the rest of an address."""
        part = next((row.revision.component.part_number for row in self.read.rows if row.revision), "")
        title = f"{self.loop.code} {self.loop.name}: what lets it close"[:120]
        said = {"part": part, "title": title, "what_happened": self.sentence, "action": f"{self._asked()} {self.gain}"}
        return urlencode(said)

    def _asked(self) -> str:
        """The tried change in words."""
        told = []
        for name, change in self.changes.items():
            unit = self.unit(name)
            if change.tolerance is not None:
                told.append(f"{name}: tolerance ±{amount(change.tolerance, unit, places(change.tolerance))}")
            if change.shift:
                word = "more" if change.shift > 0 else "less"
                told.append(f"{name}: mean {amount(abs(change.shift), unit, places(change.shift))} {word}")
        if self.match:
            told.append("Casts matched into sets")
        if self.fixed is not None and self.loop.how == ClosureLoop.How.RING:
            told.append("Built " + ("each piece on its set-out place" if self.fixed else "piece against piece"))
        return ". ".join(told) + "."

    @property
    def plot(self) -> Plot | None:
        if self.found is None or self.part is None:
            return None
        lower, upper = self.read.limits
        limits = None if lower is None and upper is None else GapLimits(lower, upper)
        plot = gap_plot(self.found.gaps, limits, self.loop.unit, self.sentence)
        if self.tried is None:
            return plot
        other = gap_plot(self.tried.gaps, limits, self.loop.unit, self.gain).series[0]
        now = _labelled(plot.series[0], "main", "as it is")
        return Plot(
            plot.title, plot.x, plot.y, (now, _labelled(other, "second", "with the change")), plot.marks, self.gain
        )


def _labelled(series: Series, look: str, label: str) -> Series:
    return Series(series.x, series.y, series.shape, look, label)  # type: ignore[arg-type]


def _half(value: float | None, unit: str, none: str) -> str:
    """A tolerance in two digits that tell, cut so that it still does."""
    if value is None:
        return none
    if value <= 0:
        return ""
    decimals = max(0, 1 - int(np.floor(np.log10(value))))
    return "±" + amount(float(np.floor(value * 10**decimals) / 10**decimals), unit, decimals)


def _worst(then: Closes | None, unit: str) -> str:
    if then is None or then.least is None or then.most is None:
        return ""
    return f"{amount(then.least, unit, 1)} to {amount(then.most, unit, 1)}"


def list_sentence(sheets: Sequence[LoopSheet]) -> tuple[str, str]:
    """The word and the sentence over the list of loops that count."""
    if not sheets:
        return "missing", "No loop says yet whether the series will fit."
    words = [sheet.word for sheet in sheets]
    sure = words.count("pass")
    if sure == len(sheets):
        return "pass", "Every loop closes often enough." if len(sheets) > 1 else "The loop closes often enough."
    word = "fail" if "fail" in words else "inconclusive" if "inconclusive" in words else "missing"
    first = next(sheet for sheet in sheets if sheet.word == word)
    return word, f"{first.loop.code} {first.loop.name}: {first.sentence}"
