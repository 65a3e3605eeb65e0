"""What each role may do, written down once in proofmark.roles."""

import pytest
from django.contrib.auth.models import Group, Permission

from proofmark import roles

ALL = (roles.LEAD, roles.TECHNICIAN, roles.SITE_TEAM, roles.VISITOR)


def held(role):
    rows = Group.objects.get(name=role).permissions.values_list("content_type__app_label", "codename")
    return set(rows)


@pytest.mark.parametrize("role", ALL)
def test_every_permission_of_a_role_exists(db, role):
    existing = set(Permission.objects.values_list("content_type__app_label", "codename"))
    assert roles.codenames(role) - existing == set()


@pytest.mark.parametrize("role", ALL)
def test_a_group_holds_exactly_the_permissions_of_its_role(db, role):
    assert held(role) == roles.codenames(role)


def test_the_next_migration_puts_right_what_was_changed_by_hand(db):
    group = Group.objects.get(name=roles.VISITOR)
    group.permissions.set(Permission.objects.filter(codename="sign_off_revision"))
    roles.apply()
    assert held(roles.VISITOR) == roles.codenames(roles.VISITOR)


def test_every_role_sees_every_record(db):
    for role in ALL:
        views = {name for name in roles.codenames(role) if name[0] != "proofmark" and name[1].startswith("view_")}
        assert views == roles.codenames(roles.VISITOR)


def test_only_a_lead_signs_off(lead, technician, site_person, visitor):
    people = (lead, technician, site_person, visitor)
    assert [person.has_perm("releases.sign_off_revision") for person in people] == [True, False, False, False]


@pytest.mark.parametrize(
    "act",
    [
        "releases.put_forward_revision",
        "releases.withdraw_revision",
        "releases.grant_concession",
        "releases.place_hold",
        "releases.lift_hold",
        "casting.decide_nonconformity",
        "lessons.prove_lesson",
        "parts.add_revision",
        "proofmark.add_person",
    ],
)
def test_a_decision_is_a_leads(lead, technician, site_person, act):
    assert lead.has_perm(act)
    assert not technician.has_perm(act) and not site_person.has_perm(act)


def test_a_technician_records_the_work(technician):
    for act in ("casting.add_cast", "casting.add_strengthtest", "inspection.add_scan", "lessons.add_trial"):
        assert technician.has_perm(act)


def test_the_site_team_installs_and_acknowledges(site_person, technician):
    for act in ("sitework.log_installation", "sitework.acknowledge"):
        assert site_person.has_perm(act) and not technician.has_perm(act)
    assert not site_person.has_perm("casting.add_cast")


def test_a_visitor_only_looks(db):
    assert {name.split("_")[0] for _, name in roles.codenames(roles.VISITOR)} == {"view"}


def test_nobody_changes_the_logbook(db):
    for role in ALL:
        assert not any(app == "logbook" and not name.startswith("view_") for app, name in roles.codenames(role))
