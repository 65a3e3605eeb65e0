import io
import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from fixtures.files import write_csv_points, write_ply_points, write_stl
from metrology.comparison.compare import Settings
from metrology.comparison.files_compared import chord_for, with_rounding
from proofmark.management.commands.compare import Command
from proofmark.terminal import ProgressLine
from tests.metrology.bodies_for_tests import corner_block, misplaced, patch, scan_of

ROOT = Path(__file__).resolve().parents[2]
BLOCK = corner_block()


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """A nominal and a scan of it with 0.8 mm too much on top, in an unknown pose."""
    folder = tmp_path_factory.mktemp("compare")
    scan = scan_of(BLOCK, 12_000, seed=1, strays=100, grown=patch((80.0, 60.0, 150.0), 35.0, 0.8))
    write_stl(BLOCK, folder / "nominal.stl")
    write_ply_points(scan.cloud.points, folder / "scan.ply")
    np.savetxt(folder / "pose.txt", scan.pose)
    return folder


def called(capsys, *arguments):
    """Exit status, standard output, standard error."""
    with pytest.raises(SystemExit) as ended:
        Command().run_from_argv(["manage.py", "compare", *map(str, arguments)])
    out, err = capsys.readouterr()
    return ended.value.code, out, err


def compared(capsys, files, *arguments):
    return called(capsys, files / "nominal.stl", files / "scan.ply", "--unit", "mm", *arguments)


@pytest.mark.parametrize(
    ("arguments", "status", "first"),
    [
        (["--tolerance", "1.5", "--uncertainty", "0.1"], 0, "Conforms: "),
        (["--tolerance", "0.5", "--uncertainty", "0.1"], 1, "Does not conform: "),
        (["--lower", "-1", "--upper", "0.8", "--uncertainty", "0.3"], 3, "Inconclusive: "),
    ],
)
def test_exit_status_is_the_verdict(capsys, files, arguments, status, first):
    code, out, err = compared(capsys, files, *arguments)
    assert code == status and out.startswith(first)
    assert err.startswith("reading, ") and "summing up, " in err


def test_json_has_the_pose_and_no_value_that_is_none_of_json(capsys, files):
    step = "step: facing up, box 175 0 0 300 200 80"
    code, out, _ = compared(capsys, files, "--tolerance", "1.5", "--json", "--region", step)
    found = json.loads(out, parse_constant=lambda word: pytest.fail(word))
    assert (code, found["form"], found["unit"], found["result"]) == (0, "proofmark comparison 1", "mm", "conforms")
    degrees, mm = misplaced(np.array(found["alignment"]["matrix"]), np.loadtxt(files / "pose.txt"), BLOCK)
    assert mm < 0.05 and degrees < 0.02
    assert found["deviation"]["worst"] == pytest.approx(0.8, abs=0.12)
    assert found["profile"] == pytest.approx(2 * max(found["deviation"]["highest"], -found["deviation"]["lowest"]))
    assert [one["name"] for one in found["regions"]] == ["step"]
    # Closed form: area of the block's skin.
    assert found["area_mm2"] == pytest.approx(266_250, abs=1)


def test_keys_of_json_are_the_documented_ones(capsys, files):
    found = json.loads(compared(capsys, files, "--tolerance", "1.5", "--json")[1])
    documented = (ROOT / "docs" / "scans.md").read_text(encoding="utf-8")
    assert [key for key in found if f"`{key}`" not in documented] == []


def test_a_picture_is_written_and_nothing_beside_it(capsys, files, tmp_path):
    picture = tmp_path / "map.png"
    compared(capsys, files, "--tolerance", "1.5", "--picture", picture)
    assert Image.open(picture).size == (1200, 900)
    assert os.listdir(tmp_path) == ["map.png"]


def test_large_coordinates_give_the_pose_in_the_frame_of_the_file(capsys, files, tmp_path):
    far = np.array([4_000_000.0, -3_999_000.0, 120.0])
    scan = scan_of(BLOCK, 6000, seed=4)
    write_csv_points(scan.cloud.points + far, tmp_path / "far.csv")
    _, out, _ = called(
        capsys, files / "nominal.stl", tmp_path / "far.csv", "--unit", "mm", "--tolerance", "1", "--json"
    )
    pose = scan.pose.copy()
    pose[:3, 3] += far
    assert misplaced(np.array(json.loads(out)["alignment"]["matrix"]), pose, BLOCK)[1] < 0.05


