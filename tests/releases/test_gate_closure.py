"""The closure check: the part's loops close often enough by its casts, surely do not, or nobody can say yet."""

from dataclasses import replace

import pytest

from inspection.models import Measurement
from logbook.services import record
from metrology.closure.closing import Member, PartLoop, closes
from releases import services
from releases.gate import CHECKS, closure, evaluate
from releases.gate.closure import Evidence, Loop
from releases.models import Hold, PutForward, Verdict
from tests import make

SETTINGS = dict(closure.DEFAULTS)
BAY = Member("Bay", 612.0, 611.0, 613.0)
CASTS = tuple((f"TP-{n}", 600 + (n % 3 - 1) / 10) for n in range(12))
BLOCK = Member("Block", 600.0, 599.0, 601.0, sensitivity=-1.0, part="SB-02 A", casts=CASTS)


def loop(*members, lower=8.0, upper=16.0, fault="", code="LP-01"):
    part = None if fault else PartLoop(members, lower, upper)
    return Loop(code, "Bay 1", part, fault, ("Block",), "/loop/")


@pytest.mark.parametrize(
    ("loops", "verdict", "code", "says"),
    [
        ((), Verdict.NOT_APPLICABLE, "no-loop", "No loop has a dimension of this part."),
        ((loop(BAY, BLOCK),), Verdict.PASS, "closes", "LP-01 Bay 1: 100\u00a0% of assemblies close"),
        ((loop(BAY, BLOCK, lower=13.0),), Verdict.FAIL, "does-not-close", "LP-01 Bay 1: "),
        ((loop(BAY, replace(BLOCK, casts=CASTS[:2])),), Verdict.MISSING, "too-few", "2 of 3\u00a0casts"),
        ((loop(BAY, replace(BLOCK, casts=())),), Verdict.MISSING, "too-few", "0 of 3\u00a0casts"),
        ((loop(fault="SB-02 has no number 1."),), Verdict.MISSING, "unreadable", "has no number 1"),
        ((loop(BAY, BLOCK, lower=11.3),), Verdict.INCONCLUSIVE, "unsure", "at least"),
        ((loop(BAY, BLOCK), loop(BAY, BLOCK, lower=13.0, code="LP-02")), Verdict.FAIL, "does-not-close", "LP-02"),
        ((loop(BAY, BLOCK), loop(BAY, BLOCK, code="LP-02")), Verdict.PASS, "closes", "All 2\u00a0loops close"),
    ],
)
def test_the_verdict_follows_from_the_loops(loops, verdict, code, says):
    settings = SETTINGS | ({"wanted": 0.98} if code == "unsure" else {})
    found = closure.decide(Evidence(tuple(loops)), settings, make.NOON)
    assert (found.verdict, found.code) == (verdict, code) and says in found.sentence


def test_the_figures_are_those_of_the_same_function():
    found = closure.decide(Evidence((loop(BAY, BLOCK, lower=11.3),)), SETTINGS, make.NOON)
    same = closes(PartLoop((BAY, BLOCK), 11.3, 16.0), 3, 0.95)
    assert found.figures == {"chance": same.share, "low": same.low, "high": same.high}


def test_a_higher_wanted_chance_turns_a_pass(db):
    evidence = Evidence((loop(BAY, BLOCK, lower=11.1),))
    assert closure.decide(evidence, SETTINGS | {"wanted": 0.9}, make.NOON).verdict == Verdict.PASS
    assert closure.decide(evidence, SETTINGS | {"wanted": 0.9999}, make.NOON).verdict == Verdict.FAIL


def test_the_gate_reads_the_loops_of_a_part(lead):
    revision = make.revision(author=lead)
    characteristic = make.characteristic(revision)
    instrument = make.instrument()
    for n, value in enumerate((599.9, 600.0, 600.1), 1):
        make.measurement(make.cast(revision, lead, f"TP-{n:04d}"), characteristic, value, lead, instrument)
    other = make.revision(make.component("KB-01"), author=lead)
    make.loop(lead, members=[(612, 1), (revision.component, 1, -1)])
    readings = evaluate([revision, other], make.NOON)
    row = {one.code: one for one in readings[revision.pk].rows}["closure"]
    assert row.verdict == Verdict.PASS and row.finding.links[0].url == "/TPW/loops/LP-01/"
    assert {one.code: one for one in readings[other.pk].rows}["closure"].verdict == Verdict.NOT_APPLICABLE


def test_a_new_cast_changes_the_evidence(lead):
    revision = make.revision(author=lead)
    characteristic = make.characteristic(revision)
    make.loop(lead, members=[(612, 1), (revision.component, 1, -1)])

    def now():
        rows = evaluate([revision], make.NOON)[revision.pk].rows
        return {one.code: one.evidence_hash for one in rows}["closure"]

    before = now()
    make.measurement(make.cast(revision, lead, "TP-1"), characteristic, 600, lead, make.instrument())
    assert now() != before


def test_a_released_part_is_held_when_its_neighbour_no_longer_lets_the_loop_close(
    lead, second_lead, django_capture_on_commit_callbacks
):
    cap = make.revision(make.component("PC-01"), author=lead, state="put forward", cautions="Wet cement burns.")
    block = make.revision(author=lead)
    for number, revision in enumerate((cap, block)):
        characteristic, instrument = make.characteristic(revision), make.instrument(f"G-{number}")
        for n, value in enumerate((599.9, 600.0, 600.1), 1):
            cast = make.cast(revision, lead, f"TP-{number}-{n}")
            make.measurement(cast, characteristic, value, lead, instrument)
    make.loop(lead, members=[(cap.component, 1, 1), (block.component, 1, 1)], lower=1190, upper=1210)
    leave_out = {one.CODE: {"applies": False, "reason": "Not here."} for one in CHECKS if one.CODE != "closure"}
    services.set_plan(kit=make.kit(), component=None, checks=leave_out, by=lead, at=make.NOON)
    PutForward.objects.create(revision=cap, by=lead, at=make.NOON)
    services.sign_off(revision=cap, by=second_lead, at=make.NOON)
    for measurement in Measurement.objects.filter(characteristic__revision=block):
        Measurement.objects.filter(pk=measurement.pk).update(value=630 + measurement.pk / 10)
    with django_capture_on_commit_callbacks(execute=True):
        record(lead, "measurement.recorded", block.casts.first(), "Measured again.", at=make.NOON)
    assert [hold.by_rule for hold in Hold.objects.filter(revision=cap)] == ["closure"]
