"""Acts on people's accounts: one function per act, one transaction, one logbook entry."""

import secrets
from pathlib import Path

from django.conf import settings
from django.contrib.auth.models import Group
from django.db import transaction

from logbook.services import record
from parts.errors import Refusal

from . import roles
from .models import Person

CODE_FILE = "first-run-code"
TRAIL = "people"
LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that is read for another


def first_run_code(data: Path) -> str:
    """The code that `serve` shows on its console while nobody has an account, so that no stranger takes the first."""
    path = data / CODE_FILE
    if not path.exists():
        data.mkdir(parents=True, exist_ok=True)
        path.touch(mode=0o600)
        path.write_text(f"{secrets.randbelow(10**6):06d}")
    return path.read_text().strip()


@transaction.atomic
def make_first_lead(*, username: str, password: str, first_name: str, last_name: str) -> Person | None:
    """The first account, a lead's; None when somebody else was faster. The code is spent with it."""
    group = Group.objects.select_for_update().get(name=roles.LEAD)
    if Person.objects.exists():
        return None
    person = Person(username=username, first_name=first_name, last_name=last_name)
    _save_new(person, group, password)
    record(person, "person.first", person, f"{person} made the first account, {roles.LEAD}.", trail=TRAIL)
    transaction.on_commit(lambda: (settings.DATA_DIR / CODE_FILE).unlink(missing_ok=True))
    return person


@transaction.atomic
def let_in(person: Person, role: Group, *, by: Person) -> str:
    """Save a new person with a role. Returns their password, which is kept nowhere else."""
    password = _password()
    _save_new(person, role, password)
    record(by, "person.let-in", person, f"{person} ({person.username}) let in as {role.name}.", trail=TRAIL)
    return password


@transaction.atomic
def give_new_password(person: Person, *, by: Person) -> str:
    """For somebody who forgot theirs; wherever they are signed in, they are no longer. Returns the password."""
    password = _password()
    person.set_password(password)
    person.save(update_fields=["password"])
    record(by, "person.new-password", person, f"{person} ({person.username}) given a new password.", trail=TRAIL)
    return password


@transaction.atomic
def set_active(person: Person, active: bool, *, by: Person) -> None:
    """Let a person sign in or keep them out. What they wrote stays theirs. Nobody keeps themselves out."""
    if person.pk == by.pk and not active:
        raise Refusal("You cannot keep yourself out. Ask another lead.")
    if Person.objects.filter(pk=person.pk, is_active=not active).update(is_active=active) == 1:
        act, said = ("person.let-in-again", "may sign in again") if active else ("person.kept-out", "kept out")
        record(by, act, person, f"{person} ({person.username}) {said}.", trail=TRAIL)


def _save_new(person: Person, role: Group, password: str) -> None:
    person.is_staff = role.name == roles.LEAD
    person.set_password(password)
    person.save()
    person.groups.add(role)


def _password() -> str:
    return "-".join("".join(secrets.choice(LETTERS) for _ in range(4)) for _ in range(3))
