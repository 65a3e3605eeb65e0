"""What goes into a comparison and what comes out of it."""

from dataclasses import dataclass, field

from metrology.alignment.model import Alignment, AlignmentReport, BestFit, Difference
from metrology.alignment.pose import Pose
from metrology.alignment.region_motion import Motion
from metrology.bodies import Floats, Ints
from metrology.comparison.kept_points import KeptPoints
from metrology.surfaces.selection import AllOf, Box, Facing, Selection
from metrology.surfaces.surface import Flags


@dataclass(frozen=True)
class Settings:
    """lower_mm, upper_mm: limits of deviation. uncertainty_mm: expanded, k = 2. coverage_needed: share of the area.

    stray_mm: every point farther off than this is left out; None leaves out only lonely points and bodies beside the
    part. seed: of the choice of points to align by. alignment: what the verdict rests on.
    """

    lower_mm: float
    upper_mm: float
    uncertainty_mm: float
    coverage_needed: float = 0.95
    stray_mm: float | None = None
    seed: int = 0
    alignment: Alignment = field(default_factory=BestFit)


@dataclass(frozen=True)
class RegionSpec:
    """A region of the nominal with limits of its own; all conditions given must hold, and none means all of it.

    box: (x min, y min, z min, x max, y max, z max) mm, nominal frame. facing: a direction; faces whose normal lies
    within 45° of it belong. selection: any other way of choosing. moved_mm, turned_deg:
    limits of the region's motions as a whole, ±; None holds each motion to what the limits of deviation allow it.
    """

    name: str
    lower_mm: float
    upper_mm: float
    box: tuple[float, float, float, float, float, float] | None = None
    facing: tuple[float, float, float] | None = None
    selection: Selection | None = None
    moved_mm: float | None = None
    turned_deg: float | None = None

    @property
    def asked(self) -> Selection:
        """All conditions as one selection."""
        parts: list[Selection] = [] if self.selection is None else [self.selection]
        if self.box is not None:
            parts.append(Box(self.box[:3], self.box[3:]))
        if self.facing is not None:
            parts.append(Facing(self.facing))
        return parts[0] if len(parts) == 1 else AllOf(tuple(parts))


@dataclass(frozen=True)
class RegionResult:
    """One region. Figures are over its measured samples (see `Comparison`), NaN when there are none.

    area_mm2, faces: what the nominal has of it; no faces: it finds none on this nominal. points: scan points used on
    it. coverage: share of its area measured. motions: how it stands off as a whole, in the part's axes.
    """

    name: str
    lower_mm: float
    upper_mm: float
    area_mm2: float
    faces: int
    points: int
    coverage: float
    mean: float
    p01: float
    p99: float
    worst: float
    worst_at: Floats
    motions: tuple[Motion, ...]
    inside_share: float
    result: str
    code: str
    sentence: str


@dataclass(frozen=True)
class Callout:
    """A place worth naming. at: (3,) mm on the nominal. normal: (3,). value: signed mm."""

    number: int
    at: Floats
    normal: Floats
    value: float
    sentence: str


@dataclass(frozen=True)
class Comparison:
    """A scan measured against its nominal. Deviations in mm, positive outside.

    Statistics are over samples that each stand for the same area of the nominal, so a densely scanned corner weighs
    no more than any other. A sample's deviation is the mean over the points closest to it (about 16; where the scan
    is thin, the neighbours' too). lowest, highest and worst are extremes of these local means, not of single points:
    noise averages out and a single stray cannot fail a part, while a defect as wide as three samples (`spacing_mm`)
    shows in full. Of normal noise sigma, the extremes of thousands of samples still hold about one sigma.

    alignment: what `pose` rests on. uncertainty_mm: expanded, k = 2, of the verdict: the scanner's and the alignment's
    (its effect on the deviation where that is greatest), root sum of squares. best_fit: the same scan measured by best
    fit, and difference: what that hides; None where the alignment is a plain best fit.

    points_used: after strays were left out. stray_share: share left out; beside_share: of them, those in connected
    bodies beside or on the part. noise_mm: usual standard deviation of points about their sample. area_mm2: of the
    nominal. undecided_share: share of it that counts as not measured because points could not be credited to one side
    of a thin wall or narrow slot (see `thin_walls`). profile_mm: profile of a surface for the limits of the
    settings (see `profile_value`). worst: the sample deepest outside, or nearest, its limits. coverage: area
    share of the nominal with points. sample_deviation: NaN where not measured. sample_regions: (r, s), which samples
    lie in which of the regions. histogram_counts: samples. version: of the calculation.

    Samples in given regions are held to the regions' limits (all that apply), the rest to the settings'. result:
    "does not conform" when one lies outside its limits by more than the uncertainty; else "inconclusive" when
    coverage of the whole or of a given region falls short, one lies within the uncertainty of a limit, or a body that
    may be a clamp stands on the part; else "conforms" (ISO 14253-1, from memory). "not measured" when no sample was.
    code: "outside", "coverage", "uncertainty", "attached", "inside", "moved" (see `metrology.comparison.regions`) or
    "not-measured".
    """

    pose: Pose
    alignment: AlignmentReport
    uncertainty_mm: float
    points_read: int
    points_used: int
    stray_share: float
    beside_share: float
    noise_mm: float
    area_mm2: float
    undecided_share: float
    profile_mm: float
    spacing_mm: float
    mean: float
    sd: float
    rms: float
    p01: float
    p50: float
    p99: float
    lowest: float
    highest: float
    worst: float
    worst_at: Floats
    inside_share: float
    coverage: float
    result: str
    code: str
    sentence: str
    histogram_edges: Floats
    histogram_counts: Ints
    regions: tuple[RegionResult, ...]
    sample_points: Floats
    sample_normals: Floats
    sample_deviation: Floats
    sample_regions: Flags
    callouts: tuple[Callout, ...]
    kept: KeptPoints
    stage_seconds: dict[str, float]
    version: str
    best_fit: "Comparison | None" = None
    difference: Difference | None = None
