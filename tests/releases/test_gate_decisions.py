"""Each check decides on frozen evidence: a table per check, no database."""

from dataclasses import replace
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from releases.gate import (
    casts,
    cautions,
    characteristics,
    fits,
    geometry,
    instrument,
    lessons,
    questions,
    scan,
    strength,
)

AT = datetime(2026, 5, 12, 9, 0, tzinfo=ZoneInfo("UTC"))
N = "\u00a0"


def shape(nominal="aa", drawing="bb", closed=True):
    return geometry.Evidence(nominal, drawing, closed, 4, (600.0, 400.0, 300.0), "/x")


@pytest.mark.parametrize(
    ("evidence", "verdict", "code"),
    [
        (shape(), "pass", "on-file"),
        (shape(nominal=""), "missing", "no-nominal"),
        (shape(drawing=""), "missing", "no-drawing"),
        (shape(closed=False), "fail", "open-mesh"),
    ],
)
def test_geometry_wants_a_closed_mesh_and_a_drawing(evidence, verdict, code):
    finding = geometry.decide(evidence, geometry.DEFAULTS, AT)
    assert (finding.verdict, finding.code) == (verdict, code)


def test_geometry_says_its_size_with_the_unit():
    assert f"600 × 400 × 300{N}mm" in geometry.decide(shape(), geometry.DEFAULTS, AT).sentence


def piece(serial="TP-1", demoulded=True, scrapped=False, nonconformities=0):
    return casts.CastFact(serial, demoulded, scrapped, nonconformities)


@pytest.mark.parametrize(
    ("pieces", "verdict", "code"),
    [
        ((), "missing", "none"),
        ((piece(), piece()), "missing", "too-few"),
        ((piece(), piece(), piece()), "pass", "enough"),
        ((piece(), piece(), piece(demoulded=False)), "missing", "too-few"),
        ((piece(), piece(), piece(scrapped=True)), "missing", "too-few"),
        ((piece(), piece(), piece(nonconformities=1)), "fail", "open-nonconformity"),
        ((piece(), piece(), piece(), piece(nonconformities=1)), "pass", "enough"),
    ],
)
def test_casts_count_only_when_demoulded_whole_and_settled(pieces, verdict, code):
    finding = casts.decide(casts.Evidence(pieces, "/x"), {"minimum": 3}, AT)
    assert (finding.verdict, finding.code) == (verdict, code)


def scanned(result="conforms", worst=0.71, coverage=0.97, serial="TP-SB-0013", current=True):
    return scan.ScanFact(
        "S-1", serial, result, f"{result} by {worst}.", -1, 1, 0.12, worst, coverage, current, "h", "/s"
    )


@pytest.mark.parametrize(
    ("scans", "verdict", "code"),
    [
        ((), "missing", "no-scan"),
        ((scanned(), scanned()), "missing", "too-few"),
        ((scanned(), scanned(), scanned()), "pass", "inside"),
        ((scanned(), scanned(), scanned("does not conform", 1.8)), "fail", "outside"),
        ((scanned(), scanned(), scanned("inconclusive", 0.95)), "inconclusive", "unsure"),
        ((scanned(), scanned(), scanned(coverage=0.90)), "inconclusive", "unsure"),
        ((scanned(current=False),) * 3, "missing", "old-nominal"),
    ],
)
def test_scans_must_lie_inside_on_enough_casts_with_enough_seen(scans, verdict, code):
    finding = scan.decide(scan.Evidence(scans, (), 0, "/x"), scan.DEFAULTS, AT)
    assert (finding.verdict, finding.code) == (verdict, code)


BESIDE = scan.ByBestFit("conforms", "conforms by best fit.", 0.12, 0.3, 0.97)
BY_DATUMS = replace(scanned("does not conform", 1.8), alignment="datum alignment", best_fit=BESIDE)


