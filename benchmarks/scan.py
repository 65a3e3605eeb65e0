"""The whole job of measuring a scan, against the same job scripted with Open3D and with trimesh.

    python -m benchmarks.scan --open3d-python PATH     the three contenders in turn, several times; medians and ratios
    python -m benchmarks.scan --growth                 also this project alone at ten times the points

The job: read a binary PLY of points and an STL of about 82,000 triangles, align from an unknown pose, measure signed
deviation, sum up the whole and two regions. The part and its scan are invented. Each run is a process of its own; the
time is that of the job without starting Python and importing packages, which is shown beside it. Accuracy is judged
here, with the pose that each contender found: against the known pose, and by the rms of the points that belong to the
unchanged surface.
"""

import argparse
import importlib.util
import json
import os
import platform
import statistics
import subprocess
import sys
import tempfile
from collections.abc import Iterable
from dataclasses import dataclass, field
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np

from benchmarks.judging import Truth, make_truth

HERE = Path(__file__).parent
# Ratios to be reached: time of this project over time of the other.
TARGETS = {"open3d": 0.8, "trimesh": 0.1}
MOST_GROWTH, MOST_GB = 11.0, 2.5
TOLERANCE, STRAY_MM = 1.0, 5.0
REGIONS = [
    {"name": "seat", "box": [-170, -200, 200, 170, 200, 310], "facing": [0, 0, 1]},
    {"name": "front face", "box": [299, -200, 0, 301, 200, 300], "facing": [1, 0, 0]},
]


@dataclass
class Runs:
    """What the runs of one contender gave: seconds of the job, of the whole process and of its processors,
    peak memory in GB."""

    seconds: list[float] = field(default_factory=list)
    whole: list[float] = field(default_factory=list)
    processor: list[float] = field(default_factory=list)
    memory: list[float] = field(default_factory=list)
    answers: list[dict[str, Any]] = field(default_factory=list)


def command_of(name: str, options: argparse.Namespace) -> list[str]:
    if name == "proofmark":
        return [sys.executable, "-m", "benchmarks.contender_proofmark"]
    python = options.open3d_python if name == "open3d" else sys.executable
    return [python, str(HERE / "rivals" / f"{name}_script.py")]


def run_once(command: list[str], job: Path, runs: Runs) -> None:
    started = perf_counter()
    with tempfile.TemporaryFile() as out:
        child = subprocess.Popen([*command, str(job)], stdout=out, cwd=HERE.parent)
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        runs.whole.append(perf_counter() - started)
        out.seek(0)
        text = out.read().decode()
    if child.returncode:
        sys.exit(f"{' '.join(command)} ended with status {child.returncode}.")
    answer = json.loads(text)
    runs.answers.append(answer)
    runs.seconds.append(answer["seconds"])
    runs.processor.append(usage.ru_utime + usage.ru_stime)
    runs.memory.append(usage.ru_maxrss / (1e9 if sys.platform == "darwin" else 1e6))


def write_job(folder: Path, truth: Truth, options: argparse.Namespace) -> Path:
    job = folder / f"job-{truth.points}.json"
    job.write_text(
        json.dumps(
            {
                "nominal": str(truth.nominal_file),
                "scan": str(truth.scan_file),
                "seed": 0,
                "tolerance": TOLERANCE,
                "stray_mm": STRAY_MM,
                "regions": REGIONS,
                "trimesh_points": 0 if options.full else options.trimesh_points,
            }
        )
    )
    return job


def spread(values: Iterable[float]) -> str:
    values = sorted(values)
    return f"{statistics.median(values):.2f} s ({values[0]:.2f} to {values[-1]:.2f})"


def told(name: str, runs: Runs, truth: Truth) -> str:
    """One row of the table."""
    judged = [truth.judge(np.array(answer["pose"])) for answer in runs.answers]
    worst = max(judged, key=lambda one: one.mm)
    return (
        f"| {name} | {spread(runs.seconds)} | {statistics.median(runs.whole):.2f} s "
        f"| {statistics.median(runs.processor):.2f} s | {max(runs.memory):.2f} GB "
        f"| {worst.mm:.3f} mm, {worst.degrees:.4f}° | {worst.rms:.4f} mm |"
    )


def laps_of(runs: Runs) -> str:
    names = runs.answers[0]["laps"]
    middle = {name: statistics.median(answer["laps"][name] for answer in runs.answers) for name in names}
    return ", ".join(f"{name} {seconds:.2f} s" for name, seconds in middle.items())


