"""Kits, components and interfaces through their services."""

from decimal import Decimal

import pytest

from logbook.models import Entry
from parts import services
from parts.errors import NotNow, Refusal, Taken, Unusable
from tests import make

pytestmark = pytest.mark.django_db


def new_component(kit, by, part_number="SB-02", **fields):
    standard = {"name": "Saddle block", "material": "C40 mortar"}
    return services.create_component(kit, part_number=part_number, by=by, **(standard | fields))


def test_a_kit_is_begun_and_stands_in_the_logbook(lead):
    kit = services.create_kit(code="TPW", name="Tern Point walkway", time_zone="Europe/London", by=lead)
    entry = Entry.objects.get()
    assert (entry.act, entry.trail, entry.who) == ("kit.created", "TPW", lead)
    assert kit.time_zone == "Europe/London"


@pytest.mark.parametrize(
    ("fields", "field", "sentence"),
    [
        ({"code": "tpw"}, "code", "TPW is the code of Tern Point walkway"),
        ({"code": "Admin"}, "code", "an address of Proofmark itself"),
        ({"code": "a b"}, "code", "letters, digits, dots and dashes"),
        ({"code": "X", "time_zone": "Mars/North"}, "time_zone", "is not a time zone"),
    ],
)
def test_a_kit_that_cannot_be_says_why(lead, fields, field, sentence):
    make.kit()
    with pytest.raises(Refusal) as refusal:
        services.create_kit(**({"name": "Other", "by": lead} | fields))
    assert refusal.value.field == field
    assert sentence in refusal.value.sentence
    assert not Entry.objects.exists()


def test_the_code_of_a_kit_stays(lead):
    with pytest.raises(Unusable, match="tags carry it"):
        services.change_kit(make.kit(), code="NEW", by=lead)


def test_a_change_is_recorded_with_before_and_after(lead):
    component = make.component()
    services.change_component(component, name="Saddle, mid-span", quantity=4, by=lead)
    entry = Entry.objects.get()
    assert entry.details == {"name": ["Saddle block", "Saddle, mid-span"], "quantity": [1, 4]}
    assert entry.sentence == "Component SB-02 Saddle, mid-span: name and quantity in the kit changed."


def test_a_change_of_nothing_writes_nothing(lead):
    component = make.component()
    services.change_component(component, name=component.name, by=lead)
    assert not Entry.objects.exists()


def test_a_part_number_stands_once_in_a_kit_whatever_its_case(lead):
    new_component(make.kit(), lead)
    with pytest.raises(Taken, match="SB-02 is the part number of Saddle block"):
        new_component(make.kit(), lead, "sb-02")
    new_component(make.kit("OTHER"), lead)


def test_a_part_number_may_change_until_there_is_a_revision(lead):
    component = make.component()
    services.change_component(component, part_number="SB-03", by=lead)
    make.revision(component, author=lead)
    with pytest.raises(NotNow, match="its part number stays"):
        services.change_component(component, part_number="SB-04", by=lead)


def test_a_quantity_of_none_is_refused(lead):
    with pytest.raises(Refusal) as refusal:
        new_component(make.kit(), lead, quantity=0)
    assert refusal.value.field == "quantity"


def test_an_interface_takes_the_next_code(lead):
    kit = make.kit()
    a, b = new_component(kit, lead), new_component(kit, lead, "DP-01")
    first = services.add_interface(kit, name="Seat", component_a=a, component_b=b, upper=Decimal(4), by=lead)
    second = services.add_interface(kit, name="Side", component_a=b, component_b=b, lower=Decimal(1), by=lead)
    assert (first.code, second.code) == ("I-01", "I-02")
    assert Entry.objects.first().sentence == "Interface I-02 Side between two DP-01 added."


@pytest.mark.parametrize(
    ("fields", "field"),
    [
        ({"lower": Decimal(4), "upper": Decimal(1)}, "lower"),
        ({"lower": None, "upper": None}, "lower"),
        ({"code": "i-01"}, "code"),
    ],
)
def test_an_interface_that_cannot_be_names_its_field(lead, fields, field):
    a = make.component()
    make.interface(a)
    standard = {"name": "Seat", "component_a": a, "component_b": a, "lower": Decimal(1)}
    with pytest.raises(Refusal) as refusal:
        services.add_interface(a.kit, by=lead, **(standard | fields))
    assert refusal.value.field == field


def test_an_interface_does_not_reach_into_another_kit(lead):
    a, other = make.component(), make.component(kit=make.kit("OTHER"))
    with pytest.raises(Unusable, match="belongs to another kit") as refusal:
        services.add_interface(a.kit, name="Seat", component_a=a, component_b=other, lower=Decimal(1), by=lead)
    assert refusal.value.field == "component_b"


def test_changed_interface_limits_are_checked_with_the_ones_that_stay(lead):
    interface = make.interface(make.component())
    interface.refresh_from_db()
    with pytest.raises(Unusable, match="Did you mean 4 to 5"):
        services.change_interface(interface, lower=Decimal(5), by=lead)
    services.change_interface(interface, upper=Decimal("4.5"), by=lead)
    assert Entry.objects.get().details == {"upper": ["4", "4.5"]}