@pytest.mark.parametrize(
    ("scans", "asked", "planned", "verdict", "code"),
    [
        ((scanned(),) * 3, "datum alignment", "", "missing", "other-alignment"),
        ((scanned(),) * 3, "datum alignment", "best fit", "pass", "inside"),
        ((scanned(),) * 3, "best fit", "datum alignment", "missing", "other-alignment"),
        ((BY_DATUMS,) * 3, "datum alignment", "", "fail", "outside"),
        ((BY_DATUMS,) * 3, "datum alignment", "best fit", "pass", "inside"),
        ((BY_DATUMS,) * 3, "datum alignment", "marked points", "missing", "other-alignment"),
        ((replace(BY_DATUMS, result="conforms"), scanned()), "datum alignment", "", "missing", "other-alignment"),
        ((BY_DATUMS, scanned()), "datum alignment", "", "fail", "outside"),
    ],
)
def test_the_verdict_rests_on_the_alignment_that_plan_or_definition_names(scans, asked, planned, verdict, code):
    evidence = scan.Evidence(scans, (), 0, "/x", asked)
    finding = scan.decide(evidence, {**scan.DEFAULTS, "alignment": planned}, AT)
    assert (finding.verdict, finding.code) == (verdict, code)


def test_a_scan_under_another_alignment_is_named_with_both():
    evidence = scan.Evidence((scanned(),), (), 0, "/x", "datum alignment")
    said = scan.decide(evidence, scan.DEFAULTS, AT).sentence
    assert said.startswith("Scan S-1 of TP-SB-0013 was measured by best fit; the definition asks for datum alignment.")


def test_a_passing_scan_check_says_the_worst_value_and_where():
    scans = (scanned(worst=0.2, serial="TP-SB-0011"), scanned(worst=-0.3, serial="TP-SB-0012"), scanned())
    said = scan.decide(scan.Evidence(scans, (), 0, "/x"), scan.DEFAULTS, AT).sentence
    assert said == (
        f"3 of 3{N}casts lie inside ±1.0{N}mm after a 0.12{N}mm guard band; worst +0.71{N}mm on TP-SB-0013."
    )


def asked(*values, lower=599.0, upper=601.0, uncertainty=0.05):
    readings = tuple(
        characteristics.Reading(f"TP-{n}", value, uncertainty, f"/{n}") for n, value in enumerate(values, 1)
    )
    return characteristics.Evidence((characteristics.Asked(1, "Length", lower, upper, "mm", 0, readings),), "/x")


@pytest.mark.parametrize(
    ("evidence", "verdict", "code"),
    [
        (characteristics.Evidence((), "/x"), "missing", "none-drawn"),
        (asked(), "missing", "too-few"),
        (asked(600, 600), "missing", "too-few"),
        (asked(600, 600.9, 599.1), "pass", "conform"),
        (asked(600, 600, 601.2), "fail", "outside"),
        (asked(600, 600, 600.97), "inconclusive", "unsure"),
        (asked(600, 600, 600, lower=None), "pass", "conform"),
        (asked(600, 600, 601.5, lower=None), "fail", "outside"),
    ],
)
def test_characteristics_are_judged_with_a_guard_band(evidence, verdict, code):
    finding = characteristics.decide(evidence, {"minimum": 3}, AT)
    assert (finding.verdict, finding.code) == (verdict, code)


def use(uncertainty=0.1, lower=-1.0, upper=1.0, due=None, used=date(2026, 5, 1)):
    return instrument.Use("G-1 Calliper", 4, "Seat", lower, upper, "mm", uncertainty, due, used)


@pytest.mark.parametrize(
    ("uses", "verdict", "code"),
    [
        ((), "missing", "unused"),
        ((use(),), "pass", "fit"),
        ((use(0.25),), "pass", "fit"),
        ((use(), use(0.26)), "fail", "too-coarse"),
        ((use(due=date(2026, 4, 30)),), "fail", "overdue"),
        ((use(due=date(2026, 5, 1)),), "pass", "fit"),
        ((use(lower=None),), "pass", "one-sided"),
    ],
)
def test_instruments_must_be_sure_to_a_quarter_of_the_half_tolerance(uses, verdict, code):
    """U at most 1/4 of the half tolerance: common practice, no source."""
    finding = instrument.decide(instrument.Evidence(uses, "/x"), instrument.DEFAULTS, AT)
    assert (finding.verdict, finding.code) == (verdict, code)


