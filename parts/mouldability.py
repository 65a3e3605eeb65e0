"""Mouldability as its pages read it out: mark, sentence, what to do, and the figures in words."""

from dataclasses import dataclass
from typing import Any

import numpy as np

from metrology.moulds.words import area_words, pull_words
from metrology.wording import NBSP, count, quantity

from .models import Revision
from .mould_models import MouldabilityCheck

State = MouldabilityCheck.State
WORTH_NAMING = 1e-5  # share of what the mould touches; less is slivers of the mesh


def latest_check(revision: Revision) -> MouldabilityCheck | None:
    """The newest check of the revision, whichever nominal it was of. One query."""
    checks = MouldabilityCheck.objects.filter(geometry__revision=revision)
    return checks.select_related("geometry__file", "above", "below", "asked_by").first()


@dataclass(frozen=True)
class Fact:
    name: str
    value: str
    note: str = ""
    wide: bool = False


class Reading:
    """A check with its revision attached, so that nothing is read twice."""

    def __init__(self, check: MouldabilityCheck, revision: Revision) -> None:
        check.geometry.revision = revision
        self.check, self.revision = check, revision
        self.figures: dict[str, Any] = check.figures

    @property
    def done(self) -> bool:
        return self.check.state == State.DONE

    @property
    def is_old(self) -> bool:
        """Of a nominal that is no longer the current one."""
        return not self.check.geometry.current

    @property
    def held(self) -> bool:
        return self.done and (self.check.undercut or 0) > WORTH_NAMING * self.figures["moulded"]

    @property
    def short(self) -> list[str]:
        """What falls short of what is wanted, in words."""
        if not self.done:
            return []
        said = []
        if self.figures["low_draft"] > WORTH_NAMING * self.figures["moulded"]:
            said.append(f"{area_words(self.figures['low_draft'])} has less draft angle than wanted")
        if self.figures["thin"]:
            said.append(f"{area_words(self.figures['thin'])} of wall is thinner than wanted")
        return said

    @property
    def mark(self) -> str:
        if not self.done:
            return {State.FAILED: "missing", State.STOPPED: "none"}.get(self.check.state, "way")
        return "fail" if self.held else "inconclusive" if self.short else "pass"

    @property
    def sentence(self) -> str:
        if self.done:
            return self.check.sentence
        if self.check.state == State.FAILED:
            return self.check.error
        return "Stopped: nothing was judged." if self.check.state == State.STOPPED else "Being judged."

    @property
    def then(self) -> str:
        """What now."""
        if not self.done:
            return ""
        if self.is_old:
            return "Judged on an earlier nominal: judge it again."
        if self.held:
            return (
                "Change the shape, the pull direction or the kind of mould; a loose piece or a flexible mould may "
                "also let it out."
            )
        if self.short:
            return "; ".join(self.short) + ": more release agent, a flexible mould, or change the shape."
        return "Geometry alone: it says nothing about strength, release agent or how the mould is stripped."

    @property
    def facts(self) -> list[Fact]:
        figures, asked = self.figures, self.check
        least, wall, filling = figures["least_draft"], figures["wall"], figures["filling"]
        facts = [
            Fact("Mould", asked.get_kind_display()),
            Fact("Pull direction", self.pull_words, "found" if figures["found"] else "given"),
            Fact("Undercut", area_words(figures["undercut"]) if figures["undercut"] else "none"),
            Fact(
                "Least draft angle",
                "nothing releases" if least is None else f"{quantity(least, '', 1)}°",
                f"wanted {asked.draft_wanted.normalize():f}°",
            ),
            Fact(
                "Below the draft angle wanted",
                area_words(figures["low_draft"]) if figures["low_draft"] else "none",
                f"of {area_words(figures['moulded'])} that the mould touches",
            ),
            Fact(
                "Thinnest wall",
                "not known" if wall is None else quantity(wall, "mm", 0 if wall >= 10 else 1),
                f"wanted {asked.wall_wanted.normalize():f}{NBSP}mm" if asked.wall_wanted else "no wall asked for",
            ),
            Fact("Volume", "not known" if figures["litres"] is None else quantity(figures["litres"], "L", 2)),
        ]
        if filling:
            facts.append(Fact("Fill face", area_words(filling["area"]), filling["words"], wide=True))
            facts.append(Fact("Filling", *_filling_words(filling), wide=True))
        return facts

    @property
    def pull_words(self) -> str:
        return pull_words(np.array(self.figures["pull"]))


def _filling_words(filling: dict[str, Any]) -> tuple[str, str]:
    traps = len(filling["traps"])
    said = f"air is caught at {count(traps, 'place')}" if traps else "air can rise to the fill face from everywhere"
    flat = filling["flat"]
    note = f"{area_words(flat)} lies flat under the mould: vent it or tilt it while it is filled" if flat else ""
    if traps:
        where = filling["traps"][0]["words"]
        note = f"the first {where}" + (f"; {note}" if note else "")
    return said, note
