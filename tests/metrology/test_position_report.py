"""Position reports of invented assemblies whose displacements are known. See `fixtures.assemblies`."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from fixtures.assemblies import Taken, about, arc_of_blocks, frame, take
from metrology.alignment.model import MarkedPair
from metrology.bodies import Cloud, Floats
from metrology.errors import AlignmentError, InputError, Stopped
from metrology.positions.assembly import PlacedPart
from metrology.positions.report import PositionReport, PositionSettings, position_report

PLAIN = PositionSettings(uncertainty_mm=0.1)
AS_SCANNED = replace(PLAIN, placing="as scanned")


def chance_motions(parts: list[PlacedPart], seed: int, mm: float, deg: float, every: int) -> dict[str, Floats]:
    rng = np.random.default_rng(seed)

    def some(most: float) -> tuple[float, float, float]:
        way = rng.normal(size=3)
        return tuple(way / np.linalg.norm(way) * most * rng.random())

    return {part.label: about(part, some(deg), some(mm)) for part in parts[::every]}


def errors(report: PositionReport, taken: Taken, parts: list[PlacedPart]) -> tuple[Floats, Floats, Floats]:
    """Of the parts found with all six numbers: mm (3 each), degrees (3 each), and both as shares of their U."""
    middles = {part.label: part.middle for part in parts}
    mm, deg, shares = [], [], []
    for part in report.parts:
        if part.found and all(part.known):
            truth, at = taken.motions[part.label], middles[part.label]
            mm.append(part.axes.T @ part.slide - (truth[:3, :3] @ at + truth[:3, 3] - at))
            turn = np.degrees(Rotation.from_matrix(truth[:3, :3]).as_rotvec())
            deg.append(part.axes.T @ part.turn_deg - turn)
            shares += [*np.abs(mm[-1]) / part.slide_u, *np.abs(deg[-1]) / part.turn_u]
    return np.array(mm), np.array(deg), np.array(shares)


def by_label(report: PositionReport) -> dict:
    return {part.label: part for part in report.parts}


def test_known_displacements_are_found_from_an_unknown_pose_with_strays():
    parts = arc_of_blocks()
    taken = take(parts, chance_motions(parts, 1, 25.0, 3.0, 4), strays=0.2)
    report = position_report(parts, taken.cloud, PLAIN)
    mm, deg, shares = errors(report, taken, parts)
    assert len(mm) == 10
    assert np.linalg.norm(mm, axis=1).max() < 0.25
    assert np.linalg.norm(deg, axis=1).max() < 0.04
    assert (shares < 1).mean() > 0.9
    assert not report.ambiguous


def test_the_sentence_of_a_part_says_where_it_sits():
    parts = arc_of_blocks(6)
    fourth = parts[3]
    taken = take(parts, {"P4": about(fourth, (0, 0, -0.3), (1.2, 0.0, 2.1))}, posed=False)
    report = position_report(parts, taken.cloud, AS_SCANNED)
    first = report.parts[0]
    assert first.label == "P4"
    assert first.sentence == (
        "SB-99 A at P4 sits 2.1\u00a0mm too high and 1.2\u00a0mm forward; turned 0.3° clockwise seen from above."
    )
    assert first.verdict.startswith("Conforms: 2.")
    assert first.verdict.endswith("off its place, 3.0\u00a0mm allowed; turned 0.3° in all, 0.6° allowed.")
    assert report.sentence.startswith("6\u00a0parts found and all lie in their tolerances. SB-99 A at P4 sits ")


@pytest.mark.parametrize(
    ("turn", "said"),
    [
        ((1.0, 0, 0), "leaning 1.0° to the right"),
        ((-1.0, 0, 0), "leaning 1.0° to the left"),
        ((0, 1.0, 0), "tipping 1.0° forward"),
        ((0, -1.0, 0), "tipping 1.0° back"),
        ((0, 0, 1.0), "turned 1.0° anticlockwise seen from above"),
    ],
)
def test_turns_are_said_the_way_they_are_seen(turn, said):
    parts = frame()
    taken = take(parts, {"L2": about(parts[1], turn, (0, 0, 0))}, points=25_000, posed=False)
    report = position_report(parts, taken.cloud, AS_SCANNED)
    assert report.parts[0].label == "L2"
    assert said in report.parts[0].sentence


def test_a_missing_part_is_not_found_even_among_equal_neighbours():
    parts = arc_of_blocks()
    taken = take(parts, missing=("P4", "P9"), strays=0.2, posed=False)
    report = position_report(parts, taken.cloud, AS_SCANNED)
    assert {part.label for part in report.parts if not part.found} == {"P4", "P9"}
    lost = by_label(report)["P4"]
    assert lost.result == "not measured"
    assert lost.sentence == "SB-99 A at P4 was not found: too little of it is in the scan near its place."
    assert "P4 and P9 were not found" in report.sentence


def test_what_one_stand_does_not_show_is_not_determined_and_never_conforms():
    parts = arc_of_blocks()
    taken = take(parts, strays=0.2, stands=1, posed=False)
    report = position_report(parts, taken.cloud, AS_SCANNED)
    unknown = [part for part in report.parts if not all(part.known)]
    assert unknown
    for part in unknown:
        assert part.result == "inconclusive"
        assert "Not determined by what the scan shows: " in part.sentence
        assert np.isinf(np.r_[part.slide_u, part.turn_u][~np.array(part.known)]).all()
    mm, _, shares = errors(report, taken, parts)
    assert np.abs(mm).max() < 0.3 and (shares < 1).mean() > 0.9


def test_control_parts_hold_the_whole():
    parts = arc_of_blocks()
    motions = {part.label: about(part, (0, 0, 0), (0.0, 0.0, 4.0)) for part in parts[:3]}
    taken = take(parts, motions)
    held = by_label(position_report(parts, taken.cloud, replace(PLAIN, control=("P1", "P2", "P3"))))
    free = by_label(position_report(parts, taken.cloud, PLAIN))
    assert held["P2"].control and held["P2"].slide[2] == pytest.approx(0.0, abs=0.1)
    assert held["P8"].slide[2] == pytest.approx(-4.0, abs=0.5)
    assert held["P8"].slide_u[2] > 1.5 * free["P8"].slide_u[2]  # far from its control parts less is known
    assert free["P2"].slide[2] == pytest.approx(4.0, abs=0.3)


def test_numbers_in_a_parts_own_axes():
    parts = arc_of_blocks(6)
    last = parts[-1]
    own = last.matrix[:3, :3]
    taken = take(parts, {"P6": about(last, (0, 0, 0), tuple(own @ [5.0, 0.0, 0.0]))}, posed=False)
    report = position_report(parts, taken.cloud, replace(AS_SCANNED, axes="part"))
    assert by_label(report)["P6"].slide == pytest.approx([5.0, 0.0, 0.0], abs=0.2)
    assert "in its own axes" in by_label(report)["P6"].sentence


def test_marked_points_place_a_scan():
    parts = arc_of_blocks()
    taken = take(parts, {"P5": about(parts[4], (0, 0, 0), (0, 0, 6.0))})
    back = taken.pose
    nominal = [parts[k].middle for k in (0, 4, 9)]
    rough = [tuple(back[:3, :3] @ at + back[:3, 3] + 3.0) for at in nominal]
    pairs = tuple(MarkedPair(scan, tuple(at)) for scan, at in zip(rough, nominal, strict=True))
    report = position_report(parts, taken.cloud, replace(PLAIN, placing="marked points", pairs=pairs))
    assert by_label(report)["P5"].slide[2] == pytest.approx(6.0, abs=0.2)
    assert report.placed_by.startswith("placed by 3\u00a0marked points")


def test_growth_of_the_whole_is_named_and_not_taken_for_many_faults():
    parts = arc_of_blocks()
    grown = {part.label: about(part, (0, 0, 0), tuple(0.0005 * part.middle)) for part in parts}
    report = position_report(parts, take(parts, grown).cloud, PLAIN)
    assert report.drift.grown and not report.drift.twisted
    assert report.drift.growth == pytest.approx(0.0005, abs=3e-5)
    assert report.notes[0].startswith("The parts lie as if the whole were 1.4\u00a0mm longer than nominal over 2")


def test_twist_of_the_whole_is_named():
    parts = arc_of_blocks()
    twisted = {part.label: about(part, (0, part.middle[1] / 3000 * 0.5, 0), (0, 0, 0)) for part in parts}
    report = position_report(parts, take(parts, twisted).cloud, PLAIN)
    assert report.drift.twisted
    assert report.drift.twist_deg == pytest.approx(0.5 * report.drift.span / 3000, abs=0.05)
    assert "from its right end to its left end (clockwise, seen from the right)" in report.notes[0]


def test_parts_are_ranked_by_what_matters():
    parts = [replace(part, position_mm=6.0 if k != 1 else None, turn_deg=None) for k, part in enumerate(frame())]
    motions = {
        "L1": about(parts[0], (0, 0, 0), (0, 0, 2.0)),
        "L2": about(parts[1], (0, 0, 0), (0, 0, 9.0)),  # no tolerance
        "L3": about(parts[2], (0, 0, 0), (0, 0, 5.0)),
    }
    report = position_report(parts, take(parts, motions, missing=("L4",), posed=False).cloud, AS_SCANNED)
    labels = [part.label for part in report.parts]
    assert labels[:3] == ["L3", "L4", "L1"]
    assert [by_label(report)[label].result for label in ("L3", "L4", "L1", "L2")] == [
        "does not conform",
        "not measured",
        "conforms",
        "",
    ]
    assert by_label(report)["L3"].share == pytest.approx(5 / 3, abs=0.1)
    assert by_label(report)["L2"].share is None


def test_a_displacement_next_to_the_limit_is_inconclusive():
    parts = [replace(part, position_mm=6.0, turn_deg=None) for part in frame()]
    taken = take(parts, {"L1": about(parts[0], (0, 0, 0), (0, 0, 2.95))}, points=25_000, posed=False)
    part = by_label(position_report(parts, taken.cloud, AS_SCANNED))["L1"]
    assert part.result == "inconclusive"
    assert "(U 0.1\u00a0mm)" in part.verdict


def test_the_same_scan_gives_the_same_answer_to_the_last_digit():
    parts = frame()
    taken = take(parts, chance_motions(parts, 3, 10.0, 1.0, 2), points=15_000, posed=False)
    first, second = (position_report(parts, taken.cloud, AS_SCANNED) for _ in range(2))
    assert [part.sentence for part in first.parts] == [part.sentence for part in second.parts]
    assert all(
        np.array_equal(a.slide, b.slide) and np.array_equal(a.turn_u, b.turn_u)
        for a, b in zip(first.parts, second.parts, strict=True)
    )


def test_a_frame_that_looks_alike_after_half_a_turn_is_called_ambiguous():
    parts = frame()
    report = position_report(parts, take(parts, points=20_000).cloud, PLAIN)
    assert report.ambiguous
    assert any("more than one way round" in note for note in report.notes)


@pytest.mark.parametrize(
    ("change", "code"),
    [
        ({"control": ("P77",)}, "control"),
        ({"search_mm": 0.0}, "search"),
        ({"placing": "marked points"}, "marked"),
        ({"uncertainty_mm": -0.1}, "negative-uncertainty"),
    ],
)
def test_settings_that_cannot_be_are_refused(change, code):
    parts = arc_of_blocks(3)
    with pytest.raises(InputError) as refusal:
        position_report(parts, Cloud(np.zeros((200, 3))), replace(AS_SCANNED, **change))
    assert refusal.value.code == code


def test_a_control_part_that_is_not_in_the_scan_is_refused():
    parts = arc_of_blocks(5)
    taken = take(parts, missing=("P2",), points=20_000, posed=False)
    with pytest.raises(AlignmentError) as refusal:
        position_report(parts, taken.cloud, replace(AS_SCANNED, control=("P1", "P2", "P5")))
    assert refusal.value.code == "control-not-found"
    assert "P2 is a control part and not in the scan" in refusal.value.sentence


def test_a_scan_somewhere_else_finds_nothing():
    parts = arc_of_blocks(3)
    taken = take(parts, points=5_000, posed=False)
    with pytest.raises(AlignmentError) as refusal:
        position_report(parts, Cloud(taken.cloud.points + 5_000.0), AS_SCANNED)
    assert refusal.value.code == "nothing-found"


def test_assemblies_that_cannot_be_are_refused():
    one = arc_of_blocks(2)
    cloud = Cloud(np.zeros((200, 3)))
    stretched = one[0].matrix.copy()
    stretched[0, 0] *= 1.02
    for parts, code in [
        ([], "no-parts"),
        ([one[0], one[0]], "label-twice"),
        ([replace(one[0], matrix=stretched)], "not-rigid"),
        ([replace(one[0], position_mm=0.0)], "tolerance"),
    ]:
        with pytest.raises(InputError) as refusal:
            position_report(parts, cloud, AS_SCANNED)
        assert refusal.value.code == code


@pytest.mark.parametrize("points", [np.zeros((20, 3)), np.full((200, 3), np.nan)])
def test_scans_of_nothing_are_refused(points):
    with pytest.raises((AlignmentError, InputError)) as refusal:
        position_report(arc_of_blocks(2), Cloud(points), AS_SCANNED)
    assert refusal.value.code in ("too-few-points", "not-a-number")


def test_it_can_be_stopped_between_parts():
    parts = arc_of_blocks(3)
    taken = take(parts, points=6_000, posed=False)

    def stop(stage: str, share: float) -> None:
        if stage == "finding the parts" and share > 0.1:
            raise Stopped

    with pytest.raises(Stopped):
        position_report(parts, taken.cloud, AS_SCANNED, stop)


def test_a_file_with_its_zero_far_away_reads_the_same():
    parts = [replace(part, matrix=far_away(part.matrix)) for part in arc_of_blocks(4)]
    taken = take(parts, {"P2": about(parts[1], (0, 0, 0), (0, 0, 5.0))}, points=25_000, posed=False)
    near_zero = Cloud(taken.cloud.points - FAR, FAR)
    report = position_report(parts, near_zero, AS_SCANNED)
    assert by_label(report)["P2"].slide == pytest.approx([0, 0, 5.0], abs=0.2)
    np.testing.assert_allclose(report.placement, np.eye(4), atol=1e-9)
    pairs = tuple(MarkedPair(tuple(part.middle), tuple(part.middle)) for part in (parts[0], parts[2], parts[3]))
    marked = position_report(parts, near_zero, replace(PLAIN, placing="marked points", pairs=pairs))
    assert by_label(marked)["P2"].slide[2] == pytest.approx(5.0, abs=0.3)


FAR = (4_000_000.0, 300_000.0, -1_000.0)


def far_away(matrix: Floats) -> Floats:
    moved = matrix.copy()
    moved[:3, 3] += FAR
    return moved
