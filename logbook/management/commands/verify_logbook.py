"""Walk the whole logbook and say whether it is as it was written."""

import sys

from django.core.management.base import BaseCommand

from logbook.models import Entry
from logbook.services import verify


class Command(BaseCommand):
    help = (
        "Check every entry of the logbook against its hash and the entry before it. Exit code 1 when it is not whole."
    )

    def handle(self, *args, **options):
        breaks = 0
        for sentence in verify():
            self.stderr.write(sentence)
            breaks += 1
        if breaks:
            self.stderr.write("The logbook is not whole. Compare it with the last good copy of the data folder.")
            sys.exit(1)
        count = Entry.objects.count()
        self.stdout.write(f"{count} {'entry' if count == 1 else 'entries'}, whole.")
