"""``inspect-app``: opens the pages; ``inspect-app measure PHOTO …`` and the other commands do one thing and end.

Exit status: 0 done; 1 what was checked is not as it should be (something stored is damaged, a known thing reads
wrong, a lens profile does not hold); 2 refused, with a sentence that says why and what to do; 3 failed in a way nobody
foresaw, with the file that says how; 141 the reader of the output closed it before its end.
"""

from __future__ import annotations

import argparse
import codecs
import difflib
import io
import os
import re
import sys
import traceback
from collections.abc import Sequence
from importlib import import_module
from pathlib import Path
from typing import Any, NoReturn

from inspect_app import __version__
from shared.errors import InspectError
from shared.trade import SIDES

__all__ = ["main", "parser", "plain_signs"]

OPTIONS = (
    "leave",
    "dress single frets",
    "recrown and polish",
    "level, crown and polish",
    "replace the worst and level",
    "full refret",
)
EXIT_REFUSED, EXIT_UNFORESEEN, EXIT_CUT_OFF = 2, 3, 128 + 13  # the last as of a process ended by SIGPIPE
_SCALES = "strip, backdrop, rule, rule:inch, coin:DIAMETER, coin:DIAMETER@X,Y, id1, span:X1,Y1,X2,Y2,MM or auto"


class _Parser(argparse.ArgumentParser):
    """An argument parser that says what is wrong in one sentence."""

    def error(self, message: str) -> NoReturn:
        self.exit(2, f"{_sentence(message, self)} Run `{self.prog} --help` for what it takes.\n")


def _sentence(message: str, source: argparse.ArgumentParser) -> str:
    unknown = re.match(r"unrecognized arguments: (\S+)", message)
    if not unknown:
        return message[:1].upper() + message[1:].rstrip(".") + "."
    name, known = unknown[1].split("=")[0], _option_names(source)
    if name in known:
        return f"This command has no option {name}."
    near = difflib.get_close_matches(name, known, n=1)
    return f"There is no option {unknown[1]}." + (f" Did you mean {near[0]}?" if near else "")


def _option_names(p: argparse.ArgumentParser) -> list[str]:
    """Options of a parser and of every subcommand below it."""
    below = [sub for a in p._actions if isinstance(a.choices, dict) for sub in a.choices.values()]
    return [*p._option_string_actions, *(name for sub in below for name in _option_names(sub))]


def parser() -> argparse.ArgumentParser:
    """All commands and their options."""
    top = _Parser("inspect-app", description="Fret wear measured from photos; without a command, opens the pages.")
    top.add_argument("--version", action="version", version=f"inspect-app {__version__}")
    _page_options(top, top=True)
    top.set_defaults(module="pages")
    commands = top.add_subparsers(metavar="COMMAND", parser_class=_Parser)
    _add_measure(commands.add_parser("measure", help="measure photos and write the answer"))
    _add_print_scales(commands.add_parser("print-scales", help="write the printed scales as PDF"))
    _add_lens(commands.add_parser("lens", help="make a lens profile from photos of the printed lens board"))
    tools = _add_prints(commands), _add_gauges(commands), _add_bench_checks(commands)
    _add_known_thing(commands.add_parser("known-thing", help="read a thing whose size is known, and compare"))
    _add_repeat_study(commands.add_parser("repeat-study", help="say how much photos of the same frets differ"))
    demo = commands.add_parser("demo", help="load the demo job, then open the pages")
    demo.set_defaults(module="demo")
    jobs = commands.add_parser("jobs", help="list the jobs, last changed first")
    jobs.set_defaults(module="jobs")
    jobs.add_argument("query", nargs="*", metavar="WORD", help="customer, instrument, #number or YYYY-MM-DD")
    jobs.add_argument("--limit", type=int, default=50, metavar="N", help="how many at most (50)")
    schema = commands.add_parser("schema", help="print the JSON schema of the answers")
    schema.set_defaults(module="schema")
    check = commands.add_parser("check", help="compare everything stored with its hash")
    check.set_defaults(module="check")
    check.add_argument("--tidy", action="store_true", help="move day-old files that belong to no photo to set-aside")
    backup = commands.add_parser("backup", help="write everything stored into one zip file")
    backup.set_defaults(module="backup", way="backup")
    backup.add_argument("file", type=Path, metavar="FILE", help="the zip file to write")
    restore = commands.add_parser("restore", help="make a new data folder of a backup")
    restore.set_defaults(module="backup", way="restore")
    restore.add_argument("file", type=Path, metavar="FILE", help="the zip file that `backup` wrote")
    restore.add_argument("folder", type=Path, metavar="FOLDER", help="the folder to make")
    stored = check, backup, _add_remeasure(commands), _add_import(commands)
    for p in (*tools, jobs, *stored, *_add_papers(commands)):
        _data_option(p, top=False)
    _page_options(demo, top=False)
    return top