def broken(*strengths, required=40.0, early=0, untested=()):
    tests = tuple(strength.Test("B-1", f"X-{n}", 28, value) for n, value in enumerate(strengths, 1))
    return strength.Evidence(required, 28, tests, early, untested, "/x")


@pytest.mark.parametrize(
    ("evidence", "verdict"),
    [
        (broken(required=None), "not applicable"),
        (broken(), "missing"),
        (broken(45, 46), "missing"),
        (broken(45, 46, 44), "pass"),
        (broken(45, 46, 44, untested=("B-2",)), "pass"),
        (broken(45, 46, 30), "fail"),
        (broken(39, 40, 40), "fail"),
    ],
)
def test_strength_follows_the_acceptance_rule(evidence, verdict):
    """Rule of ACI 318 26.12.3 as checked in tests/metrology/test_strength.py."""
    assert strength.decide(evidence, {}, AT).verdict == verdict


def joint(*gaps, lower=1.0, upper=4.0, code="I-1"):
    measured = tuple(fits.Gap("corner", gap, 0.1, result) for gap, result in gaps)
    return fits.Joint(code, "Seat joint", "T-1" if gaps else "", "/t", lower, upper, measured)


@pytest.mark.parametrize(
    ("evidence", "verdict", "code"),
    [
        (fits.Evidence((), 0, "/x"), "not applicable", "no-interface"),
        (fits.Evidence((joint(),), 0, "/x"), "missing", "no-trial"),
        (fits.Evidence((joint((2, "conforms")), joint(code="I-2")), 1, "/x"), "missing", "joint-not-tried"),
        (fits.Evidence((joint((2, "conforms")),), 1, "/x"), "pass", "fits"),
        (fits.Evidence((joint((6.1, "does not conform")),), 1, "/x"), "fail", "gap-outside"),
        (fits.Evidence((joint((3.95, "inconclusive")),), 1, "/x"), "inconclusive", "gap-unsure"),
    ],
)
def test_fits_need_every_joint_tried_and_inside(evidence, verdict, code):
    finding = fits.judge(evidence, "the mock-up")
    assert (finding.verdict, finding.code) == (verdict, code)


@pytest.mark.parametrize(("gap", "word"), [(6.1, "too wide"), (0.5, "too tight")])
def test_a_bad_gap_is_told_in_words(gap, word):
    evidence = fits.Evidence((joint((gap, "does not conform")),), 1, "/x")
    assert word in fits.judge(evidence, "the mock-up").sentence


@pytest.mark.parametrize(
    ("gap", "result", "said"),
    [
        (0.35, "conforms", "0.35 to 0.35\u00a0mm"),
        (0.45, "does not conform", "gap 0.45\u00a0mm at corner, too wide. Asked: 0.10 to 0.40\u00a0mm."),
    ],
)
def test_a_gap_on_a_small_model_keeps_its_second_decimal(gap, result, said):
    evidence = fits.Evidence((joint((gap, result), lower=0.1, upper=0.4),), 1, "/x")
    finding = fits.judge(evidence, "the model")
    assert said in finding.sentence
    assert finding.gauge.decimals == 2


def test_a_gap_at_full_size_is_told_with_one_decimal():
    evidence = fits.Evidence((joint((2, "conforms")),), 1, "/x")
    assert "2.0 to 2.0\u00a0mm" in fits.judge(evidence, "the mock-up").sentence


@pytest.mark.parametrize(("answered", "verdict"), [((), "pass"), ((True,), "pass"), ((True, False), "missing")])
def test_questions_must_all_be_answered(answered, verdict):
    rows = tuple(questions.Asked(f"Q-{n}", "Why?", done, "/q") for n, done in enumerate(answered, 1))
    assert questions.decide(questions.Evidence(rows), {}, AT).verdict == verdict


