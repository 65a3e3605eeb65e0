"""Reading the logbook of one kit."""

from dataclasses import dataclass
from urllib.parse import urlencode

from django.db.models import Q, QuerySet

from .models import Entry


@dataclass(frozen=True)
class Filter:
    """What somebody looks for. trail: "SB-02/C", below the kit; who: a name as written; act: "cast.logged"."""

    trail: str = ""
    who: str = ""
    act: str = ""

    @property
    def query(self) -> str:
        """The rest of an address that keeps this filter, ending in &."""
        given = {name: value for name, value in vars(self).items() if value}
        return urlencode(given) + "&" if given else ""

    @property
    def is_set(self) -> bool:
        return bool(self.trail or self.who or self.act)


def below(trail: str) -> Q:
    """Entries of a place and of everything inside it: "TPW/SB-02" takes in "TPW/SB-02/C" but not "TPW/SB-021"."""
    return Q(trail=trail) | Q(trail__startswith=trail + "/")


def entries(kit_trail: str, wanted: Filter) -> QuerySet[Entry]:
    """Entries of a kit, newest first, that match every part of the filter that is set."""
    trail = f"{kit_trail}/{wanted.trail}" if wanted.trail else kit_trail
    found = Entry.objects.filter(below(trail)).order_by("-number")
    if wanted.who:
        found = found.filter(who_name="" if wanted.who == TOOL else wanted.who)
    if wanted.act:
        found = found.filter(act=wanted.act)
    return found


TOOL = "Proofmark"


def people(kit_trail: str) -> list[str]:
    """Names that stand in a kit's entries; the tool's own entries count as Proofmark."""
    names = Entry.objects.filter(below(kit_trail)).order_by("who_name").values_list("who_name", flat=True).distinct()
    return [name or TOOL for name in names]


def acts(kit_trail: str) -> list[tuple[str, str]]:
    """Acts that occur in a kit, each with its words: ("revision.put-on-trial", "revision put on trial")."""
    names = Entry.objects.filter(below(kit_trail)).order_by("act").values_list("act", flat=True).distinct()
    return [(name, name.replace(".", " ").replace("-", " ")) for name in names]
