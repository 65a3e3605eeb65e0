import argparse
import io
import json
import math
import os
import sys
import tempfile
import textwrap
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any, NoReturn

from django.core.management.base import BaseCommand, CommandParser

from metrology.amounts.units import LENGTH_IN_MM
from metrology.comparison.asked import CONDITIONS, HOW_TO_ALIGN, alignment, region
from metrology.comparison.compare import Settings
from metrology.comparison.files_compared import FilesCompared, compare_files
from metrology.comparison.plain import to_plain
from metrology.comparison.words import band, length, share
from metrology.errors import InputError, MetrologyError
from metrology.pictures.deviation_views import VIEWS, deviation_picture
from metrology.pictures.png import png
from metrology.reading import TableChoice
from proofmark.terminal import ProgressLine

STATUS = {"conforms": 0, "does not conform": 1, "inconclusive": 3, "not measured": 3}
BAD_INPUT, STOPPED = 2, 130


def _wrapped(text: str) -> str:
    return textwrap.fill(text, 78, subsequent_indent="  ")


EPILOG = "\n".join(
    [
        "exit status: 0 conforms, 1 does not conform, 2 input that cannot be used, 3 inconclusive or not measured",
        "",
        _wrapped(
            "The verdict goes to standard output, progress to standard error. Lengths are in mm. The keys of --json "
            "stand in docs/scans.md."
        ),
        "",
        _wrapped(
            f"--region “NAME: condition, condition, limits LOW HIGH”. {CONDITIONS} Without limits those of the "
            "whole hold."
        ),
        "",
        _wrapped(f"--align HOW. {HOW_TO_ALIGN} “points-then-fit:” fits to the surface from there."),
    ]
)


class OneLineParser(CommandParser):
    """Says what is wrong in one line."""

    def error(self, message: str) -> NoReturn:
        self.exit(BAD_INPUT, f"compare: {message}. compare --help says how.\n")


class Command(BaseCommand):
    """The comparison of the scan pages on two files. Needs no database and no data folder, and writes nothing but the
    picture it is asked for."""

    help = "Compare a scan with its nominal and say whether it conforms."
    requires_system_checks: list[str] = []
    requires_migrations_checks = False

    def create_parser(self, prog_name: str, subcommand: str, **kwargs: Any) -> CommandParser:
        parser = OneLineParser(
            prog=f"{Path(prog_name).name} {subcommand}",
            description=self.help,
            epilog=EPILOG,
            formatter_class=argparse.RawDescriptionHelpFormatter,
            called_from_command_line=getattr(self, "_called_from_command_line", None),
        )
        # What Django reads of every command before it runs one.
        for name in ("settings", "pythonpath"):
            parser.add_argument(f"--{name}", help=argparse.SUPPRESS)
        for name in ("traceback", "no_color", "force_color", "skip_checks"):
            parser.add_argument(f"--{name.replace('_', '-')}", action="store_true", help=argparse.SUPPRESS)
        parser.add_argument("--verbosity", type=int, default=1, help=argparse.SUPPRESS)
        self.add_arguments(parser)
        return parser

    def add_arguments(self, parser: CommandParser) -> None:
        units = list(LENGTH_IN_MM)
        parser.add_argument("nominal", type=Path, help="STEP, 3MF, STL, PLY or OBJ")
        parser.add_argument("scan", type=Path, help="PLY, STL, OBJ, E57, LAS, LAZ or a table of x, y, z")
        parser.add_argument("--unit", required=True, choices=units, help="of the scan")
        parser.add_argument("--nominal-unit", choices=units, help="of the nominal, if it is another")
        parser.add_argument("--tolerance", type=_positive, metavar="MM", help="the limits are −MM and +MM")
        parser.add_argument("--lower", type=_finite, metavar="MM", help="lower limit of deviation (negative: inside)")
        parser.add_argument("--upper", type=_finite, metavar="MM", help="upper limit of deviation")
        parser.add_argument(
            "--uncertainty", type=_not_negative, default=0.0, metavar="MM", help="U of the scanner, k = 2"
        )
        parser.add_argument("--coverage", type=_finite, default=95.0, metavar="%", help="surface to be measured (95)")
        parser.add_argument("--align", default="best-fit", metavar="HOW", help="see below (best-fit)")
        parser.add_argument("--region", action="append", default=[], metavar="SPEC", help="see below; may be repeated")
        parser.add_argument("--stray", type=_positive, metavar="MM", help="leave out every point farther off than this")
        parser.add_argument("--table", metavar="LAYOUT", help="DELIMITER,DECIMAL,SKIPPED,X,Y,Z of a table, such as "
                            "semicolon,comma,1,1,2,3")  # fmt: skip
        parser.add_argument("--together", action="store_true", help="several solids of the nominal are one piece")
        parser.add_argument("--seed", type=int, default=0, help="of the choice of points to align by (0)")
        parser.add_argument("--json", action="store_true", help="everything, as JSON, instead of a few lines")
        parser.add_argument("--picture", type=Path, metavar="FILE", help="write the map of deviation as PNG")
        parser.add_argument("--view", default="pictorial", choices=[view.name for view in VIEWS], help="of the picture")

    def handle(self, *args: Any, **options: Any) -> None:
        progress = ProgressLine(sys.stderr)
        try:
            status = self._compare(options, progress)
        except MetrologyError as error:
            progress.end()
            self._refuse(error.sentence)
        except MemoryError:
            progress.end()
            self._refuse("There is too little memory for this many points. Thin the scan and try again.")
        except OSError as error:
            progress.end()
            self._refuse(f"{error.filename or 'A file'} cannot be used: {error.strerror or error}.")
        except KeyboardInterrupt:
            progress.end()
            sys.exit(STOPPED)
        sys.exit(status)

    def _compare(self, options: dict[str, Any], progress: ProgressLine) -> int:
        lower, upper = _limits(options)
        nominal_unit = options["nominal_unit"] or options["unit"]
        settings = Settings(
            lower,
            upper,
            options["uncertainty"],
            options["coverage"] / 100,
            options["stray"],
            options["seed"],
            alignment(options["align"], options["unit"], nominal_unit),
        )
        regions = [region(text, lower, upper) for text in options["region"]]
        table = _table(options["table"])
        for path in (options["nominal"], options["scan"]):
            if not path.is_file():
                raise InputError("no-file", f"There is no file {path}.")
        with _picture_file(options["picture"]) as picture:
            found = compare_files(
                options["nominal"],
                options["scan"],
                unit=options["unit"],
                nominal_unit=nominal_unit,
                settings=settings,
                regions=regions,
                table=table,
                together=options["together"],
                progress=progress,
            )
            if picture is not None:
                progress("drawing", 0.0)
                picture.write(png(_drawn(found, lower, upper, options["view"])))
        progress.end()
        if options["json"]:
            plain = to_plain(found, lower, upper, options["coverage"] / 100)
            self.stdout.write(json.dumps(plain, ensure_ascii=False, indent=2, allow_nan=False))
        else:
            for line in _lines(found, lower, upper):
                self.stdout.write(line)
        self.stdout.flush()
        return STATUS[found.comparison.result]

    def _refuse(self, sentence: str) -> NoReturn:
        self.stderr.write(f"compare: {sentence}".replace("\n", " "))
        sys.exit(BAD_INPUT)


