"""A scan as its page reads it out: progress while under way, words and drawings' figures afterwards."""

from collections.abc import Sequence
from datetime import datetime, timedelta
from os.path import commonprefix
from typing import Any, NamedTuple

from django.urls import reverse
from django.utils.functional import cached_property

from metrology.pictures.view_payload import MEDIA_TYPE as VIEW_TYPE
from metrology.wording import NBSP, number

from . import feature_rows, queries, region_rows
from .alignment_reading import AlignmentReading
from .jobs import STAGES, STALE
from .models import Result, Scan, ScanPicture
from .services.scans import profile_of

VIEW_NAMES = {
    "pictorial": "Pictorial",
    "top": "From above",
    "front": "From the front",
    "left": "From the left",
}
SOON = timedelta(seconds=20)


class Stage(NamedTuple):
    name: str
    state: str  # "done", "under way" or "waiting"


class Progress:
    """Where the job of a scan under way is."""

    def __init__(self, scan: Scan, now: datetime) -> None:
        self.scan, self.now = scan, now

    @property
    def percent(self) -> int:
        return int(100 * self.scan.share)

    @property
    def stages(self) -> list[Stage]:
        names = list(STAGES)
        at = names.index(self.scan.stage) if self.scan.stage in names else -1
        return [
            Stage(name, "done" if place < at else "under way" if place == at else "waiting")
            for place, name in enumerate(names)
        ]

    @property
    def sentence(self) -> str:
        scan = self.scan
        if scan.stop_asked:
            return "Stopping at the next step."
        if scan.state == Scan.State.WAITING:
            return "Waiting for its turn."
        return f"{scan.stage.capitalize()}, {self.percent}{NBSP}% of the whole."

    @property
    def says(self) -> str:
        return self.worry or self.sentence

    @property
    def worry(self) -> str:
        """What to do when there is no sign of life."""
        scan = self.scan
        if (
            scan.state == Scan.State.WAITING
            and self.now - scan.uploaded_at > SOON
            and not Scan.objects.filter(kit=scan.kit, state=Scan.State.RUNNING).exists()
        ):
            return "No worker has taken it up yet. If this lasts, ask whoever runs Proofmark whether the worker is on."
        if scan.state == Scan.State.RUNNING and scan.heartbeat and self.now - scan.heartbeat > STALE:
            return "No sign of life for a minute: the worker seems to have died. It is taken up again by itself."
        return ""


class Reading:
    """A finished scan: its result and figures in words. view: which picture to show first."""

    def __init__(self, scan: Scan, view: str = "") -> None:
        self.scan, self.result = scan, scan.result
        self.figures: dict[str, Any] = self.result.figures
        self.asked = view

    @property
    def alignment(self) -> AlignmentReading | None:
        """What the alignment rests on; None for a result from before that was kept."""
        return AlignmentReading(self.result) if "alignment" in self.figures else None

    @cached_property
    def pictures(self) -> dict[str, ScanPicture]:
        return {picture.view: picture for picture in self.result.pictures.select_related("file")}

    @property
    def view(self) -> str:
        return self.asked if self.asked in self.pictures else next(iter(self.pictures), "")

    @property
    def picture(self) -> ScanPicture | None:
        return self.pictures.get(self.view)

    @property
    def view_name(self) -> str:
        return VIEW_NAMES.get(self.view, self.view)

    @property
    def picture_name(self) -> str:
        return f"{self.scan}-{self.view}.png"

    @property
    def deviations_name(self) -> str:
        return f"{self.scan}-deviations.npz"

    @property
    def counted(self) -> dict[str, str]:
        """Large numbers with their thousands apart: points read and used, places measured, triangles."""
        figures = self.figures
        numbers = {name: figures.get(name, 0) for name in ("points_read", "points_used", "triangles")}
        numbers["places"] = sum(figures.get("histogram_counts", []))
        return {name: f"{value:,}" for name, value in numbers.items()}

    @property
    def view_address(self) -> str:
        """Of what the three-dimensional view draws: below its hash, or where it is made first."""
        kit, view = self.scan.kit.code, self.result.view
        if view and view.media_type == VIEW_TYPE:
            return reverse("logbook:file", args=[kit, view.sha256, f"{self.scan}.view"])
        return reverse("inspection:scan_view", args=[kit, self.scan.code])

    @property
    def views(self) -> list[tuple[str, str]]:
        return [(view, VIEW_NAMES.get(view, view)) for view in self.pictures]

    @property
    def is_old_nominal(self) -> bool:
        return not self.result.nominal.current

    @property
    def other_limits(self) -> bool:
        """Whether the drawing's limits have changed since the scan was judged."""
        profile = profile_of(self.scan.cast.revision)
        return profile is None or (float(profile.lower), float(profile.upper)) != (self.result.lower, self.result.upper)

    @property
    def regions(self) -> list[dict[str, Any]]:
        return region_rows.rows(self.figures.get("regions", []))

    @property
    def features(self) -> list[dict[str, Any]]:
        return feature_rows.feature_rows(self.figures.get("features", []))

    @cached_property
    def fed(self) -> list[dict[str, Any]]:
        fed = self.figures.get("fed", [])
        return feature_rows.fed_rows(fed, self.scan, queries.counting(self.scan)) if fed else []

    @property
    def seconds(self) -> list[tuple[str, str]]:
        times = self.figures.get("seconds", {})
        rows = [(stage, number(value, 1)) for stage, value in times.items()]
        return [*rows, ("in all", number(sum(times.values()), 1))]


