"""Short ways to make records for tests, straight through the models. All of it is invented."""

from datetime import date, datetime, timedelta
from zoneinfo import ZoneInfo

from casting.models import Batch, Cast, Mould, Nonconformity, StrengthTest
from inspection.models import ClosureLoop, Instrument, LoopMember, Measurement
from lessons.models import Lesson, Mockup, Question, Trial
from logbook.files import keep
from parts.models import Characteristic, Component, Geometry, Interface, Kit, Revision
from sitework.models import Position, Site, Tag

NOON = datetime(2026, 5, 12, 12, 0, tzinfo=ZoneInfo("UTC"))


def kit(code="TPW", **fields):
    return Kit.objects.get_or_create(code=code, defaults={"name": "Tern Point walkway", "invented": True} | fields)[0]


def component(part_number="SB-02", **fields):
    owner = fields.pop("kit", None) or kit()
    return Component.objects.create(
        kit=owner, part_number=part_number, **({"name": "Saddle block", "material": "C40 mortar"} | fields)
    )


def revision(of=None, letter="A", author=None, **fields):
    return Revision.objects.create(
        component=of or component(),
        letter=letter,
        author=author,
        **({"what_changed": "First issue", "why": "New part", "state": "on trial", "state_since": NOON} | fields),
    )


def characteristic(of, number=1, **fields):
    standard = {"name": "Length", "nominal": 600, "lower": 599, "upper": 601}
    return Characteristic.objects.create(revision=of, number=number, **(standard | fields))


def interface(a, b=None, code="I-01", **fields):
    standard = {"name": "Seat joint", "lower": 1, "upper": 4}
    return Interface.objects.create(kit=a.kit, code=code, component_a=a, component_b=b or a, **(standard | fields))


def geometry(of, by, role="nominal", content=b"solid", **fields):
    standard = {"original_name": "nominal.stl", "unit": "mm" if role == "nominal" else "", "added_at": NOON}
    return Geometry.objects.create(
        revision=of, role=role, file=keep(content, "model/stl"), added_by=by, **(standard | fields)
    )


def mould(of, code="M-01", **fields):
    component = of.component
    return Mould.objects.create(
        kit=component.kit, component=component, revision=of, code=code, **({"made_on": date(2026, 5, 1)} | fields)
    )


def batch(by, code="B-01", **fields):
    owner = fields.pop("kit", None) or kit()
    standard = {"mix_design": "C40 mortar", "mixed_at": NOON}
    return Batch.objects.create(kit=owner, code=code, mixed_by=by, **(standard | fields))


def cast(of, by, serial="TP-SB-0001", **fields):
    standard = {
        "poured_at": NOON,
        "demoulded_at": NOON + timedelta(days=1),
        "logged_at": NOON,
        "standing": Cast.Standing.IN_STORE,
    }
    return Cast.objects.create(kit=of.component.kit, revision=of, serial=serial, logged_by=by, **(standard | fields))


def strength(of, by, strength=52, label="X-1", **fields):
    standard = {"age_days": 28, "tested_on": date(2026, 6, 9), "logged_at": NOON}
    return StrengthTest.objects.create(batch=of, label=label, strength=strength, logged_by=by, **(standard | fields))


def nonconformity(of, by, code="N-01", **fields):
    standard = {"what": "Chipped corner", "found_at": NOON}
    return Nonconformity.objects.create(kit=of.kit, cast=of, code=code, found_by=by, **(standard | fields))


def instrument(code="G-01", **fields):
    owner = fields.pop("kit", None) or kit()
    standard = {"name": "Long calliper", "kind": "calliper", "uncertainty": "0.05"}
    return Instrument.objects.create(kit=owner, code=code, **(standard | fields))


def measurement(of, characteristic, value, by, with_instrument, **fields):
    standard = {"uncertainty": with_instrument.uncertainty, "result": "conforms", "measured_at": NOON}
    return Measurement.objects.create(
        cast=of,
        characteristic=characteristic,
        value=value,
        measured_by=by,
        instrument=with_instrument,
        **(standard | fields),
    )


def loop(by, code="LP-01", members=(), **fields):
    """A row that closes between 8 and 16 mm; members: (component, number, sensitivity, times) or (nominal, half)."""
    standard = {"name": "Bay", "lower": 8, "upper": 16, "created_by": by, "created_at": NOON}
    made = ClosureLoop.objects.create(kit=kit(), code=code, **(standard | fields))
    for place, said in enumerate(members, 1):
        if isinstance(said[0], Component):
            row = dict(zip(("component", "number", "sensitivity", "times"), said, strict=False))
        else:
            nominal, half = said
            row = {"nominal": nominal, "lower": nominal - half, "upper": nominal + half}
        LoopMember.objects.create(loop=made, position=place, name=f"m{place}", **row)
    return made


def mockup(code="MU-01", **fields):
    owner = fields.pop("kit", None) or kit()
    return Mockup.objects.create(kit=owner, code=code, **({"name": "Two-bay mock-up", "built_on": NOON} | fields))


def question(on, by, code="Q-01", components=(), **fields):
    standard = {"text": "Does the panel rock?", "asked_at": NOON}
    row = Question.objects.create(kit=on.kit, mockup=on, code=code, asked_by=by, **(standard | fields))
    row.components.set(components)
    return row


def trial(on, by, code="T-01", **fields):
    standard = {"started_at": NOON, "logged_at": NOON}
    return Trial.objects.create(kit=on.kit, mockup=on, code=code, logged_by=by, **(standard | fields))


def lesson(of, by, code="L-01", **fields):
    standard = {"title": "Seat grows", "what_happened": "Seat 1.8 mm too high", "written_at": NOON}
    return Lesson.objects.create(kit=of.kit, component=of, code=code, written_by=by, **(standard | fields))


def site(code="NORTH", **fields):
    owner = fields.pop("kit", None) or kit()
    standard = {"name": "North shore", "contact_name": "Ines Halvorsen", "contact_phone": "000 0000"}
    return Site.objects.create(kit=owner, code=code, **(standard | fields))


def position(at, component, code="P1", **fields):
    return Position.objects.create(site=at, component=component, code=code, **({"name": "Pier 1, seat"} | fields))


def tag(on, **fields):
    return Tag.objects.create(cast=on, **fields)
