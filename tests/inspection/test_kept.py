"""Pictures drawn again from what was kept of a scan."""

import io

import numpy as np
import pytest
from PIL import Image

from inspection import jobs
from inspection.kept import PAPER_SCALE, measured_of, paper_pictures
from inspection.models import Scan
from metrology.pictures.furniture import _SMALL

from .conftest import measured_once, nominal_mesh

POINT_MM = 25.4 / 72


@pytest.fixture
def result(upload, quick):
    scan = upload()
    jobs.run(scan.pk, 1)
    return Scan.objects.select_related("result__deviations").get(pk=scan.pk).result


def test_what_was_kept_is_what_was_measured(result):
    kept, comparison = measured_of(result), measured_once()
    assert np.array_equal(kept.deviation, comparison.sample_deviation.astype(np.float32), equal_nan=True)
    assert np.allclose(kept.points, comparison.sample_points, atol=1e-3)
    assert [one.name for one in kept.regions] == [one.name for one in comparison.regions]
    assert all((a.holds == b).all() for a, b in zip(kept.regions, comparison.sample_regions, strict=True))
    assert (kept.lower_mm, kept.upper_mm, kept.guard_mm) == (result.lower, result.upper, result.uncertainty)


def test_pictures_for_paper_are_the_same_views_on_white(result):
    drawn = paper_pictures(result, nominal_mesh(), ["pictorial", "top"])
    assert list(drawn) == ["pictorial", "top"]
    picture = np.asarray(Image.open(io.BytesIO(drawn["top"])).convert("RGB"))
    assert picture.shape == (900, 1200, 3) and (picture[2, 2] == 255).all()


def test_lettering_stands_seven_points_high_on_paper():
    # The packet prints 900 px on 98 mm (releases/packet/paper.py); 1 pt = 1/72 in.
    assert _SMALL * PAPER_SCALE / 900 * 98 / POINT_MM >= 7.0
