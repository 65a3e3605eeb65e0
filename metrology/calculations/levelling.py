"""Levelling: a loop or a line between benchmarks, and a net of lines by least squares."""

from dataclasses import dataclass

import numpy as np

from metrology.bodies import Floats
from metrology.calculations.calculation import AnyCalculation, Calculation, Source
from metrology.calculations.fields import amount, choice, sentence, table, text, whole
from metrology.calculations.problems import refuse
from metrology.calculations.ring_setting_out import STAKES
from metrology.calculations.said import Quantity, say
from metrology.site.levelling import adjust_net, misclosure_shares

_KM = 1e6
PERMITTED = Source(
    "12 mm × √K, K in km, for a levelling misclosure of ordinary building work", "common practice, no source"
)

# ---- loop ------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class LevelSection:
    to: str = text("To point")
    backsight: float | None = amount("Backsight", "mm", shown="m", default=None)
    foresight: float | None = amount("Foresight", "mm", shown="m", default=None)
    rise: float | None = amount("Or rise", "mm", shown="m", default=None)
    distance: float | None = amount("Length", "mm", shown="m", above=0.0, default=None)
    setups: int = whole("Set-ups", lowest=1, default=1)


@dataclass(frozen=True, kw_only=True)
class LevelLoopInputs:
    start_height: float = amount("Height of the first benchmark", "mm", shown="m")
    sections: tuple[LevelSection, ...] = table(
        "Sections in order", LevelSection, most=500, help="Readings on the staff, or the rise (a fall is negative)."
    )
    end_height: float | None = amount(
        "Known height of the last point", "mm", shown="m", default=None, help="Empty: back to the first benchmark."
    )
    shared: str = choice(
        "Misclosure shared out by", {"distance": "length of the section", "setups": "number of set-ups"},
        default="distance",
    )  # fmt: skip
    per_root_km: float = amount("Allowed misclosure over 1 km", "mm", above=0.0, default=12.0, help="Grows with √K.")


@dataclass(frozen=True)
class LevelledPoint:
    point: str = text("Point")
    rise: float = amount("Rise, measured", "mm", decimals=1)
    found: float = amount("Height, measured", "mm", decimals=1)
    correction: float = amount("Correction", "mm", decimals=2)
    height: float = amount("Height, adjusted", "mm", decimals=1)


@dataclass(frozen=True)
class LevelLoopResult:
    sentence: str = sentence()
    result: str = choice("Closure", {"pass": "pass", "fail": "fail", "no limit": "no length given"})
    misclosure: float = amount("Misclosure", "mm", decimals=1, help="Measured minus right.")
    allowed: float | None = amount("Allowed", "mm", decimals=1)
    length: float | None = amount("Length", "mm", shown="m", decimals=0)
    points: tuple[LevelledPoint, ...] = table("Points", LevelledPoint)


def level_loop(inputs: LevelLoopInputs) -> LevelLoopResult:
    """The misclosure shared out in proportion to length or set-ups: for one line that is least squares too.

    Errors: no-rise, two-rises, one-reading, no-length.
    """
    rises = np.array([_rise(section, k) for k, section in enumerate(inputs.sections)])
    lengths = [section.distance for section in inputs.sections]
    by_setups = inputs.shared == "setups"
    if not by_setups and None in lengths:
        place = lengths.index(None)
        raise refuse(
            f"/sections/{place}/distance", "Enter the length of the section, or share out by set-ups.", "no-length"
        )
    weights = [section.setups for section in inputs.sections] if by_setups else lengths
    end = inputs.start_height if inputs.end_height is None else inputs.end_height
    found = inputs.start_height + np.cumsum(rises)
    misclosure = float(found[-1] - end)
    misclosure = 0.0 if abs(misclosure) < 1e-6 else misclosure
    corrections = -misclosure * misclosure_shares(np.array(weights, dtype=np.float64))
    length = None if None in lengths else float(sum(one for one in lengths if one is not None))
    allowed = None if length is None else inputs.per_root_km * float(np.sqrt(length / _KM))
    good = allowed is None or abs(misclosure) <= allowed + 1e-9
    said = say(
        "The levels close to {off}{way}{limit}.{again}",
        off=Quantity(abs(misclosure), "mm", 1),
        way="" if not misclosure else ", too high" if misclosure > 0 else ", too low",
        limit=""
        if allowed is None
        else say(
            "; {allowed} is allowed over {length}: {verdict}",
            allowed=Quantity(allowed, "mm", 1),
            length=Quantity((length or 0.0) / 1000, "m", 0),
            verdict="pass" if good else "fail",
        ),
        again="" if good else " Look for a misread staff and level it again before adjusting.",
    )
    rows = tuple(
        LevelledPoint(section.to, *map(float, (rises[k], found[k], corrections[k], found[k] + corrections[k])))
        for k, section in enumerate(inputs.sections)
    )  # fmt: skip
    return LevelLoopResult(
        said, "no limit" if allowed is None else "pass" if good else "fail", misclosure, allowed, length, rows
    )


