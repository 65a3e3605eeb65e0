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
    try:
        from django.core.exceptions import ImproperlyConfigured
        from django.core.management import execute_from_command_line
    except ImportError as error:
        sys.exit("Proofmark: %s. Call it without PROOFMARK_NO_VENV, or install proofmark/locks/run.txt." % error)
    try:
        execute_from_command_line(sys.argv)
    except ImproperlyConfigured as error:
        sys.exit("Proofmark: %s" % error)
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