@pytest.mark.parametrize(
    ("blocking", "proven", "verdict"),
    [(False, False, "pass"), (True, True, "pass"), (True, False, "fail")],
)
def test_a_blocking_lesson_stops_until_it_is_proven(blocking, proven, verdict):
    rows = (lessons.Learned("L-1", "Seat grows", blocking, proven, "/l"),)
    assert lessons.decide(lessons.Evidence(rows), {}, AT).verdict == verdict


@pytest.mark.parametrize(("text", "verdict"), [("", "missing"), ("  \n", "missing"), ("Wet cement burns.", "pass")])
def test_cautions_must_be_stated(text, verdict):
    assert cautions.decide(cautions.Evidence(text.strip(), "/x"), {}, AT).verdict == verdict


# ---- gauge studies ---------------------------------------------------------------------------------------------------


def studied(study="GS-01", grr=0.05, tolerance=2.0, number=4):
    return instrument.GaugeStudied("G-1 Calliper", number, "Seat", tolerance, "mm", study, grr if study else None)


SURE = (instrument.Use("G-1 Calliper", 4, "Seat", -1.0, 1.0, "mm", 0.05, None, AT.date()),)
ASKED = {**instrument.DEFAULTS, "largest_grr": 0.3}


@pytest.mark.parametrize(
    ("studies", "by_hand", "settings", "verdict", "code"),
    [
        ((), 1, instrument.DEFAULTS, "pass", "fit"),
        ((), 1, ASKED, "missing", "no-gauge-study"),
        ((), 0, ASKED, "pass", "fit"),
        ((studied(),), 1, ASKED, "pass", "fit"),
        ((studied(grr=0.1),), 1, ASKED, "pass", "fit"),
        ((studied(grr=0.1001),), 1, ASKED, "fail", "gauge-unfit"),
        ((studied(grr=0.4),), 1, instrument.DEFAULTS, "pass", "fit"),
        ((studied(), studied(None, number=5)), 2, ASKED, "missing", "no-gauge-study"),
        ((studied(tolerance=None),), 1, ASKED, "pass", "fit"),
        ((studied(grr=0.0),), 1, ASKED, "pass", "fit"),
    ],
)
def test_a_plan_may_ask_for_gauge_studies(studies, by_hand, settings, verdict, code):
    finding = instrument.decide(instrument.Evidence(SURE, "/x", by_hand, studies), settings, AT)
    assert (finding.verdict, finding.code) == (verdict, code)


def test_an_instrument_too_coarse_by_its_u_fails_before_a_study_is_missed():
    coarse = (instrument.Use("G-1 Calliper", 4, "Seat", -1.0, 1.0, "mm", 0.5, None, AT.date()),)
    assert instrument.decide(instrument.Evidence(coarse, "/x", 1), ASKED, AT).code == "too-coarse"


def test_the_largest_share_of_a_tolerance_is_said_with_its_study():
    said = instrument.decide(instrument.Evidence(SURE, "/x", 2, (studied(), studied(grr=0.09, number=5))), ASKED, AT)
    assert "%GRR is at most 27.0\u00a0% of a tolerance, by GS-01" in said.sentence
    unfit = instrument.decide(instrument.Evidence(SURE, "/x", 1, (studied(grr=0.2),)), ASKED, AT)
    assert "60.0\u00a0% of the tolerance of number 4, Seat, by GS-01; 30.0\u00a0% is the most" in unfit.sentence
    assert "%GRR at most 30.0\u00a0%" in instrument.ask(ASKED) and "%GRR" not in instrument.ask(instrument.DEFAULTS)


def test_evidence_without_studies_has_the_hash_that_it_had_before_there_were_any():
    from releases.gate.base import canonical, evidence_hash

    plain, counted = instrument.Evidence(SURE, "/x"), instrument.Evidence(SURE, "/y", 3)
    assert set(canonical(plain)) == {"uses"} and evidence_hash(plain) == evidence_hash(counted)
    assert evidence_hash(instrument.Evidence(SURE, "/x", 1, (studied(),))) != evidence_hash(plain)
