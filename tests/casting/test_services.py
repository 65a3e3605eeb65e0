"""The acts of casting, each with the refusals of the trade. All records are invented."""

from datetime import date, timedelta
from decimal import Decimal

import pytest
from django.db import IntegrityError

from casting import hooks, services
from casting.models import Cast, Mould
from casting.serials import propose_serial
from logbook.models import Entry
from tests import make
from tests.make import NOON
from tests.refusals import refused

pytestmark = pytest.mark.django_db
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)


@pytest.fixture
def block(lead):
    return make.revision(author=lead)


def pour(revision, by, **given):
    return services.log_cast(revision, by=by, at=NOON + HOUR, **({"poured_at": NOON} | given))


def test_a_pour_is_logged_with_its_entry(block, technician):
    mould, batch = make.mould(block), make.batch(technician)
    cast = pour(block, technician, mould=mould, batch=batch, mass=Decimal("171.5"))
    assert (cast.standing, cast.mould, cast.batch) == ("in mould", mould, batch)
    entry = Entry.objects.get(act="cast.logged")
    assert entry.trail == f"TPW/SB-02/A/{cast.serial}"
    assert "poured to SB-02 A in mould M-01 from batch B-01" in entry.sentence


def test_the_first_serial_comes_from_kit_and_part_number(block):
    assert propose_serial(block.component) == "TPW-SB-0001"


def test_the_next_serial_follows_the_last_of_the_part(block, technician):
    make.cast(block, technician, serial="TP-SB-0013")
    assert pour(block, technician).serial == "TP-SB-0014"


def test_a_new_part_takes_over_how_the_kit_numbers(block, technician, lead):
    make.cast(block, technician, serial="TP-SB-0013")
    other = make.revision(make.component("PC-01"), author=lead)
    assert propose_serial(other.component) == "TP-PC-0001"


def test_parts_that_share_letters_share_the_running_number(block, technician, lead):
    make.cast(block, technician, serial="TP-SB-0013")
    other = make.revision(make.component("SB-03"), author=lead)
    assert propose_serial(other.component) == "TP-SB-0014"


def test_a_serial_without_digits_is_left_out_of_the_running_number(block, technician):
    make.cast(block, technician, serial="TP-SB-0002")
    make.cast(block, technician, serial="SAMPLE", logged_at=NOON + DAY)
    assert propose_serial(block.component) == "TP-SB-0003"


def test_a_serial_is_taken_whatever_its_letters_case(block, technician):
    make.cast(block, technician, serial="TP-SB-0013")
    said = refused("serial-taken", pour, block, technician, serial="tp-sb-0013")
    assert said.field == "serial"
    assert "TP-SB-0014" in said.sentence


def test_a_pour_in_the_future_is_refused(block, technician):
    refused("future", pour, block, technician, poured_at=NOON + 2 * HOUR)


def test_a_mould_of_another_part_is_refused(block, technician, lead):
    other = make.mould(make.revision(make.component("PC-01"), author=lead))
    assert "PC-01" in refused("other-component", pour, block, technician, mould=other).sentence


@pytest.mark.parametrize("state", ["retired", "resting"])
def test_a_mould_that_is_not_in_use_is_refused(block, technician, state):
    refused("mould-not-in-use", pour, block, technician, mould=make.mould(block, state=state))


def test_a_mould_made_after_the_pour_is_refused(block, technician):
    refused("before-mould", pour, block, technician, mould=make.mould(block, made_on=date(2026, 5, 13)))


def test_a_batch_mixed_after_the_pour_is_refused(block, technician):
    refused("before-mixing", pour, block, technician, batch=make.batch(technician, mixed_at=NOON + HOUR))


def test_a_batch_of_another_kit_is_refused(block, technician):
    refused("other-kit", pour, block, technician, batch=make.batch(technician, kit=make.kit("OTHER")))


