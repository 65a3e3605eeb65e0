"""Work whose worker died is taken up, of both kinds."""

from datetime import timedelta

import pytest
from django.utils import timezone

from lessons.recovery import recover
from parts.mould_models import MouldabilityCheck
from tests import make
from tests.parts.mesh_files import cube_obj

pytestmark = pytest.mark.django_db


def test_a_check_whose_worker_died_waits_again(lead):
    nominal = make.geometry(make.revision(author=lead), lead, content=cube_obj(), original_name="cube.obj")
    check = MouldabilityCheck.objects.create(
        geometry=nominal, kind="open-face", draft_wanted=2, asked_by=lead, asked_at=timezone.now(), state="running",
        heartbeat=timezone.now() - timedelta(minutes=2),
    )  # fmt: skip
    assert recover(stale_after=timedelta(minutes=5)) == ""
    assert "1\u00a0mouldability check taken up again" in recover()
    check.refresh_from_db()
    assert (check.state, check.attempt) == ("waiting", 2)


def test_what_waits_is_handed_over_again_when_a_worker_starts(lead):
    nominal = make.geometry(make.revision(author=lead), lead, content=cube_obj(), original_name="cube.obj")
    MouldabilityCheck.objects.create(
        geometry=nominal, kind="open-face", draft_wanted=2, asked_by=lead, asked_at=timezone.now()
    )
    assert "handed over" in recover(waiting_too=True)
    assert MouldabilityCheck.objects.get().state == "done"  # tests run jobs at once
