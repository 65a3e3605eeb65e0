"""What a scan is aligned by: the definition's alignment, points marked on the scan, best fit beside. All invented."""

import uuid
from decimal import Decimal

import numpy as np
import pytest
from django.urls import reverse
from PIL import Image

from fixtures import scanner
from fixtures.files import write_ply_points
from inspection import alignment, results, services
from inspection.alignment_models import MarkedPoint
from inspection.jobs import run
from inspection.models import Scan
from logbook.models import Entry
from metrology.alignment.model import BestFit, DatumAlignment, Locked, MarkedPair, MarkedPoints
from parts import services as part_services
from tests.inspection.conftest import nominal_mesh
from tests.inspection.rows import make_result, make_scan
from tests.refusals import refused

pytestmark = pytest.mark.django_db
MARKS = np.array([[-300.0, -200, 0], [300, -200, 0], [-300, 200, 0], [-300, -200, 300]])


@pytest.fixture(autouse=True)
def undrawn(monkeypatch):
    """Numbers as they are, pictures blank."""
    blank = Image.fromarray(np.full((40, 60, 3), 255, np.uint8))
    monkeypatch.setattr(results, "deviation_pictures", lambda *args, views, **given: {view: blank for view in views})


@pytest.fixture
def tilted(tmp_path) -> tuple[bytes, np.ndarray]:
    """A scan of a block whose upper side tilts by 1.2 mm over its length, and where its part frame lies in it."""

    def lean(points):
        moved = points.copy()
        moved[:, 2] += points[:, 2] / 300 * 1.2 * points[:, 0] / 600
        return moved

    cloud, pose = scanner.scan(scanner.cast_from(nominal_mesh(), warp=lean, max_edge_mm=30), points=9000, seed=5)
    path = tmp_path / "tilted.ply"
    write_ply_points(cloud.points, path)
    return path.read_bytes(), pose


@pytest.fixture
def datums(block, lead):
    """The block's definition asks for its underside, left side and front end."""
    limits = {"lower": Decimal(-1), "upper": Decimal(1), "by": lead}
    places = {"underside": {"facing": "down"}, "left side": {"facing": "left"}, "front end": {"facing": "forward"}}
    regions = [part_services.add_region(block, name=name, **where, **limits) for name, where in places.items()]
    names = ("primary", "secondary", "tertiary")
    return part_services.set_alignment(block, kind="datum alignment", **dict(zip(names, regions, strict=True)), by=lead)


def pairs_in(pose, off=0.0):
    on_scan = MARKS @ pose[:3, :3].T + pose[:3, 3] + off
    return [MarkedPair(tuple(map(float, a)), tuple(map(float, b))) for a, b in zip(on_scan, MARKS, strict=True)]


def measured(scan: Scan) -> Scan:
    run(scan.pk, scan.attempt)
    return Scan.objects.select_related("result").get(pk=scan.pk)


def test_the_verdict_rests_on_the_datums_and_best_fit_stands_beside(datums, upload, tilted):
    scan = measured(upload(file=tilted[0]))
    result, kept = scan.result, scan.result.figures["alignment"]
    assert (scan.state, result.alignment) == ("done", "datum alignment")
    assert [one["name"] for one in kept["supports"]] == ["underside", "left side", "front end"]
    # The upper side tilts by 1.2 mm over the length at full height; best fit takes a part of it out.
    assert abs(result.worst) > abs(result.best_fit["worst"]) + 0.1
    assert "tilt about the left–right axis" in kept["difference"]["words"]
    assert result.uncertainty == pytest.approx(np.hypot(0.12, kept["uncertainty"]["deviation_mm"]))


def test_datums_that_were_not_scanned_leave_best_fit_and_the_reason(datums, upload, tmp_path):
    cloud, _ = scanner.scan(nominal_mesh(), points=6000, underside_hidden=True, seed=6)
    path = tmp_path / "above.ply"
    write_ply_points(cloud.points, path)
    result = measured(upload(file=path.read_bytes())).result
    assert result.alignment == "best fit" and result.best_fit is None
    assert "This rests on best fit: datum alignment was not possible." in result.sentence
    assert "“underside”" in result.figures["alignment"]["lacking"]


def test_marked_points_are_asked_for_where_there_are_none(block, lead, upload, tilted):
    part_services.set_alignment(block, kind="marked points", by=lead)
    scan = measured(upload(file=tilted[0]))
    assert scan.result.figures["alignment"]["lacking"].startswith("No points are marked on this scan.")
    services.mark_points(scan, pairs_in(tilted[1]), by=lead)
    result = measured(Scan.objects.get(pk=scan.pk)).result
    assert result.alignment == "marked points"
    assert [one["role"] for one in result.figures["alignment"]["supports"]] == ["pair"] * 4


@pytest.fixture
def waiting(piece, arm, technician):
    return make_scan(piece, arm, technician, "S-07", state="failed", error="No.", error_code="wrong-part")