@pytest.mark.parametrize(
    ("state", "code"),
    [("in preparation", "in-preparation"), ("superseded", "not-castable"), ("withdrawn", "not-castable")],
)
def test_nobody_casts_to_a_revision_that_is_not_open_to_it(lead, technician, state, code):
    refused(code, pour, make.revision(author=lead, state=state), technician)


def test_a_piece_poured_before_the_revision_was_superseded_may_be_logged_late(lead, technician):
    revision = make.revision(author=lead, state="superseded", state_since=NOON + HOUR / 2)
    assert pour(revision, technician).revision == revision


def test_an_upper_room_can_stop_a_pour(block, technician, monkeypatch):
    monkeypatch.setattr(hooks, "stops", [lambda revision, mould, batch: f"{revision} is on hold."])
    assert refused("stopped", pour, block, technician).sentence == "SB-02 A is on hold."


def test_a_new_batch_is_logged_with_the_pour(block, technician):
    cast = pour(block, technician, batch=services.NewBatch("C40 mortar", water_binder=Decimal("0.42")))
    assert (cast.batch.code, cast.batch.mixed_at, cast.batch.water_binder) == ("B-01", NOON, Decimal("0.42"))


def test_a_refused_pour_leaves_no_new_batch(block, technician):
    make.cast(block, technician, serial="TP-SB-0013")
    refused("serial-taken", pour, block, technician, serial="TP-SB-0013", batch=services.NewBatch("C40 mortar"))


@pytest.mark.parametrize("ratio", ["0", "1.2", "42"])
def test_a_water_to_binder_ratio_that_no_mix_has_is_refused(block, technician, ratio):
    refused("water-binder", pour, block, technician, batch=services.NewBatch("C40", water_binder=Decimal(ratio)))


@pytest.fixture
def poured(block, technician):
    return make.cast(block, technician, demoulded_at=None, standing="in mould")


def test_a_demoulded_cast_cures(poured, technician):
    services.log_demould(poured, by=technician, demoulded_at=NOON + DAY, defects="Chip", at=NOON + DAY)
    poured.refresh_from_db()
    assert (poured.standing, poured.demoulded_at, poured.defects) == ("curing", NOON + DAY, "Chip")
    assert "after 24\u00a0h" in Entry.objects.get().sentence


@pytest.mark.parametrize(("hours", "code"), [(-1, "before-pour"), (49, "future")])
def test_demoulding_before_the_pour_or_in_the_future_is_refused(poured, technician, hours, code):
    refused(code, services.log_demould, poured, by=technician, demoulded_at=NOON + hours * HOUR, at=NOON + 2 * DAY)


def test_a_cast_leaves_its_mould_once(poured, technician):
    twin = Cast.objects.get(pk=poured.pk)
    services.log_demould(poured, by=technician, demoulded_at=NOON + DAY, at=NOON + DAY)
    refused("demoulded", services.log_demould, poured, by=technician, demoulded_at=NOON + DAY, at=NOON + DAY)
    refused("changed", services.log_demould, twin, by=technician, demoulded_at=NOON + DAY, at=NOON + DAY)


def test_the_database_itself_keeps_demoulding_after_the_pour(block, technician):
    with pytest.raises(IntegrityError):
        make.cast(block, technician, demoulded_at=NOON - HOUR)


def test_what_was_written_before_stays_when_demoulding_adds_nothing(poured, technician):
    Cast.objects.filter(pk=poured.pk).update(mass=Decimal("171.5"))
    poured.refresh_from_db()
    services.log_demould(poured, by=technician, demoulded_at=NOON + DAY, at=NOON + DAY)
    poured.refresh_from_db()
    assert poured.mass == Decimal("171.5")


def test_a_correction_keeps_the_old_value_in_the_logbook(poured, technician):
    services.correct_cast(poured, by=technician, mass=Decimal("170"), defects="", place="Rack 2")
    entry = Entry.objects.get(act="cast.corrected")
    assert entry.details == {"mass": ["", "170"], "place": ["", "Rack 2"]}
    assert Cast.objects.get().mass == 170


def test_a_correction_that_changes_nothing_is_refused(poured, technician):
    refused("unchanged", services.correct_cast, poured, by=technician, mass=None, defects="", place="")


