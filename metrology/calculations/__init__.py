"""Calculations that a person can ask for by name: one registry feeds the shell command and the pages.

    from metrology.calculations.registry import find
    from metrology.calculations.running import run
    inputs, result = run(find("read-feet-inches"), {"text": "5'-7 3/8\\""})

docs/numbers.md tells how one is added.
"""