def test_what_is_asked_follows_the_definition_and_the_marks(datums, waiting, lead):
    asked = alignment.asked_of(waiting)
    assert asked.kind == "datum alignment" and isinstance(asked.spec, DatumAlignment) and asked.spec.start is None
    MarkedPoint.objects.bulk_create(
        MarkedPoint(scan=waiting, number=k, scan_x=1, scan_y=k, scan_z=k * k, nominal_x=1, nominal_y=k, nominal_z=k * k)
        for k in (1, 2, 3)
    )
    assert isinstance(alignment.asked_of(waiting).spec.start, MarkedPoints)
    held = part_services.set_alignment(
        datums.revision, kind="best fit", primary=datums.primary, secondary=datums.secondary,
        tertiary=datums.tertiary, held=["along up", "about left"], by=lead,
    )  # fmt: skip
    waiting.cast.revision.refresh_from_db()
    asked = alignment.asked_of(waiting)
    assert isinstance(asked.spec, BestFit) and asked.kind == held.kind == "best fit"
    assert asked.spec.locked == (Locked("along", (0.0, 0.0, 1.0)), Locked("about", (0.0, 1.0, 0.0)))


def test_marking_points_keeps_them_and_measures_again(waiting, technician):
    services.mark_points(waiting, pairs_in(np.eye(4)), by=technician)
    assert [mark.on_nominal for mark in waiting.marks.all()] == [tuple(map(float, mark)) for mark in MARKS]
    assert Scan.objects.get(pk=waiting.pk).state == "waiting"
    acts = [entry.act for entry in Entry.objects.all()[:2]]
    assert acts == ["scan.run-again", "scan.marked"]


@pytest.mark.parametrize(
    ("pairs", "code"),
    [
        ([], "too-few-pairs"),
        (pairs_in(np.eye(4))[:2], "too-few-pairs"),
        ([MarkedPair((k, k, k), (k, k, k)) for k in (0.0, 50.0, 90.0)], "on-one-line"),
    ],
)
def test_pairs_that_tell_nothing_are_refused_before_anything_is_kept(waiting, technician, pairs, code):
    refused(code, services.mark_points, waiting, pairs, by=technician)


def test_marks_are_taken_out_again(waiting, technician):
    services.mark_points(waiting, pairs_in(np.eye(4)), by=technician)
    Scan.objects.filter(pk=waiting.pk).update(state="done")
    services.mark_points(Scan.objects.get(pk=waiting.pk), [], by=technician)
    assert not waiting.marks.exists()


def typed(pairs, **given):
    form = {"once": uuid.uuid4().hex}
    for row, pair in enumerate(pairs, start=1):
        for side in ("scan", "nominal"):
            form |= {f"{side}-{row}-{axis}": f"{v:.3f}" for axis, v in zip("xyz", getattr(pair, side), strict=True)}
    return form | given


@pytest.fixture
def page(waiting):
    return reverse("inspection:marks", args=["TPW", "S-07"])


def test_pairs_are_typed_on_a_page(page, waiting, technician, signed_in):
    answer = signed_in(technician).post(page, typed(pairs_in(np.eye(4))))
    assert answer.url == waiting.get_absolute_url()
    assert waiting.marks.count() == 4


def test_a_pair_that_lacks_a_coordinate_is_told_and_nothing_typed_is_lost(page, waiting, technician, signed_in):
    form = typed(pairs_in(np.eye(4)), **{"scan-2-y": ""})
    answer = signed_in(technician).post(page, form).content.decode()
    assert "Pair 2 lacks a coordinate" in answer and 'value="-300.000"' in answer
    assert not waiting.marks.exists()


def test_others_may_not_mark(page, waiting, visitor, signed_in):
    assert signed_in(visitor).post(page, typed(pairs_in(np.eye(4)))).status_code == 403
    assert not waiting.marks.exists()


def test_the_page_takes_no_other_method(page, technician, signed_in):
    assert signed_in(technician).delete(page).status_code == 405


OLD = {
    "mean": 0.02, "sd": 0.1, "p01": -0.2, "p99": 0.3, "lowest": -0.3, "highest": 0.4, "stray_share": 0.01,
    "histogram_edges": [-1.0, 0.0, 1.0], "points_read": 4000, "points_used": 3900, "triangles": 12, "noise_mm": 0.04,
    "spacing_mm": 2.0, "notes": [], "seconds": {}, "pose": {"rms": 0.08, "trimmed_share": 0.02},
}  # fmt: skip


@pytest.mark.parametrize("figures", [{}, OLD | {"histogram_counts": [0, 0]}, OLD | {"histogram_counts": [1, 5]}])
def test_a_result_from_before_alignments_were_kept_is_still_shown(piece, arm, technician, signed_in, figures):
    scan = make_scan(piece, arm, technician, "S-09", state="done")
    make_result(scan, figures=figures)
    answer = signed_in(technician).get(scan.get_absolute_url())
    assert answer.status_code == 200
    text = answer.content.decode()
    assert "Run the scan again to see what it rests on" in text
    assert ("Histogram of deviations" in text) == (5 in figures.get("histogram_counts", []))
