"""Running numbers within a kit: S-1, S-2, …"""

import re

from django.db import models

from .models import Kit


def next_code(model: type[models.Model], kit: Kit, prefix: str) -> str:
    """The next free code of a kind of record in a kit. Call inside the transaction that creates the record.

    Locks the kit's row, so that two people get two numbers (SQLite locks the whole file at that point anyway).
    """
    Kit.objects.select_for_update().get(pk=kit.pk)
    pattern = re.compile(rf"^{re.escape(prefix)}-(\d+)$")
    codes = model._default_manager.filter(kit=kit, code__startswith=f"{prefix}-").values_list("code", flat=True)
    used = [int(match[1]) for code in codes if (match := pattern.match(code))]
    return f"{prefix}-{max(used, default=0) + 1:02d}"
