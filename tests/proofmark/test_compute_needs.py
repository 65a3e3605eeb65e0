"""What the job needs is on the list: `manage.py compute --list` shows a calculation for each."""

import pytest
from django.core.management import call_command

NEEDED = {
    "shrinkage and pattern scale per direction": {"casting-shrinkage", "pattern-scale", "drying-shrinkage"},
    "demould and lift masses, sling forces": {"lift-mass", "sling-force"},
    "strength acceptance": {"strength-acceptance", "strength-conformity"},
    "maturity and strength from it": {"maturity", "strength-maturity"},
    "evaporation, form pressure, movement": {"evaporation-rate", "form-pressure", "thermal-movement"},
    "yield and batch": {"concrete-yield", "batch-proportions"},
    "soil": {
        "compaction-curve", "zero-air-voids", "sand-cone", "drive-cylinder", "gauge-density", "relative-compaction",
        "lift-water", "oversize-correction", "number-of-tests", "proof-roll",
    },
    "setting out": {"ring-setting-out", "site-similarity", "two-peg-test", "pad-plane"},
    "closure and adjustment": {"traverse-closure", "level-loop", "level-net"},
    "as-built anchors": {"anchors-as-built", "circle-fit", "plane-fit", "line-fit"},
    "learning curves": {"learning-curve", "learning-fit", "learning-compare"},
    "scaling": {"scale-figure", "model-gap"},
}  # fmt: skip


@pytest.fixture(scope="module")
def listed():
    from io import StringIO

    out = StringIO()
    call_command("compute", "--list", stdout=out)
    return {line.split()[0] for line in out.getvalue().splitlines() if line.strip()}


@pytest.mark.parametrize("need", NEEDED)
def test_the_list_has_a_calculation_for(need, listed):
    assert listed >= NEEDED[need]
