"""Who wants to know that something was recorded. Upper rooms add themselves when the project starts.

The one way in which news travels upwards: a room below never names a room above it.
"""

from collections.abc import Callable

from .models import Entry

listeners: list[Callable[[Entry], None]] = []


def tell(entry: Entry) -> None:
    for listener in listeners:
        listener(entry)