def _add_papers(commands: Any) -> tuple[argparse.ArgumentParser, ...]:
    """The commands that make a job's papers."""
    estimate = commands.add_parser("estimate", help="work out the options of a job and draft its estimate")
    estimate.add_argument("--option", choices=OPTIONS, metavar="OPTION", help=f"one of: {', '.join(OPTIONS)}")
    estimate.add_argument("--issue", action="store_true", help="issue it: from then on it does not change")
    report = commands.add_parser("report", help="write a job's bench sheet, handover or measurement record as PDF")
    report.add_argument("--kind", choices=("bench", "handover", "record"), default="bench", help="which paper (bench)")
    export = commands.add_parser("export", help="write a job's papers, pictures and readings to one zip file")
    export.add_argument("--pixels", type=int, default=1600, metavar="N", help="long side of the pictures (1600)")
    export.add_argument(
        "--whole", action="store_true", help="with all that `import` needs, photos as they came included"
    )
    for p, kind in ((estimate, "estimate"), (report, "report"), (export, "export")):
        p.set_defaults(module="papers", paper_kind=kind)
        p.add_argument("job", type=int, metavar="JOB", help="the job's number")
        p.add_argument("--out", type=Path, required=kind != "estimate", metavar="FILE", help="the file to write")
    for p in (estimate, report):
        p.add_argument("--visit", default="intake", metavar="LABEL", help="which visit's photos (intake)")
        p.add_argument("--paper", choices=("a4", "letter"), default="a4", help="page size (a4)")
    return estimate, report, export


def _add_remeasure(commands: Any) -> argparse.ArgumentParser:
    p: argparse.ArgumentParser = commands.add_parser("remeasure", help="read stored photos again with this version")
    p.set_defaults(module="remeasure")
    p.add_argument("jobs", nargs="*", type=int, metavar="JOB", help="the jobs' numbers (all)")
    p.add_argument("--all", action="store_true", help="also photos that this version has read already")
    p.add_argument("--dry-run", action="store_true", help="say what would move, and keep nothing")
    p.add_argument("--units", choices=("mm", "inch"), default="mm", help="lengths on the screen (mm)")
    p.add_argument("--json", type=Path, metavar="FILE", help="write what moved")
    return p


def _add_import(commands: Any) -> argparse.ArgumentParser:
    p: argparse.ArgumentParser = commands.add_parser("import", help="take in a job that `export --whole` wrote")
    p.set_defaults(module="import_job")
    p.add_argument("file", type=Path, metavar="FILE", help="the zip file or folder of the export")
    return p


def _add_print_scales(p: argparse.ArgumentParser) -> None:
    p.set_defaults(module="print_scales")
    p.add_argument("--paper", choices=("a4", "letter"), default="a4", help="page size (a4)")
    p.add_argument("--out", type=Path, required=True, metavar="FILE", help="the PDF file to write")
    p.add_argument("--lens", action="store_true", help="the board that lens profiles are made from, in their place")


def _add_lens(p: argparse.ArgumentParser) -> None:
    p.set_defaults(module="lens")
    p.add_argument("photos", nargs="+", type=Path, metavar="PHOTO", help="eight or more photos of the lens board")
    p.add_argument("--out", type=Path, metavar="FILE", help="the lens profile to write")
    p.add_argument("--check", type=Path, metavar="FILE", help="say whether this profile holds for the photos")
    p.add_argument("--keep", action="store_true", help="keep the profile: photos it holds for are measured with it")
    _data_option(p, top=False)
    p.add_argument("--name", metavar="WORDS", help="what to call camera and setting (the file's name)")
    p.add_argument("--bars", metavar="ACROSS,DOWN", help="measured lengths of the board's two check bars, mm")


def _data_option(p: argparse.ArgumentParser, top: bool) -> None:
    default = None if top else argparse.SUPPRESS
    p.add_argument("--data", type=Path, metavar="DIR", default=default, help="data folder")


def _page_options(p: argparse.ArgumentParser, top: bool) -> None:
    """Options of the pages; left unset below a subcommand so that they count on either side of its name."""
    unset = argparse.SUPPRESS
    _data_option(p, top)
    p.add_argument("--port", type=int, metavar="N", default=8501 if top else unset, help="port of the pages")
    p.add_argument(
        "--no-browser", action="store_true", default=False if top else unset, help="don't open a browser window"
    )
    p.add_argument(
        "--lan", action="store_true", default=False if top else unset, help="let phones on this network send photos"
    )
    p.add_argument(
        "--passcode",
        metavar="WORDS",
        default=os.environ.get("INSPECT_APP_PASSCODE") if top else unset,
        help="asked of everyone who opens the pages with --lan; or set INSPECT_APP_PASSCODE",
    )