def _limits(options: dict[str, Any]) -> tuple[float, float]:
    tolerance, lower, upper = options["tolerance"], options["lower"], options["upper"]
    if (tolerance is None) == (lower is None and upper is None):
        raise InputError("limits", "Give the limits: --tolerance MM, or --lower MM and --upper MM.")
    if tolerance is not None:
        return -tolerance, tolerance
    if lower is None or upper is None:
        raise InputError("limits", "Give both --lower and --upper, or --tolerance for limits that are alike.")
    return lower, upper


def _table(text: str | None) -> TableChoice | None:
    if text is None:
        return None
    words = [word.strip() for word in text.split(",")]
    delimiters, decimals = ("comma", "semicolon", "tab", "space"), ("point", "comma")
    if len(words) == 6 and words[0] in delimiters and words[1] in decimals and all(w.isdigit() for w in words[2:]):
        skipped, x, y, z = map(int, words[2:])
        if min(x, y, z) >= 1 and len({x, y, z}) == 3:
            return TableChoice(words[0], words[1], skipped, x, y, z)
    raise InputError(
        "table",
        f"“{text}” is no layout of a table. Give delimiter (comma, semicolon, tab, space), decimal mark (point, "
        "comma), lines to skip, and the columns of x, y and z from 1: “semicolon,comma,1,1,2,3”.",
    )


@contextmanager
def _picture_file(path: Path | None) -> Iterator[io.BufferedWriter | None]:
    """A file beside the one wanted, which takes its place when all went well. Opened first, so that a folder that may
    not be written is told before the work."""
    if path is None:
        yield None
        return
    handle, temporary = tempfile.mkstemp(dir=path.parent, prefix=f".{path.name}-")
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
        umask = os.umask(0)
        os.umask(umask)
        os.chmod(temporary, 0o666 & ~umask)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise


def _drawn(found: FilesCompared, lower: float, upper: float, view: str) -> Any:
    made = found.comparison
    return deviation_picture(
        found.mesh,
        made.sample_points,
        made.sample_deviation,
        view=view,
        lower_mm=lower,
        upper_mm=upper,
        guard_mm=found.uncertainty,
        callouts=made.callouts,
        sample_normals=made.sample_normals,
    )


def _lines(found: FilesCompared, lower: float, upper: float) -> Iterator[str]:
    made = found.comparison
    yield made.sentence
    yield f"Alignment: {made.alignment.basis}"
    known = f"Limits {band(lower, upper)}; uncertainty {length(found.uncertainty)}"
    if math.isfinite(made.worst):
        known += f"; {share(made.inside_share)} of what was measured lies inside"
        known += f"; profile of the surface {length(made.profile_mm)}"
    yield f"{known}."
    yield f"{made.points_used:,} of {made.points_read:,} points used; {share(made.coverage)} of the surface measured."
    for part in made.regions:
        yield f"{part.name}: {part.sentence}"
    if made.difference is not None:
        yield f"Best fit beside it: {made.difference.words}"
    yield from found.notes


def _finite(text: str) -> float:
    value = float(text.replace("\u2212", "-"))
    if not math.isfinite(value):
        raise ValueError(text)
    return value


def _positive(text: str) -> float:
    value = _finite(text)
    if value <= 0:
        raise argparse.ArgumentTypeError("must be more than 0")
    return value


def _not_negative(text: str) -> float:
    value = _finite(text)
    if value < 0:
        raise argparse.ArgumentTypeError("must be 0 or more")
    return value


for _reader in (_finite, _positive, _not_negative):
    _reader.__name__ = "number"
