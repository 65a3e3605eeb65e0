"""Remove files that no record needs."""

from django.core.management.base import BaseCommand
from django.template.defaultfilters import filesizeformat
from django.utils import timezone

from logbook.tidying import tidy


class Command(BaseCommand):
    help = (
        "Remove stored files that no record points at and uploads that never finished, when they are older than a day."
    )

    def add_arguments(self, parser):
        parser.add_argument("--dry-run", action="store_true", help="Only list what would be removed.")

    def handle(self, *args, dry_run: bool, **options):
        count = size = 0
        for leftover in tidy(timezone.now(), dry_run=dry_run):
            self.stdout.write(f"{leftover.name}, {filesizeformat(leftover.size)}: {leftover.why}")
            count, size = count + 1, size + leftover.size
        if not count:
            self.stdout.write("Nothing to tidy.")
        else:
            verb = "would be removed" if dry_run else "removed"
            self.stdout.write(f"{count} {'file' if count == 1 else 'files'}, {filesizeformat(size)}, {verb}.")