def test_a_correction_to_a_mass_of_nothing_is_refused(poured, technician):
    refused("mass", services.correct_cast, poured, by=technician, mass=Decimal(0), defects="", place="")


@pytest.fixture
def stored(block, technician):
    return make.cast(block, technician)


def test_a_cast_is_moved(stored, technician):
    services.move_cast(stored, by=technician, to="on site", place="North shore")
    stored.refresh_from_db()
    assert (stored.standing, stored.place) == ("on site", "North shore")


def test_what_is_still_in_the_mould_does_not_move(poured, technician):
    refused("in-mould", services.move_cast, poured, by=technician, to="in store")


@pytest.mark.parametrize(("to", "code"), [("scrapped", "needs-decision"), ("in mould", "in-mould")])
def test_scrap_and_mould_are_no_places_to_move_to(stored, technician, to, code):
    refused(code, services.move_cast, stored, by=technician, to=to)


def test_a_scrapped_cast_stays_scrapped(block, technician):
    refused(
        "scrapped", services.move_cast, make.cast(block, technician, standing="scrapped"), by=technician, to="curing"
    )


def test_a_cast_with_an_open_nonconformity_does_not_go_to_site(stored, technician):
    make.nonconformity(stored, technician)
    assert "N-01" in refused("open-nonconformity", services.move_cast, stored, by=technician, to="on site").sentence


def test_two_moves_at_once_have_one_effect(stored, technician):
    twin = Cast.objects.get(pk=stored.pk)
    services.move_cast(stored, by=technician, to="curing")
    refused("changed", services.move_cast, twin, by=technician, to="on site")


def test_a_mould_is_logged_with_the_next_code(block, technician):
    mould = services.log_mould(block, by=technician, made_on=date(2026, 5, 12), scale=(1.0018, 1, 1), at=NOON)
    assert (mould.code, mould.component) == ("M-01", block.component)


def test_a_correction_of_a_mould_names_what_was_changed(block, technician):
    first = make.mould(block)
    given = {"by": technician, "made_on": date(2026, 5, 12), "corrects": first, "at": NOON}
    refused("no-correction", services.log_mould, block, **given)
    services.log_mould(block, correction="Core lowered by 1.6 mm.", **given)
    assert "corrects M-01: Core lowered" in Entry.objects.get().sentence


def test_a_mould_is_refused_for_a_taken_code_a_future_day_a_bad_scale_or_another_part(block, technician, lead):
    given = {"by": technician, "made_on": date(2026, 5, 12), "at": NOON}
    make.mould(block, code="M-07")
    refused("code-taken", services.log_mould, block, **given | {"code": "m-07"})
    refused("future", services.log_mould, block, **given | {"made_on": date(2026, 5, 13)})
    refused("scale", services.log_mould, block, **given | {"scale": (1, 0, 1)})
    other = make.mould(make.revision(make.component("PC-01"), author=lead), code="M-08")
    refused("other-component", services.log_mould, block, **given | {"corrects": other, "correction": "x"})


def test_a_mould_rests_returns_and_retires_for_good(block, technician):
    mould = make.mould(block)
    services.change_mould_state(mould, to="resting", by=technician)
    services.change_mould_state(mould, to="in use", by=technician)
    refused("no-reason", services.change_mould_state, mould, to="retired", by=technician)
    services.change_mould_state(mould, to="retired", reason="Face worn.", by=technician)
    assert Mould.objects.get().state == "retired"
    refused("retired", services.change_mould_state, mould, to="in use", by=technician)


def test_a_batch_is_refused_for_a_taken_code_a_future_time_or_no_mix(technician):
    given = {"by": technician, "mix_design": "C40", "mixed_at": NOON, "at": NOON}
    make.batch(technician, code="B-07")
    refused("code-taken", services.log_batch, make.kit(), **given | {"code": "b-07"})
    refused("future", services.log_batch, make.kit(), **given | {"mixed_at": NOON + HOUR})
    refused("no-mix", services.log_batch, make.kit(), **given | {"mix_design": " "})


