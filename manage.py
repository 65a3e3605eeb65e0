#!/usr/bin/env python3
"""Entry point of Proofmark: sets itself up on first use, then hands over to Django.

Kept readable by old Pythons, so that they get a sentence instead of a syntax error.
"""

import os
import sys


def main():
    from proofmark import bootstrap

    bootstrap.ensure(sys.argv)
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "proofmark.settings")
    from django.core.management import execute_from_command_line

    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