def _add_measure(p: argparse.ArgumentParser) -> None:
    p.set_defaults(module="measure")
    p.add_argument("photos", nargs="+", type=Path, metavar="PHOTO", help="JPEG, PNG or WebP file, or a folder of them")
    _add_question(p)
    _add_where(p)
    p.add_argument("--results", type=Path, metavar="FILE", help="keep each answer as it comes; a stopped run goes on")
    p.add_argument(
        "--units", choices=("mm", "inch"), default="mm", help="lengths on the screen (mm); the JSON stays mm"
    )
    p.add_argument(
        "--together",
        action="store_true",
        help="put the flats of several plan photos of one neck together, as one answer",
    )
    p.add_argument("--json", type=Path, metavar="FILE", help="write the answer; a list of answers for several photos")
    p.add_argument(
        "--overlay", type=Path, metavar="FILE", help="write the photo with the readings; a folder for several"
    )


def _add_where(p: argparse.ArgumentParser) -> None:
    """Where photos are measured."""
    p.add_argument("--workers", type=int, metavar="N", help="processes to measure in (one a core); 0 for none")
    p.add_argument("--scheduler", metavar="ADDRESS", help="measure on the workers of this dask scheduler instead")


def _add_question(p: argparse.ArgumentParser) -> None:
    """What is asked of a photo."""
    p.add_argument("--view", metavar="VIEW", default="plan", help="plan, elevation, end, section or side (plan)")
    p.add_argument("--scale", metavar="SCALE", help=f"{_SCALES} (strip for plan, else backdrop)")
    p.add_argument(
        "--scale-factor", type=float, default=1.0, metavar="F", help="true length over nominal length of the print (1)"
    )
    p.add_argument("--print", type=int, dest="print_number", metavar="NUMBER", help="or the print's number in the shop")
    _data_option(p, top=False)
    p.add_argument(
        "--scale-plane", default="crown", metavar="WHERE", help="where the scale lies: crown, board or below:MM (crown)"
    )
    p.add_argument("--scale-length", type=float, metavar="MM", help="the instrument's scale length")
    p.add_argument(
        "--first-fret", type=int, default=1, metavar="N", help="number of the whole fret nearest the nut (1)"
    )
    p.add_argument("--nut", choices=("left", "right"), default="left", help="side of the photo towards the nut (left)")
    p.add_argument("--treble", choices=("top", "bottom"), default="bottom", help="treble side of the photo (bottom)")
    p.add_argument("--lens", type=Path, metavar="FILE", help="lens profile of the camera and zoom")
    p.add_argument("--crown-width", type=float, metavar="MM", help="width of the unworn crown, where known")
    p.add_argument("--crown-height", type=float, metavar="MM", help="height of the unworn crown, where known")
    p.add_argument("--end", choices=SIDES, help="which end an `end` photo shows")
    p.add_argument(
        "--string", choices=("first", "last"), help="outer string a `side` photo shows; first: the treble side's"
    )
    p.add_argument("--held", metavar="N[,N]", help="frets the string is held down on in a `side` photo (open)")
    p.add_argument(
        "--string-inset", type=float, metavar="MM", help="from the board's edge to the string's middle, where known"
    )


def _add_prints(commands: Any) -> argparse.ArgumentParser:
    p: argparse.ArgumentParser = commands.add_parser("prints", help="the shop's printed scales and their check bars")
    p.set_defaults(module="shop_tools", tool="prints")
    p.add_argument("number", nargs="?", type=int, metavar="NUMBER", help="the number written on a print")
    p.add_argument(
        "--add", choices=("strip", "backdrop", "tongue", "sheet"), metavar="SCALE",
        help="number a new strip, backdrop or tongue, or a sheet of all",
    )  # fmt: skip
    p.add_argument("--out", type=Path, metavar="FILE", help="write the new sheet, with the numbers in its pattern")
    p.add_argument("--paper", choices=("a4", "letter"), default="a4", help="page size of the sheet (a4)")
    p.add_argument("--bar", type=float, metavar="MM", help="what its check bar measures")
    p.add_argument("--gauge", type=int, metavar="NUMBER", help="the gauge that read it")
    p.add_argument("--humidity", type=float, metavar="PERCENT", help="relative humidity of the air then")
    p.add_argument("--note", default="", metavar="WORDS", help="printer, paper, where it hangs")
    p.add_argument("--retire", type=int, metavar="NUMBER", help="use this print no more")
    return p


