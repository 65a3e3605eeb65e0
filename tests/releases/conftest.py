"""A gate that lets a revision through, and the way to its signature."""

import pytest

from releases import services
from releases.gate import CHECKS
from tests import make


@pytest.fixture
def open_gate(lead):
    """A gate plan in which nothing applies but the cautions, so that a revision is easy to bring through."""
    leave_out = {
        check.CODE: {"applies": False, "reason": "Not for this test."} for check in CHECKS if check.CODE != "cautions"
    }
    return services.set_plan(kit=make.kit(), component=None, checks=leave_out, by=lead, at=make.NOON)


@pytest.fixture
def revision(lead, open_gate):
    return make.revision(author=lead, cautions="Wet cement burns: gloves.")


@pytest.fixture
def put_forward(revision, lead):
    services.put_forward(revision=revision, by=lead, at=make.NOON)
    return revision