def test_the_age_of_a_test_follows_from_the_day_of_mixing_at_the_kit(technician):
    kit = make.kit(time_zone="Pacific/Auckland")  # 12 May 12:00 UTC is 13 May there in summer time or out of it
    batch = make.batch(technician, kit=kit)
    test = services.log_strength_test(
        batch, by=technician, label="X-1", strength=Decimal("48.2"), tested_on=date(2026, 6, 9), at=NOON + 60 * DAY
    )
    assert test.age_days == 27


def test_a_strength_test_is_refused_for_a_label_used_before_no_strength_or_an_impossible_day(technician):
    batch = make.batch(technician)
    make.strength(batch, technician, label="X-1")
    given = {
        "by": technician,
        "label": "X-2",
        "strength": Decimal(50),
        "tested_on": date(2026, 6, 9),
        "at": NOON + 60 * DAY,
    }
    refused("label-taken", services.log_strength_test, batch, **given | {"label": "x-1"})
    refused("strength", services.log_strength_test, batch, **given | {"strength": Decimal(0)})
    refused("before-mixing", services.log_strength_test, batch, **given | {"tested_on": date(2026, 5, 11)})
    refused("future", services.log_strength_test, batch, **given | {"tested_on": date(2027, 5, 11)})


def test_a_reported_cast_is_segregated(stored, technician):
    found = services.report_nonconformity(stored, by=technician, what="Honeycomb", found_at=NOON, place="Bay 9")
    stored.refresh_from_db()
    assert (found.code, found.is_open, stored.standing, stored.place) == ("N-01", True, "segregated", "Bay 9")


@pytest.mark.parametrize("standing", ["in mould", "installed", "on site"])
def test_what_cannot_be_carried_away_stays_where_it_is(block, technician, standing):
    cast = make.cast(block, technician, standing=standing)
    services.report_nonconformity(cast, by=technician, what="Crack")
    assert Cast.objects.get().standing == standing


def test_a_report_needs_words_and_a_possible_time(stored, technician):
    refused("no-text", services.report_nonconformity, stored, by=technician, what=" ")
    refused("future", services.report_nonconformity, stored, by=technician, what="x", found_at=NOON + HOUR, at=NOON)
    refused("before-pour", services.report_nonconformity, stored, by=technician, what="x", found_at=NOON - HOUR)


@pytest.fixture
def open_one(stored, technician):
    return make.nonconformity(stored, technician)


def test_scrap_takes_the_cast_out_for_good(open_one, lead):
    services.decide_nonconformity(open_one, by=lead, disposition="scrap")
    assert Cast.objects.get().standing == "scrapped"
    assert "may not be used" in Entry.objects.get().sentence


def test_an_installed_cast_is_not_scrapped_in_place(open_one, lead):
    Cast.objects.update(standing="installed")
    open_one.cast.refresh_from_db()
    refused("installed", services.decide_nonconformity, open_one, by=lead, disposition="scrap")


def test_use_as_is_says_that_a_concession_is_needed(open_one, lead):
    services.decide_nonconformity(open_one, by=lead, disposition="use as is")
    assert "needs a concession" in Entry.objects.get().sentence


@pytest.mark.parametrize("disposition", ["rework", "repair"])
def test_rework_and_repair_say_what_was_done(open_one, lead, disposition):
    refused("no-correction", services.decide_nonconformity, open_one, by=lead, disposition=disposition)
    services.decide_nonconformity(open_one, by=lead, disposition=disposition, correction="Filled with repair mortar.")
    assert not open_one.is_open


def test_a_nonconformity_is_decided_once(open_one, lead):
    twin = type(open_one).objects.get()
    services.decide_nonconformity(open_one, by=lead, disposition="regrade")
    refused("decided", services.decide_nonconformity, twin, by=lead, disposition="scrap")
    refused("no-disposition", services.decide_nonconformity, twin, by=lead, disposition="")
    assert Cast.objects.get().standing == "in store"