def _add_gauges(commands: Any) -> argparse.ArgumentParser:
    p: argparse.ArgumentParser = commands.add_parser("gauges", help="the shop's callipers, rules and feelers")
    p.set_defaults(module="shop_tools", tool="gauges")
    p.add_argument("--add", metavar="NAME", help="enter a gauge")
    p.add_argument("--kind", choices=("calliper", "rule", "feeler"), default="calliper", help="what it is (calliper)")
    p.add_argument("--resolution", type=float, metavar="MM", help="what it resolves")
    p.add_argument("--u", type=float, metavar="MM", help="its standard uncertainty: its limit of error over 1.7")
    p.add_argument("--calibrated", metavar="DATE", help="when it was last calibrated, YYYY-MM-DD")
    p.add_argument("--use", type=int, metavar="NUMBER", help="from now on, heights are read with this one")
    p.add_argument("--retire", type=int, metavar="NUMBER", help="use this gauge no more")
    return p


def _add_bench_checks(commands: Any) -> argparse.ArgumentParser:
    p: argparse.ArgumentParser = commands.add_parser("bench-checks", help="known things and repeat studies kept")
    p.set_defaults(module="bench_checks")
    p.add_argument("--retire", type=int, metavar="NUMBER", help="let this one stand no longer")
    return p


def _add_known_thing(p: argparse.ArgumentParser) -> None:
    p.set_defaults(module="known_thing")
    p.add_argument("photo", type=Path, metavar="PHOTO", help="photo of the thing with a scale")
    p.add_argument("--expected", type=float, required=True, metavar="VALUE", help="its size, in mm or degrees")
    p.add_argument("--within", type=float, required=True, metavar="LIMIT", help="how far off that may be at most")
    p.add_argument("--across", metavar="X1,Y1,X2,Y2", help="a line across two parallel edges, in photo pixels")
    p.add_argument("--step", metavar="X1,Y1,…,X4,Y4", help="or two points on each of two parallel edges")
    p.add_argument("--angle", metavar="X1,Y1,…,X4,Y4", help="or two points on each of two edges that enclose an angle")
    p.add_argument("--above", type=float, default=0.0, metavar="MM", help="the edges' height over the scale (0)")
    p.add_argument(
        "--reading", metavar="NAME", help="or a reading of the photo by its name, such as 'fret 1, tang width'"
    )
    _add_question(p)
    p.add_argument("--json", type=Path, metavar="FILE", help="write the comparison with its date")
    p.add_argument("--keep", action="store_true", help="keep the result: it stands on the measurement records")
    p.add_argument("--overlay", type=Path, metavar="FILE", help="write the photo with what was read drawn on it")


def _add_repeat_study(p: argparse.ArgumentParser) -> None:
    p.set_defaults(module="repeat_study")
    p.add_argument("photos", nargs="+", type=Path, metavar="PHOTO", help="photos, or folders of them: one a person")
    _add_question(p)
    _add_where(p)
    p.add_argument("--json", type=Path, metavar="FILE", help="write the study's figures")
    p.add_argument("--plot", type=Path, metavar="FILE", help="draw every reading beside what U allows for, as SVG")
    p.add_argument("--keep", action="store_true", help="keep them: they stand in U in place of what is assumed")


_PLAIN = {"±": "+/-", "°": " deg", "×": "x", "…": "...", "–": "-", "›": ">", "‹": "<", "“": '"', "”": '"'}
"""Signs in words for a console that has none of them."""


def plain_signs(error: UnicodeError) -> tuple[str, int]:
    """What stands for signs that a console's encoding lacks, for `codecs.register_error`."""
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(_PLAIN.get(sign, "?") for sign in error.object[error.start : error.end]), error.end


def _replace_unprintable_signs() -> None:
    """Let consoles without our signs (cp1252 has most, ASCII none) show something in their place, never an error."""
    codecs.register_error("plain signs", plain_signs)
    for stream in (sys.stdout, sys.stderr):
        if isinstance(stream, io.TextIOWrapper):
            stream.reconfigure(errors="plain signs")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status."""
    _replace_unprintable_signs()
    options = parser().parse_args(argv)
    try:
        status = int(import_module(f"inspect_app.commands.{options.module}").run(options))
        sys.stdout.flush()
        return status
    except BrokenPipeError:  # whoever reads the output has had enough, as `head` has: what is left goes nowhere
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_CUT_OFF
    except InspectError as error:
        print(error, file=sys.stderr)
        return EXIT_REFUSED
    except Warning:  # an error only where someone asked Python for that
        raise
    except Exception:
        print(_unforeseen(), file=sys.stderr)
        return EXIT_UNFORESEEN


def _unforeseen() -> str:
    """What to say of an error that has no sentence of its own; how it came about goes into a file."""
    from inspect_app.commands.files import report_folder
    from shared.reports import keep_report

    kept = keep_report(report_folder(), f"version {__version__}\n{traceback.format_exc()}")
    where = f" How that came about is written in {kept}." if kept else ""
    return f"This failed in a way nobody foresaw.{where} What is stored is as it was: `inspect-app check` tells."


if __name__ == "__main__":
    raise SystemExit(main())
