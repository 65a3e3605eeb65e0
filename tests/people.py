"""The named cast of every test: who may do what is told apart by who they are."""

import pytest
from django.contrib.auth.models import Group
from django.test import Client

from proofmark.models import Person


def _person(username: str, first: str, last: str, role: str = "") -> Person:
    person = Person.objects.create_user(username, password="pass-word-1234", first_name=first, last_name=last)
    if role:
        person.groups.add(Group.objects.get(name=role))
    return person


@pytest.fixture
def lead(db):
    return _person("ines", "Ines", "Halvorsen", "engineering lead")


@pytest.fixture
def second_lead(db):
    return _person("kit", "Kit", "Marsden", "engineering lead")


@pytest.fixture
def technician(db):
    return _person("mara", "Mara", "Lindqvist", "prototyping technician")


@pytest.fixture
def site_person(db):
    return _person("rhys", "Rhys", "Adeyemi", "site team")


@pytest.fixture
def visitor(db):
    return _person("vera", "Vera", "Lund", "visitor")


@pytest.fixture
def stranger(db):
    """Signed in, but without any role."""
    return _person("stan", "Stan", "Outside")


@pytest.fixture
def signed_in():
    """signed_in(person) is a browser session of that person."""

    def session(person: Person) -> Client:
        client = Client()
        client.force_login(person)
        return client

    return session