def race(names: list[str], truth: Truth, job: Path, options: argparse.Namespace) -> None:
    found = {name: Runs() for name in names}
    for turn in range(options.repeats):
        for name in names if turn % 2 == 0 else names[::-1]:
            run_once(command_of(name, options), job, found[name])
    print(f"\n{truth.points:,} points, {truth.triangles:,} triangles, {options.repeats} runs each, in turn:\n")
    heads = [
        "",
        "job, median (least to most)",
        "with start-up",
        "of all processors",
        "peak memory",
        "pose error (worst)",
    ]
    print("| " + " | ".join([*heads, "rms after alignment"]) + " |")
    print("|---" * 7 + "|")
    for name in names:
        print(told(name, found[name], truth))
    print()
    for name in names:
        print(f"{name}: {laps_of(found[name])}")
    own = found["proofmark"]
    print_progress(own)
    for name in names[1:]:
        ratio = statistics.median(own.seconds) / statistics.median(found[name].seconds)
        met = "met" if ratio <= TARGETS[name] else "MISSED"
        print(f"proofmark / {name}: {ratio:.3f} (target {TARGETS[name]}: {met})")
    if "trimesh" in found and (measured := found["trimesh"].answers[0]["measured"]) < truth.points:
        print(f"trimesh measured {measured:,} points; the time of that stage is scaled up to all. --full measures all.")


def print_progress(runs: Runs) -> None:
    first = max(answer["first_report"] for answer in runs.answers)
    longest = max(answer["longest_silence"] for answer in runs.answers)
    print(f"proofmark reports: first after {first:.3f} s, longest silence {longest:.2f} s (target: 1 s)")


def growth(folder: Path, small: Truth, options: argparse.Namespace) -> None:
    """This project alone at the number of points and at ten times as many."""
    medians = []
    for truth in (small, make_truth(folder, 10 * small.points)):
        runs = Runs()
        for _ in range(options.repeats):
            run_once(command_of("proofmark", options), write_job(folder, truth, options), runs)
        medians.append(statistics.median(runs.seconds))
        print(
            f"\n{truth.points:,} points: {spread(runs.seconds)}, peak memory {max(runs.memory):.2f} GB; {laps_of(runs)}"
        )
        print_progress(runs)
    ratio = medians[1] / medians[0]
    met = "met" if ratio <= MOST_GROWTH else "MISSED"
    print(f"\nten times the points cost {ratio:.1f} times the time (target {MOST_GROWTH:g}: {met})")
    met = "met" if max(runs.memory) <= MOST_GB else "MISSED"
    print(f"peak memory at {truth.points:,} points {max(runs.memory):.2f} GB (target {MOST_GB} GB: {met})")


def have(python: str, module: str) -> bool:
    asked = [python, "-c", f"import importlib.util as u; raise SystemExit(u.find_spec({module!r}) is None)"]
    return subprocess.run(asked, capture_output=True).returncode == 0


def contenders(options: argparse.Namespace) -> list[str]:
    names = ["proofmark"]
    if "open3d" in options.against and have(options.open3d_python, "open3d"):
        names.append("open3d")
    elif "open3d" in options.against:
        print(f"Open3D is missing from {options.open3d_python}: name a Python that has it with --open3d-python.")
    if "trimesh" in options.against and importlib.util.find_spec("trimesh"):
        names.append("trimesh")
    elif "trimesh" in options.against:
        print("trimesh is missing: install the packages of the extra “benchmark”.")
    return names


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--points", type=int, default=1_000_000)
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--open3d-python", default=sys.executable, help="a Python that has Open3D")
    parser.add_argument("--against", nargs="*", default=["open3d", "trimesh"], choices=["open3d", "trimesh"])
    parser.add_argument("--trimesh-points", type=int, default=10_000, help="how many points trimesh measures")
    parser.add_argument("--full", action="store_true", help="let trimesh measure every point")
    parser.add_argument("--growth", action="store_true", help="also ten times the points, this project alone")
    options = parser.parse_args()
    print(f"{platform.platform()}, {os.cpu_count()} cores, Python {platform.python_version()}, NumPy {np.__version__}")
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        truth = make_truth(folder, options.points)
        race(contenders(options), truth, write_job(folder, truth, options), options)
        if options.growth:
            growth(folder, truth, options)


if __name__ == "__main__":
    main()
