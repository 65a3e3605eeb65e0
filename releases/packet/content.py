"""What stands in a packet, read once from the records into plain values."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from functools import cache
from zoneinfo import ZoneInfo

from inspection.kept import paper_pictures
from inspection.models import Measurement, Scan, ScanResult
from lessons.models import Lesson, Trial
from metrology.amounts.decimals import places
from metrology.bodies import Mesh
from metrology.wording import count, day, limits, quantity
from parts.models import Characteristic, Geometry
from parts.services.geometry import nominal_mesh
from releases.models import Release

# Two of the pictures of a scan go on paper; the page has them all.
ON_PAPER = ("pictorial", "top")


@dataclass(frozen=True)
class CheckLine:
    title: str
    asked: str
    verdict: str
    sentence: str
    evidence_hash: str


@dataclass(frozen=True)
class CharacteristicLine:
    number: int
    name: str
    asked: str
    weight: str
    readings: tuple[tuple[str, str, str, str], ...]  # serial, value ± U, result, instrument


@dataclass(frozen=True)
class ScanSheet:
    title: str
    sentence: str
    facts: tuple[tuple[str, str], ...]
    pictures: tuple[tuple[str, bytes], ...]  # view, PNG or JPEG


@dataclass(frozen=True)
class TrialLine:
    title: str
    about: str
    gaps: tuple[tuple[str, str, str, str], ...]  # interface, gap, asked, result
    went_wrong: str


@dataclass(frozen=True)
class Content:
    kit: str
    invented: bool
    part_number: str
    title: str
    letter: str
    material: str
    what_changed: str
    why: str
    cautions: tuple[str, ...]
    author: str
    put_forward: str
    signatures: tuple[tuple[str, str, str], ...]  # name, meaning, when
    released: str
    checks: tuple[CheckLine, ...]
    characteristics: tuple[CharacteristicLine, ...]
    scans: tuple[ScanSheet, ...]
    trials: tuple[TrialLine, ...]
    lessons: tuple[tuple[str, str, str, str], ...]  # code and title, action, standing, proof
    concessions: tuple[tuple[str, str], ...]
    hashes: tuple[tuple[str, str], ...]  # what, SHA-256
    evidence_hash: str
    address: str


def gather(release: Release, address: str = "") -> Content:
    """Read everything that belongs to one release.

    address: where the project answers, as "https://example.org", for the QR code; empty when it is not known.
    """
    revision = release.revision
    component = revision.component
    zone = ZoneInfo(component.kit.time_zone)
    geometry = list(revision.geometry.filter(current=True).select_related("file"))
    scans = _newest_scans(release)
    mesh = cache(nominal_mesh)  # the scans of a revision have one nominal as a rule
    hashes = [(f"{row.get_role_display()}: {row.original_name}", row.file.sha256) for row in geometry]
    hashes += [(f"scan {scan.code}: {scan.original_name}", scan.file.sha256) for scan in scans]
    return Content(
        kit=component.kit.name,
        invented=component.kit.invented,
        part_number=component.part_number,
        title=component.name,
        letter=revision.letter,
        material=component.material,
        what_changed=revision.what_changed,
        why=revision.why,
        cautions=tuple(line.strip() for line in revision.cautions.splitlines() if line.strip()),
        author=str(revision.author),
        put_forward=f"{release.put_forward_by}, {_moment(release.put_forward_at, zone)}",
        signatures=tuple(
            (sign.signed_name, sign.meaning, _moment(sign.signed_at, zone)) for sign in release.sign_offs.all()
        ),
        released=_moment(release.released_at, zone),
        checks=tuple(
            CheckLine(row.title, row.asked, row.verdict, row.sentence, row.evidence_hash)
            for row in release.check_results.all()
        ),
        characteristics=tuple(_characteristics(release)),
        scans=tuple(_scan_sheet(scan, zone, mesh) for scan in scans),
        trials=tuple(_trials(release, zone)),
        lessons=tuple(_lessons(release)),
        concessions=tuple(_concessions(release)),
        hashes=tuple(hashes),
        evidence_hash=release.evidence_hash,
        address=address.rstrip("/") + revision.get_absolute_url() if address else "",
    )


def _moment(at: datetime, zone: ZoneInfo) -> str:
    local = at.astimezone(zone)
    return f"{day(local)} {local:%H:%M}"


def _newest_scans(release: Release) -> list[Scan]:
    """The newest finished scan of each cast of the revision at the moment of release, in pour order."""
    scans = (
        Scan.objects.filter(
            cast__revision=release.revision,
            state=Scan.State.DONE,
            withdrawn_at__isnull=True,
            scanned_at__lte=release.released_at,
        )
        .select_related("cast", "file", "instrument", "result__nominal__file", "result__deviations")
        .prefetch_related("result__pictures__file")
        .order_by("cast__poured_at", "scanned_at", "pk")
    )
    return list({scan.cast_id: scan for scan in scans}.values())


def _scan_sheet(scan: Scan, zone: ZoneInfo, mesh: Callable[[Geometry], Mesh]) -> ScanSheet:
    result = scan.result
    facts = [
        ("Scanned", f"{_moment(scan.scanned_at, zone)}, {scan.instrument}"),
        ("Limits", limits(result.lower, result.upper, "mm", 2)),
        ("Sure to", f"{quantity(result.uncertainty, 'mm', 2)}, k = 2"),
        ("Coverage", quantity(100 * (result.coverage or 0), "%", 1)),
        ("Inside", quantity(100 * (result.inside_share or 0), "%", 1)),
        ("Worst", quantity(result.worst or 0, "mm", 2, signed=True)),
        ("Against", f"{result.nominal.original_name}, {result.nominal.file.sha256[:12]}"),
        ("Measured by", f"Proofmark, numbers version {result.code_version}"),
    ]
    return ScanSheet(f"Scan {scan.code} of {scan.cast.serial}", result.sentence, tuple(facts), _pictures(result, mesh))


def _pictures(result: ScanResult, mesh: Callable[[Geometry], Mesh]) -> tuple[tuple[str, bytes], ...]:
    """Drawn again with lettering for paper; as they are on the page where the deviations are missing."""
    if result.deviations:
        return tuple(paper_pictures(result, mesh(result.nominal), ON_PAPER).items())
    stored = [picture for picture in result.pictures.all() if picture.view in ON_PAPER]
    return tuple((picture.view, picture.file.open().read()) for picture in stored)


def _characteristics(release: Release) -> Iterator[CharacteristicLine]:
    rows: dict[int, list[Measurement]] = {}
    measured = (
        Measurement.objects.filter(
            characteristic__revision=release.revision, replaced=False, measured_at__lte=release.released_at
        )
        .select_related("cast", "instrument", "scan")
        .order_by("cast__poured_at", "measured_at", "pk")
    )
    for measurement in measured:
        rows.setdefault(measurement.characteristic_id, []).append(measurement)
    for item in release.revision.characteristics.order_by("number"):
        unit = "" if item.unit == Characteristic.Unit.NONE else item.unit
        lower, upper = (None if limit is None else float(limit) for limit in (item.lower, item.upper))
        yield CharacteristicLine(
            item.number,
            item.name,
            limits(lower, upper, unit, item.decimals),
            item.get_weight_display(),
            tuple(
                (
                    row.cast.serial,
                    _plus_minus(row, unit, item.decimals + 1),
                    row.get_result_display(),
                    row.instrument.code if row.instrument else row.scan.code if row.scan else "",
                )
                for row in rows.get(item.pk, [])
            ),
        )


def _plus_minus(row: Measurement, unit: str, least: int) -> str:
    """Value ± U, both with as many decimals as U was stated with: 0.05 must not print as 0.1."""
    value, uncertainty = float(row.value), float(row.uncertainty)
    decimals = max(least, min(3, places(uncertainty)))
    return f"{quantity(value, unit, decimals)} ± {quantity(uncertainty, unit, decimals)}"


def _trials(release: Release, zone: ZoneInfo) -> Iterator[TrialLine]:
    trials = (
        Trial.objects.filter(pieces__revision=release.revision, started_at__lte=release.released_at)
        .distinct()
        .select_related("mockup")
        .prefetch_related("fit_checks__interface", "steps")
        .order_by("started_at")
    )
    for trial in trials:
        size = "full size" if trial.mockup.is_full_size else f"1 : {trial.mockup.scale.normalize():f}"
        minutes = sum(float(step.minutes or 0) for step in trial.steps.all())
        yield TrialLine(
            f"Trial {trial.code} on {trial.mockup}",
            f"{_moment(trial.started_at, zone)}, {size}, {count(len(trial.steps.all()), 'step')} in "
            f"{quantity(minutes, 'min', 0)}. "
            f"{trial.conditions}".strip(),
            tuple(
                (
                    f"{check.interface.name}{', ' + check.where if check.where else ''}",
                    quantity(float(check.gap), "mm", 2),
                    limits(
                        None if check.lower is None else float(check.lower),
                        None if check.upper is None else float(check.upper),
                        "mm",
                        2,
                    ),
                    check.get_result_display(),
                )
                for check in trial.fit_checks.all()
            ),
            trial.went_wrong,
        )


def _lessons(release: Release) -> Iterator[tuple[str, str, str, str]]:
    lessons = Lesson.objects.filter(component=release.component, written_at__lte=release.released_at).order_by("code")
    for lesson in lessons:
        proven = lesson.proven_at is not None and lesson.proven_at <= release.released_at
        yield (str(lesson), lesson.action, "proven" if proven else "not proven", lesson.proof if proven else "")


def _concessions(release: Release) -> Iterator[tuple[str, str]]:
    rows = release.revision.concessions.filter(granted_at__lte=release.released_at).prefetch_related("serials")
    for row in rows.select_related("granted_by"):
        serials = ", ".join(cast.serial for cast in row.serials.all()) or f"{row.quantity} pieces"
        yield (
            f"{row.code} for {row.check_code}",
            f"{row.reason} For {serials}, until {day(row.expires_on)}. "
            f"{row.condition + '. ' if row.condition else ''}Granted by {row.granted_by}.",
        )
