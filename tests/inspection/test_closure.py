"""Loops that must close: what can be added and changed, and what their members stand for. All records are invented."""

from datetime import timedelta
from decimal import Decimal

import pytest

from inspection.closure import loops_of, loops_with, read_loops
from inspection.models import ClosureLoop, LoopMember
from inspection.services.closure import MemberSaid, add_loop, change_loop, end_loop
from logbook.models import Entry
from metrology.closure.closing import closes
from tests import make
from tests.refusals import refused

pytestmark = pytest.mark.django_db

BAY = MemberSaid("Bay", nominal=Decimal(612), lower=Decimal(609), upper=Decimal(615))
LIMITS = {"lower": Decimal(8), "upper": Decimal(16)}
LENGTH = MemberSaid("Chord", nominal=Decimal(900), lower=Decimal(899), upper=Decimal(901), role="length")
RING = {"how": "ring", "pieces": 12, "chord": Decimal(900), "built": "free", **LIMITS}


@pytest.fixture
def block(lead):
    revision = make.revision(author=lead)
    make.characteristic(revision)  # 600, 599 to 601 mm
    return revision


def piece(block, **more):
    return MemberSaid("Block", component=block.component, number=1, sensitivity=Decimal(-1), **more)


def measured(block, lead, *values, first=1):
    instrument = make.instrument(f"G-{first}")
    for n, value in enumerate(values, first):
        cast = make.cast(block, lead, f"TP-SB-{n:04d}")
        make.measurement(cast, block.characteristics.get(), value, lead, instrument)


def read(loop, *asked):
    loops = list(loops_of(make.kit()).filter(pk=loop.pk))
    return read_loops(loops, asked)[loop.pk, asked[0].pk if asked else None]


# ---- adding, changing, ending ----------------------------------------------------------------------------------------


def test_a_loop_takes_the_next_code_and_an_entry(block, lead):
    loop = add_loop(block.component.kit, by=lead, name="Bay 1", members=[BAY, piece(block)], **LIMITS)
    assert (loop.code, loop.members.count()) == ("LP-01", 2)
    assert Entry.objects.latest("number").sentence == "Loop LP-01 Bay 1 added: 2\u00a0dimensions."


def test_an_interface_gives_the_limits(block, lead):
    interface = make.interface(block.component, lower=2, upper=6)
    loop = add_loop(block.component.kit, by=lead, name="Bay", members=[BAY, piece(block)], interface=interface)
    assert read(loop).part.lower == 2.0 and loop.lower is None


@pytest.mark.parametrize(
    ("said", "members", "code"),
    [
        ({"name": " "}, [BAY], "no-name"),
        ({}, [], "no-members"),
        ({"lower": None, "upper": None}, [BAY], "no-limits"),
        ({"lower": Decimal(20)}, [BAY], "limits-swapped"),
        ({}, [BAY, BAY], "member-name"),
        ({}, [MemberSaid("Bay", nominal=Decimal(1))], "member-limits"),
        ({}, [MemberSaid("a", nominal=Decimal(1), lower=Decimal(0), upper=Decimal(2), sensitivity=Decimal(0))],
         "sensitivity"),
        ({"how": "formula", "formula": "Bay +"}, [BAY], "bad-formula"),
        ({"how": "formula", "formula": "Wall"}, [BAY], "unknown-name"),
        (RING | {"pieces": 2}, [LENGTH], "too-few-pieces"),
        (RING | {"chord": None}, [LENGTH], "no-chord"),
        (RING | {"built": ""}, [LENGTH], "no-built"),
        (RING, [BAY], "role"),
        (RING, [LENGTH, MemberSaid("b", nominal=Decimal(1), lower=Decimal(0), upper=Decimal(2), role="length")],
         "role-twice"),
        ({"how": "knot"}, [BAY], "how"),
    ],
)  # fmt: skip
def test_a_loop_that_cannot_be_judged_is_refused(lead, said, members, code):
    kit = make.kit()
    refused(code, add_loop, kit, by=lead, members=members, **({"name": "Bay"} | LIMITS | said))


def test_a_number_that_no_drawing_has_is_refused(block, lead):
    member = MemberSaid("Block", component=block.component, number=9)
    refused("no-such-number", add_loop, block.component.kit, by=lead, name="Bay", members=[member], **LIMITS)


def test_only_a_row_takes_several_pieces_of_one_kind(block, lead):
    refused(
        "times", add_loop, block.component.kit, by=lead, name="Bay", how="formula", formula="Block",
        members=[piece(block, times=2)], **LIMITS,
    )  # fmt: skip


