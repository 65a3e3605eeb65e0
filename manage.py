#!/usr/bin/env python3
"""Entry point of Proofmark: sets itself up on first use, then hands over to Django.

Kept readable by old Pythons, so that they get a sentence instead of a syntax error.
"""

import os
import sys

# Commands that work on files alone: no settings, so no data folder and no database.
WITHOUT_DATA = ("compare", "compute")


def main():
    from proofmark import bootstrap

    bootstrap.ensure(sys.argv)
    if sys.argv[1:2] and sys.argv[1] in WITHOUT_DATA:
        run_without_data(sys.argv)
        return
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


def run_without_data(argv):
    from importlib import import_module

    try:
        import_module("proofmark.management.commands." + argv[1]).Command().run_from_argv(argv)
    except ImportError as error:
        sys.exit("Proofmark: %s. Call it without PROOFMARK_NO_VENV, or install proofmark/locks/run.txt." % error)
    except KeyboardInterrupt:
        sys.exit(130)


if __name__ == "__main__":
    main()
