"""A signed revision with pieces, tags and a place to put them."""

from datetime import timedelta

import pytest

from releases import services as release_services
from sitework.models import HoldPoint
from tests import make
from tests.releases.conftest import open_gate, put_forward, revision  # noqa: F401


@pytest.fixture
def signed(put_forward, second_lead):  # noqa: F811
    """SB-02 A, buildable by Kit Marsden's signature."""
    release_services.sign_off(revision=put_forward, by=second_lead, at=make.NOON + timedelta(hours=1))
    return put_forward


@pytest.fixture
def yard(signed, lead):
    """A tagged piece that is cleared, and the site with the one position and the hold point for it."""
    piece = make.cast(signed, lead)
    site = make.site(contact_phone="+1 555 0100")
    position = make.position(site, signed.component)
    point = HoldPoint.objects.create(site=site, component=signed.component, number=1, text="Seat level within 3 mm")
    return {
        "piece": piece,
        "tag": make.tag(piece, code="BCDF234567"),
        "site": site,
        "position": position,
        "point": point,
    }
