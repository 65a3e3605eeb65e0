"""What every refusal has in common: its code, and that nothing was written."""

from collections.abc import Callable
from typing import Any

import pytest
from django.apps import apps

from parts.errors import Refusal

ROOMS = ("logbook", "parts", "casting", "inspection", "lessons", "releases", "sitework")


def rows() -> dict[str, list[tuple[Any, ...]]]:
    """Every row of every record of the house."""
    models = [model for room in ROOMS for model in apps.get_app_config(room).get_models()]
    return {model._meta.label: list(model._base_manager.order_by("pk").values_list()) for model in models}


def refused(code: str, act: Callable[..., Any], /, *args: Any, **given: Any) -> Refusal:
    """The act is refused with this code, and no row of any room is another than before."""
    before = rows()
    with pytest.raises(Refusal) as caught:
        act(*args, **given)
    assert caught.value.code == code
    assert rows() == before
    return caught.value