def test_a_change_is_told_with_what_was_before(block, lead):
    loop = add_loop(block.component.kit, by=lead, name="Bay", members=[BAY, piece(block)], **LIMITS)
    change_loop(loop, by=lead, name="Bay", members=[BAY, piece(block)], lower=Decimal(9), upper=Decimal(16))
    details = Entry.objects.latest("number").details
    assert (details["before"]["lower"], details["after"]["lower"]) == ("8", "9")
    assert LoopMember.objects.count() == 2


def test_saving_without_a_change_is_refused(block, lead):
    loop = add_loop(block.component.kit, by=lead, name="Bay", members=[BAY, piece(block)], **LIMITS)
    loop = loops_of(make.kit()).get(pk=loop.pk)
    with pytest.raises(Exception, match="Nothing was changed"):
        change_loop(loop, by=lead, name="Bay", members=[BAY, piece(block)], **LIMITS)
    assert Entry.objects.filter(act="loop.changed").count() == 0 and LoopMember.objects.count() == 2


def test_a_loop_ends_once_with_a_reason(block, lead):
    loop = add_loop(block.component.kit, by=lead, name="Bay", members=[BAY], **LIMITS)
    refused("no-reason", end_loop, loop, by=lead, why=" ")
    end_loop(loop, by=lead, why="Built differently now")
    refused("ended", end_loop, loop, by=lead, why="again")
    refused("ended", change_loop, loop, by=lead, name="x", members=[BAY], **LIMITS)


# ---- what members stand for ------------------------------------------------------------------------------------------


def test_a_member_is_drawn_from_the_casts_that_still_stand(block, lead):
    measured(block, lead, 599.8, 600.1, 600.0)
    block.casts.filter(serial="TP-SB-0003").update(standing="scrapped")
    loop = make.loop(lead, members=[(612, 3), (block.component, 1, -1)])
    assert dict(read(loop).part.members[1].casts) == {"TP-SB-0001": 599.8, "TP-SB-0002": 600.1}


def test_a_corrected_reading_counts_instead_of_the_first(block, lead):
    measured(block, lead, 599.0)
    cast, characteristic = block.casts.get(), block.characteristics.get()
    cast.measurements.update(replaced=True)
    make.measurement(cast, characteristic, 600.2, lead, make.instrument("G-9"))
    loop = make.loop(lead, members=[(block.component, 1, -1)])
    assert read(loop).part.members[0].casts == (("TP-SB-0001", 600.2),)


def test_the_buildable_revision_counts_and_an_asked_one_takes_its_place(block, lead):
    type(block).objects.filter(pk=block.pk).update(state="buildable")
    later = make.revision(block.component, "B", lead)
    make.characteristic(later, lower=599.5, upper=600.5)
    loop = make.loop(lead, members=[(612, 3), (block.component, 1, -1)])
    assert read(loop).part.members[1].part == "SB-02 A"
    assert (read(loop, later).part.members[1].part, read(loop, later).part.members[1].lower) == ("SB-02 B", 599.5)


def test_a_withdrawn_part_leaves_the_loop_without_an_answer(block, lead):
    type(block).objects.filter(pk=block.pk).update(state="withdrawn")
    found = read(make.loop(lead, members=[(block.component, 1, -1)]))
    assert found.part is None and "no revision that counts" in found.fault


def test_a_one_sided_characteristic_is_said_to_need_a_typed_tolerance(block, lead):
    make.characteristic(block, 2, name="Depth", lower=None, upper=5)
    found = read(make.loop(lead, members=[(block.component, 2, -1)]))
    assert found.part is None and "one limit only" in found.fault


def test_a_ring_is_read_with_its_shape(block, lead):
    loop = add_loop(block.component.kit, by=lead, name="Ring", members=[LENGTH], **RING)
    part = read(loop).part
    assert (part.ring.pieces, part.ring.fixed, part.members[0].role) == (12, False, "length")
    assert 0 <= closes(part, 3, 0.95).share <= 1


def test_ended_loops_and_sketches_do_not_count_for_the_gate(block, lead):
    make.loop(lead, "LP-01", [(block.component, 1, -1)], ended_at=make.NOON + timedelta(days=1))
    make.loop(lead, "LP-02", [(block.component, 1, -1)], for_gate=False)
    third = make.loop(lead, "LP-03", [(block.component, 1, -1)])
    assert loops_with([block]) == [third]


@pytest.mark.parametrize("n", [2, 20])
def test_many_loops_are_read_with_the_same_queries(block, lead, n, django_assert_num_queries):
    measured(block, lead, 599.8, 600.1, 600.0)
    for k in range(n):
        make.loop(lead, f"LP-{k:02d}", [(612, 3), (block.component, 1, -1)])
    kit = make.kit()
    with django_assert_num_queries(5):  # loops, members, revisions, characteristics, measurements
        found = read_loops(list(loops_of(kit)), [block])
    assert len(found) == 2 * n and ClosureLoop.objects.count() == n
