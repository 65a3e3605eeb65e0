"""What a loop says in words: will it fit, what spoils it, what should be changed."""

from metrology.amounts.decimals import places
from metrology.calculations.loop_parts import percent
from metrology.closure.closing import Better, Closes, PartLoop
from metrology.wording import NBSP, count, limits, listed, number, quantity

__all__ = ["better_in_words", "chance_in_words", "from_what", "limits_in_words", "percent", "series", "spoils"]


def chance_in_words(found: Closes, confidence: float) -> str:
    """One sentence: the chance with its lower bound."""
    return (
        f"{percent(found.share)} of assemblies close, at least {percent(found.low)} with "
        f"{100 * confidence:.0f}{NBSP}% confidence."
    )


def series(found: Closes, assemblies: int) -> str:
    """The chance that all assemblies of the works close; they do not mind each other."""
    if assemblies < 2:
        return ""
    return f"All {count(assemblies, 'assembly', 'assemblies')} of the works close with a chance of " + (
        f"{percent(found.share**assemblies)}."
    )


def amount(value: float, unit: str, decimals: int) -> str:
    """A degree sign stands close to its figure."""
    return number(value, decimals) + unit if unit == "°" else quantity(value, unit, decimals)


def limits_in_words(lower: float | None, upper: float | None, unit: str) -> str:
    return limits(lower, upper, unit, max(1, places(lower, upper))).replace(f"{NBSP}°", "°")


def spoils(part: PartLoop, found: Closes) -> str:
    """What spoils it most; empty where nothing stands out."""
    if not found.spoilers or len(part.members) < 2:
        return ""
    first = found.spoilers[0]
    if part.ring is not None:
        if first.share <= found.share + 0.001:
            return "No single error spoils it."
        return f"{first.name} spoils it most: without its errors {percent(first.share)} would close."
    if first.share <= 0:
        return "Nothing in it varies."
    return f"{first.name} spoils it most: {number(100 * first.share, 0)}{NBSP}% of the variance."


def better_in_words(part: PartLoop, found: Closes, one: Better, unit: str) -> str:
    """A change as one would say it to who has to make it."""
    if one.kind == "places":
        return "each piece on its set-out place"
    member = next(each for each in part.members if each.name == one.name)
    if one.kind == "halve":
        half = (member.upper - member.lower) / 2
        if one.name in found.from_casts:
            return f"{one.name}: casts half as uneven"
        then, now = amount(half / 2, unit, places(half / 2)), amount(half, unit, places(half))
        return f"{one.name}: ±{then} instead of ±{now}"
    word = "more" if one.shift > 0 else "less"
    each = " each" if member.times > 1 else ""
    return f"{one.name}: mean {amount(abs(one.shift), unit, 2)} {word}{each}"


def from_what(part: PartLoop, found: Closes) -> str:
    """Which dimensions come from casts and which from tolerances."""
    told = []
    if found.from_casts:
        fewest = {one.name: len(one.casts) for one in part.members}
        told.append(
            "From measured casts: " + listed([f"{n} ({count(fewest[n], 'cast')})" for n in found.from_casts], 6)
        )
    counted = {one.name for one in found.spoilers}
    rest = [one.name for one in part.members if one.name in counted and one.name not in found.from_casts]
    if rest:
        told.append("from their tolerances: " + listed(rest, 6))
    said = "; ".join(told)
    return said[:1].upper() + said[1:] + "."