class Dot(NamedTuple):
    """A scan in the trend: where its diamond stands, drawn solid inside the limits and open outside."""

    scan: Scan
    x: float
    y: float
    label: str
    out: bool
    diamond: str


class Trend:
    """Worst deviations of a revision's casts in the order of pouring, against the limits of the newest scan."""

    WIDTH, HEIGHT = 820, 190
    LEFT, RIGHT, TOP, BASE = 46, 812, 10, 160
    MOST = 40

    def __init__(self, scans: Sequence[Scan]) -> None:
        scans = list(scans)[-self.MOST :]
        last = scans[-1].result
        self.lower, self.upper, self.guard = last.lower, last.upper, last.uncertainty
        worst = [scan.result.worst for scan in scans]
        low, high = min([self.lower, *worst]), max([self.upper, *worst])
        air = 0.12 * ((high - low) or 1.0)
        self._low, self._high = low - air, high + air
        step = (self.RIGHT - self.LEFT) / len(scans)
        every = -(-len(scans) // 14)
        prefix = len(commonprefix([scan.cast.serial for scan in scans])) if len(scans) > 1 else 0
        self.dots = []
        for place, scan in enumerate(scans):
            x, y = round(self.LEFT + step * (place + 0.5), 1), self.at(scan.result.worst)
            serial = scan.cast.serial
            label = serial[max(prefix - 2, 0) :] if (len(scans) - 1 - place) % every == 0 else ""
            out = scan.result.result != Result.CONFORMS
            diamond = f"M{x} {y - 6.5}l6.5 6.5l-6.5 6.5l-6.5 -6.5z"
            self.dots.append(Dot(scan, x, y, label, out, diamond))
        self.line = "M" + "L".join(f"{dot.x} {dot.y}" for dot in self.dots)

    def at(self, value: float) -> float:
        return round(self.TOP + (self._high - value) * (self.BASE - self.TOP) / (self._high - self._low), 1)

    @property
    def limits(self) -> list[tuple[float, str]]:
        return [(self.at(value), number(value, 2, signed=True)) for value in (self.upper, self.lower)]

    @property
    def accepted(self) -> list[float]:
        return [self.at(self.upper - self.guard), self.at(self.lower + self.guard)]

    @property
    def zero(self) -> float:
        return self.at(0.0)

    @property
    def above(self) -> float:
        """Height of the forbidden side at the top."""
        return round(self.at(self.upper) - self.TOP, 1)

    @property
    def below(self) -> float:
        return round(self.BASE - self.at(self.lower), 1)

    @property
    def label(self) -> str:
        """The finding, for those who do not see the drawing."""
        inside = sum(not dot.out for dot in self.dots)
        last = self.dots[-1].scan
        worst = number(last.result.worst, 2, signed=True)
        return (
            f"Worst deviation by cast: {inside} of {len(self.dots)} conform; the last, {last.cast}, has {worst} mm, "
            f"limits {number(self.lower, 2)} to {number(self.upper, 2)} mm."
        )