def test_marked_points_are_those_of_the_file_even_far_from_zero(capsys, files, tmp_path):
    far = np.array([4_000_000.0, -3_999_000.0, 120.0])
    scan = scan_of(BLOCK, 6000, seed=4)
    write_csv_points(scan.cloud.points + far, tmp_path / "far.csv")
    corners = np.array([[0.0, 0, 0], [300, 0, 0], [0, 200, 0], [0, 0, 150]])
    marks = np.hstack([corners @ scan.pose[:3, :3].T + scan.pose[:3, 3] + far, corners])
    np.savetxt(tmp_path / "pairs.csv", marks, delimiter=",", fmt="%.3f")
    asked = ("--unit", "mm", "--tolerance", "1", "--json", "--align", f"points: {tmp_path / 'pairs.csv'}")
    _, out, _ = called(capsys, files / "nominal.stl", tmp_path / "far.csv", *asked)
    found = json.loads(out)["alignment"]
    pose = scan.pose.copy()
    pose[:3, 3] += far
    assert found["kind"] == "marked points" and len(found["supports"]) >= 4
    assert misplaced(np.array(found["matrix"]), pose, BLOCK)[1] < 0.05


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["none.stl", "SCAN", "--unit", "mm", "--tolerance", "1"], "There is no file none.stl."),
        (["SCAN", "SCAN", "--unit", "mm", "--tolerance", "1"], "The file holds no faces"),
        (["NOMINAL", "SCAN", "--unit", "in", "--tolerance", "1", "--nominal-unit", "mm"], "choose mm as the unit"),
        (["NOMINAL", "SCAN", "--unit", "mm"], "Give the limits"),
        (["NOMINAL", "SCAN", "--unit", "mm", "--upper", "1"], "Give both"),
        (["NOMINAL", "SCAN", "--unit", "mm", "--tolerance", "1", "--upper", "1"], "Give the limits"),
        (["NOMINAL", "SCAN", "--unit", "mm", "--lower", "1", "--upper", "-1"], "the wrong way round"),
        (["NOMINAL", "SCAN", "--unit", "mm", "--tolerance", "1", "--coverage", "0"], "The coverage needed"),
        (["NOMINAL", "SCAN", "--unit", "mm", "--tolerance", "1", "--align", "guess"], "is no alignment"),
        (["NOMINAL", "SCAN", "--unit", "mm", "--tolerance", "1", "--region", "seat"], "has no name"),
        (["NOMINAL", "SCAN", "--unit", "mm", "--tolerance", "1", "--table", "a,b"], "is no layout"),
        (
            ["NOMINAL", "SCAN", "--unit", "mm", "--tolerance", "1", "--picture", "/no/such/folder/x.png"],
            "cannot be used",
        ),
        (["NOMINAL", "SCAN", "--unit", "furlong", "--tolerance", "1"], "invalid choice"),
        (["NOMINAL", "SCAN", "--unit", "mm", "--tolerance", "-1"], "must be more than 0"),
        (["NOMINAL", "SCAN", "--unit", "mm", "--tolerance", "nan"], "invalid number"),
        (["NOMINAL"], "are required"),
    ],
)
def test_bad_input_is_one_line_and_status_two(capsys, files, arguments, words):
    places = {"NOMINAL": str(files / "nominal.stl"), "SCAN": str(files / "scan.ply")}
    code, out, err = called(capsys, *(places.get(word, word) for word in arguments))
    said = [line for line in err.splitlines() if line.startswith("compare: ")]
    assert (code, out) == (2, "") and len(said) == 1 and words in said[0]


def test_a_failure_leaves_no_picture_and_no_half_of_one(capsys, files, tmp_path):
    code, _, _ = called(
        capsys, files / "nominal.stl", files / "nominal.stl", "--unit", "m", "--nominal-unit", "mm", "--tolerance", "1",
        "--picture", tmp_path / "map.png",
    )  # fmt: skip
    assert code == 2 and os.listdir(tmp_path) == []


def test_it_runs_without_a_data_folder_and_makes_none(files, tmp_path):
    data = tmp_path / "data"
    env = {**os.environ, "PROOFMARK_DATA": str(data), "PROOFMARK_NO_VENV": "1"}
    env.pop("DJANGO_SETTINGS_MODULE", None)
    done = subprocess.run(
        [sys.executable, ROOT / "manage.py", "compare", files / "nominal.stl", files / "scan.ply",
         "--unit", "mm", "--tolerance", "0.5"], env=env, capture_output=True, text=True
    )  # fmt: skip
    assert done.returncode == 1 and done.stdout.startswith("Does not conform: "), done.stderr
    assert not data.exists()


class Terminal(io.StringIO):
    def isatty(self):
        return True


def test_progress_is_one_line_on_a_terminal_and_lines_elsewhere():
    moments = iter([0.0, 0.05, 0.2, 0.2])
    terminal = Terminal()
    line = ProgressLine(terminal, lambda: next(moments))
    for share in (0.0, 0.5, 0.6):
        line("aligning", share)
    line.end()
    assert terminal.getvalue() == "\r\x1b[Kaligning, 0\u00a0%\r\x1b[Kaligning, 60\u00a0%\r\x1b[K"
    moments = iter([0.0, 0.5, 1.2, 1.2, 1.3])
    plain = io.StringIO()
    line = ProgressLine(plain, lambda: next(moments))
    for share in (0.0, 0.5, 0.6):
        line("aligning", share)
    line("measuring", 0.0)
    line.end()
    assert plain.getvalue().splitlines() == ["aligning, 0\u00a0%", "aligning, 60\u00a0%", "measuring, 0\u00a0%"]


def test_rounding_of_coordinates_adds_to_the_uncertainty():
    # Closed form: an even spread of ±0.5 mm has standard deviation 1/√12.
    assert with_rounding(0.0, 1.0) == pytest.approx(2 / np.sqrt(12))
    assert with_rounding(0.3, 0.0) == pytest.approx(0.3)


@pytest.mark.parametrize(("tolerance", "chord"), [(1.0, 0.1), (0.01, 0.005), (50.0, 0.5)])
def test_the_chord_of_curved_nominals_follows_the_tolerance(tolerance, chord):
    assert chord_for(Settings(-tolerance, tolerance, 0.0)) == pytest.approx(chord)