def _rise(section: LevelSection, place: int) -> float:
    path = f"/sections/{place}"
    readings = (section.backsight, section.foresight)
    if section.rise is not None and readings != (None, None):
        raise refuse(f"{path}/rise", "Give the two readings or the rise, not both.", "two-rises")
    if section.rise is not None:
        return section.rise
    if section.backsight is None and section.foresight is None:
        raise refuse(f"{path}/rise", "Give backsight and foresight, or the rise.", "no-rise")
    if section.backsight is None or section.foresight is None:
        raise refuse(f"{path}/foresight", "One of the two readings is missing. Enter both.", "one-reading")
    return section.backsight - section.foresight


# ---- net -------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Benchmark:
    point: str = text("Point")
    height: float = amount("Height", "mm", shown="m")


@dataclass(frozen=True)
class LevelLine:
    start: str = text("From")
    end: str = text("To")
    rise: float = amount("Rise", "mm", shown="m")
    distance: float = amount("Length", "mm", shown="m", above=0.0)


@dataclass(frozen=True, kw_only=True)
class LevelNetInputs:
    benchmarks: tuple[Benchmark, ...] = table("Known heights", Benchmark, most=200)
    lines: tuple[LevelLine, ...] = table("Levelled lines", LevelLine, most=1000)
    weights: str = choice(
        "Lines count", {"distance": "less, the longer they are", "equal": "all the same"}, default="distance"
    )
    per_root_km: float = amount("Allowed correction over 1 km", "mm", above=0.0, default=12.0, help="Grows with √K.")


@dataclass(frozen=True)
class NetPoint:
    point: str = text("Point")
    height: float = amount("Height", "mm", decimals=1)
    sd: float | None = amount("Standard deviation", "mm", decimals=1)


@dataclass(frozen=True)
class NetLine:
    line: str = text("Line")
    correction: float = amount("Correction", "mm", decimals=1)
    rise: float = amount("Rise, adjusted", "mm", decimals=1)
    allowed: float = amount("Allowed", "mm", decimals=1)


@dataclass(frozen=True)
class LevelNetResult:
    sentence: str = sentence()
    result: str = choice("Net", {"pass": "pass", "fail": "fail", "nothing to check": "nothing to check"})
    sd_per_km: float | None = amount(
        "Standard deviation over 1 km", "mm", decimals=1, help="Of one line, with equal lines."
    )
    free: int = whole("Lines more than needed")
    points: tuple[NetPoint, ...] = table("Points", NetPoint)
    lines: tuple[NetLine, ...] = table("Lines", NetLine)


def level_net(inputs: LevelNetInputs) -> LevelNetResult:
    """Least squares. Errors: same-point, known-twice, no-benchmark, not-connected, nothing-unknown."""
    known: dict[str, float] = {}
    for place, mark in enumerate(inputs.benchmarks):
        if mark.point in known:
            raise refuse(f"/benchmarks/{place}/point", f"{mark.point} is given twice. Leave one out.", "known-twice")
        known[mark.point] = mark.height
    for place, line in enumerate(inputs.lines):
        if line.start == line.end:
            raise refuse(f"/lines/{place}/end", "A line runs between two points. Check the names.", "same-point")
    lengths = np.array([line.distance for line in inputs.lines]) / _KM
    weights: Floats = lengths if inputs.weights == "distance" else np.ones(len(lengths))
    net = adjust_net(
        known, [line.start for line in inputs.lines], [line.end for line in inputs.lines],
        np.array([line.rise for line in inputs.lines]), weights,
    )  # fmt: skip
    allowed = inputs.per_root_km * np.sqrt(lengths)
    over = np.abs(net.corrections) / allowed
    worst = int(np.argmax(over))
    good = bool(over[worst] <= 1 + 1e-9)
    name = f"{inputs.lines[worst].start} to {inputs.lines[worst].end}"
    said = (
        say(
            "{points} found; the line that fits worst, {name}, needs {off} where {allowed} is allowed: {verdict}.",
            points="1 height was" if len(net.heights) == 1 else f"{len(net.heights)} heights were",
            name=name,
            off=Quantity(abs(float(net.corrections[worst])), "mm", 1),
            allowed=Quantity(float(allowed[worst]), "mm", 1),
            verdict="pass" if good else "fail. Level it again",
        )
        if net.free
        else say("Heights were found, but no line is more than needed: nothing checks them. Level one more line.")
    )
    return LevelNetResult(
        said, "nothing to check" if not net.free else "pass" if good else "fail", net.sd_of_unit, net.free,
        tuple(NetPoint(point, height, net.sd[point]) for point, height in net.heights.items()),
        tuple(
            NetLine(
                f"{line.start}–{line.end}",
                *map(float, (net.corrections[k], line.rise + net.corrections[k], allowed[k])),
            )
            for k, line in enumerate(inputs.lines)
        ),
    )  # fmt: skip


def _example() -> LevelLoopInputs:
    rows = [("stake 1", 1452.0, 1187.0, 31e3), ("stake 2", 1360.0, 1511.0, 28e3), ("pad", 1405.0, 1498.0, 22e3)]
    rows.append(("benchmark", 1512.0, 1535.0, 44e3))
    sections = [LevelSection(to=to, backsight=b, foresight=f, distance=d) for to, b, f, d in rows]
    return LevelLoopInputs(start_height=100_000.0, sections=tuple(sections))


CALCULATIONS: tuple[AnyCalculation, ...] = (
    Calculation(
        name="level-loop",
        title="Levelling: closure of a loop or line",
        subject="Setting out",
        asks="How well do these levels close, and how high are the points?",
        inputs=LevelLoopInputs,
        result=LevelLoopResult,
        compute=level_loop,
        example=_example(),
        formula="misclosure = Σ backsights − Σ foresights − known rise; shared out by length so far ÷ length",
        sources=(Source("Rise and fall, misclosure in proportion to length", "definition"), PERMITTED),
        cautions=(STAKES, "An adjustment hides a misread staff as well as it spreads small errors."),
    ),
    Calculation(
        name="level-net",
        title="Levelling: a net by least squares",
        subject="Setting out",
        asks="What heights fit these levelled lines best?",
        inputs=LevelNetInputs,
        result=LevelNetResult,
        compute=level_net,
        example=LevelNetInputs(
            benchmarks=(Benchmark("BM 1", 100_000.0), Benchmark("BM 2", 101_250.0)),
            lines=(
                LevelLine("BM 1", "stake 1", 265.0, 31_000.0),
                LevelLine("stake 1", "stake 2", 388.0, 28_000.0),
                LevelLine("stake 2", "BM 2", 594.0, 40_000.0),
                LevelLine("BM 1", "stake 2", 656.0, 52_000.0),
            ),
        ),
        formula="Σ correction² ÷ length least; standard deviations from what the corrections show",
        sources=(Source("Least squares of a levelling net, weights 1 ÷ length", "from memory"), PERMITTED),
        cautions=(STAKES,),
    ),
)
