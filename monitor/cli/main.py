"""The command line: reads arguments, calls the work, turns faults into one line and an exit code."""

from __future__ import annotations

import argparse
import logging
import sys
import traceback
from collections.abc import Callable, Sequence
from typing import TypeAlias

from monitor.cli.examples import EXAMPLES as EXAMPLE
from monitor.cli.kinds import check_kinds
from monitor.cli.output import complain
from monitor.cli.outputs import check_outputs, to_write
from monitor.cli.values import between, moment, squares, whole
from monitor.errors import MonitorError
from monitor.health.log import logging_to
from monitor.places import log_file
from vision.errors import VisionError

__all__ = ["main", "build_parser"]

DONE, LIMITS_PASSED, USAGE, BAD_INPUT, ENVIRONMENT, INTERNAL, INTERRUPTED = 0, 1, 2, 3, 4, 5, 130

log = logging.getLogger("plumeline")

Commands: TypeAlias = "argparse._SubParsersAction[argparse.ArgumentParser]"
HEAT_HELP = "heat calibration from `calibrate heat` (default: the kept one that applies; none: use none)"
EXAMPLES = """examples:
  plumeline demo
  plumeline calibrate paper --out paper.pdf
  plumeline calibrate camera photos/*.jpg --squares 9x6 --square-mm 25 --marker-mm 18 --dictionary DICT_5X5_100 \\
      --out camera.toml
  plumeline calibrate nozzle --touch touch/ --job job.toml --camera camera.toml --out nozzle.toml
  plumeline analyse clip.mp4 --job job.toml --camera camera.toml --nozzle nozzle.toml --out recordings/today
  plumeline report recordings/today --pdf
  plumeline review recordings/today
  plumeline learning recordings --operator T7 --out curve.svg
  plumeline compare recordings/monday recordings/today --window
  plumeline watch --source sample_video/clip.mp4

exit codes: 0 done, 1 done but limits were passed, 2 wrong use, 3 input that cannot be used, 4 the machine (disk,
permission, camera), 5 a fault in the program, 130 interrupted"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and give its exit code; never raises for a fault of input or machine."""
    parser = build_parser()
    args = parser.parse_args(argv)
    if getattr(args, "run", None) is None:
        parser.print_help(sys.stderr or sys.stdout)
        return USAGE
    with logging_to(log_file()):
        code = _run(args)
        log.info("%s: exit code %d", args.command, code)
    return code


def _run(args: argparse.Namespace) -> int:
    try:
        check_kinds(args)
        check_outputs(args)
        return args.run(args)
    except KeyboardInterrupt:
        return _say("interrupted; nothing half-written was left under a final name", INTERRUPTED)
    except MonitorError as fault:
        return _fail(args, fault, str(fault), fault.exit_code)
    except VisionError as fault:
        return _fail(args, fault, str(fault), BAD_INPUT)
    except BrokenPipeError:
        return DONE  # the reader of our output went away, as `head` does
    except OSError as fault:
        where = f"{fault.filename}: " if fault.filename else ""
        return _fail(args, fault, f"{where}{fault.strerror or fault}", ENVIRONMENT)
    except Exception as fault:  # the one place that catches everything: a user gets a line, not a traceback
        log.exception("a fault in %s", args.command)
        told = (f"a fault in plumeline itself ({type(fault).__name__}: {fault}); --debug shows where, "
                "`plumeline bug-report` gathers what is needed to mend it")
        return _fail(args, fault, told, INTERNAL)


def build_parser() -> argparse.ArgumentParser:
    """All commands and their arguments."""
    parser = argparse.ArgumentParser(
        prog="plumeline", epilog=EXAMPLES, formatter_class=argparse.RawDescriptionHelpFormatter,
        description="Measures a hot-air nozzle over a circuit board by webcam, estimates the heat, warns and records.")
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version and exit")
    commands = parser.add_subparsers(title="commands", metavar="COMMAND", dest="command")
    for add in (_add_demo, _add_watch, _add_analyse, _add_export, _add_report, _add_overlay, _add_calibrate, _add_rerun,
                _add_plan, _add_review, _add_guide, _add_learning, _add_compare, _add_library, _add_class, _add_import,
                _add_batch, _add_verify, _add_doctor, _add_paths, _add_bug_report):
        add(commands)
    return parser


def _command(commands: Commands, name: str, work: str, text: str) -> argparse.ArgumentParser:
    """A command whose work is imported only when it runs."""
    parser = commands.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".",
                                 epilog=f"example:\n  {EXAMPLE.get(name, 'plumeline ' + name)}",
                                 formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--debug", action="store_true", help="show where a fault came from")
    parser.set_defaults(run=_late(work))
    return parser


def _add_theme(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--theme", "--look", choices=("system", "light", "dark"), default="system",
                        help="colours of the window (default: system)")
    parser.add_argument("--language", choices=("system", "en", "de"), default="system",
                        help="language of the window (default: system)")


def _late(work: str) -> Callable[[argparse.Namespace], int]:
    def run(args: argparse.Namespace) -> int:
        from importlib import import_module

        module, function = work.split(":")
        return getattr(import_module(module), function)(args)
    return run


def _add_demo(commands: Commands) -> None:
    parser = _command(commands, "demo", "monitor.cli.demo:run_demo",
                      "analyse the sample recording and show what comes out")
    parser.add_argument("--out", metavar="DIR", help="where the recording goes (default: demo_out here)")


def _add_analyse(commands: Commands) -> None:
    parser = _command(commands, "analyse", "monitor.cli.commands:run_analyse",
                      "measure a recorded clip into a recording")
    parser.add_argument("clip", metavar="CLIP", help="video of the work")
    parser.add_argument("--job", required=True, metavar="FILE", help="job file (TOML)")
    parser.add_argument("--camera", required=True, metavar="FILE", help="camera calibration (TOML)")
    parser.add_argument("--nozzle", required=True, metavar="FILE", help="nozzle calibration (TOML)")
    parser.add_argument("--out", required=True, metavar="DIR", help="folder to write; must not hold anything else")
    parser.add_argument("--heat", metavar="FILE", help=HEAT_HELP)
    _add_attribution(parser)
    parser.add_argument("--copy-video", action="store_true", help="copy the clip into the recording instead of linking")
    parser.add_argument("--force", action="store_true", help="replace a recording that is there")
    parser.add_argument("--json", action="store_true", help="print the summary as JSON")


def _add_attribution(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--operator", default="", metavar="CODE", help="operator code, not a name")
    parser.add_argument("--recorded", default="", metavar="TIME",
                        help="when it was filmed, such as 2026-05-01T14:10, by the "
                        "clocks here (default: the video file's own time, and the report says so)")
    parser.add_argument("--kind", default="", metavar="practice|probe|work",
                        help="what the passes are; probe: without help, to see what was learned")


def _add_watch(commands: Commands) -> None:
    parser = _command(commands, "watch", "monitor.cli.watch:run_watch", "watch the bench live: measure, warn, record")
    parser.add_argument("--source", metavar="CAMERA|FILE",
                        help="camera by name or number, or a video played as if it were one "
                        "(default: the first camera)")
    parser.add_argument("--job", metavar="FILE", help="job file (default: job.toml beside the video)")
    parser.add_argument("--camera", metavar="FILE", help="camera calibration (default: camera.toml beside the video)")
    parser.add_argument("--nozzle", metavar="FILE", help="nozzle calibration (default: nozzle.toml beside the video)")
    parser.add_argument("--heat", metavar="FILE", help=HEAT_HELP)
    parser.add_argument("--out", metavar="DIR", help="folder that gets the recordings, one folder each")
    parser.add_argument("--operator", default="", metavar="CODE", help="operator code, not a name")
    parser.add_argument("--coaching", default="faded by skill",
                        choices=["always", "outside the band", "faded by skill", "muted"],
                        help="when the height tone may be heard (default: faded by skill)")
    parser.add_argument("--band", type=between(0, 100), default=15.0, metavar="PERCENT",
                        help="silent band round the height to hold (default: 15)")
    parser.add_argument("--guide", metavar="FILE", help="be led along this pass, as `plumeline guide` wrote it")
    parser.add_argument("--no-record", action="store_true", help="watch and warn only")
    parser.add_argument("--no-video", action="store_true", help="record the trace without the picture")
    parser.add_argument("--mute", action="store_true", help="no sound")
    parser.add_argument("--sound", type=to_write(".wav"), metavar="FILE.wav", help="write what is heard to a file too")
    _add_theme(parser)
    parser.add_argument("--rate", type=float, default=30.0, metavar="HZ",
                        help="pictures a second to ask the camera for (default: 30)")
    parser.add_argument("--once", action="store_true", help="play a video once; else it begins again at its end")
    parser.add_argument("--quit-at-end", action="store_true", help="record at once and close when the video ends")
    parser.add_argument("--minutes", type=between(0.01, 10_000), metavar="N",
                        help="record at once, play the video over and over, close after N minutes")
    parser.add_argument("--stats", type=to_write(".json"), metavar="FILE",
                        help="write latencies, drops, processor and memory as JSON")
    parser.add_argument("--list-cameras", action="store_true", help="print the cameras and leave")


def _add_export(commands: Commands) -> None:
    parser = _command(commands, "export", "monitor.cli.commands:run_export",
                      "write track, warnings, passes and comments as tables")
    parser.add_argument("recording", metavar="DIR")
    parser.add_argument("--format", choices=("csv", "parquet", "both"), default="csv", help="default: csv")
    parser.add_argument("--out", metavar="DIR", help="where the files go (default: into the recording)")


def _add_report(commands: Commands) -> None:
    parser = _command(commands, "report", "monitor.cli.commands:run_report",
                      "write the report as one HTML file, or as PDF")
    parser.add_argument("recording", metavar="DIR")
    parser.add_argument("--out", type=to_write(".html", ".htm", ".pdf"), metavar="FILE",
                        help="default: report.html, or report.pdf, in the recording")
    parser.add_argument("--pdf", action="store_true", help="as PDF; also when FILE ends in .pdf")
    parser.add_argument("--page", choices=("A4", "Letter"), default="A4", help="sheet of the PDF (default: A4)")


def _add_overlay(commands: Commands) -> None:
    parser = _command(commands, "overlay", "monitor.cli.commands:run_overlay", "draw the measurement over the video")
    parser.add_argument("recording", metavar="DIR")
    parser.add_argument("--out", type=to_write(".mp4", ".mkv", ".mov"), metavar="FILE",
                        help="default: overlay.mp4 in the recording")


def _add_rerun(commands: Commands) -> None:
    parser = _command(commands, "rerun", "monitor.cli.commands:run_rerun",
                      "judge a recording again under another job, without its video")
    parser.add_argument("recording", metavar="DIR")
    parser.add_argument("--job", metavar="FILE", help="the other job file (default: the recording's own)")
    parser.add_argument("--higher-mm", type=float, default=0.0, metavar="MM",
                        help="what if the nozzle had been held so much higher over the same spot; negative is lower")
    parser.add_argument("--heat", metavar="FILE", help=HEAT_HELP)
    parser.add_argument("--out", required=True, metavar="DIR", help="folder for the new recording")
    parser.add_argument("--force", action="store_true", help="replace a recording that is there")
    parser.add_argument("--json", action="store_true", help="print the summary as JSON")


def _add_plan(commands: Commands) -> None:
    from monitor.heat.alloy import alloy_names

    parser = _command(commands, "plan", "monitor.cli.plan:run_plan",
                      "say what to set for a job, and how likely it works")
    parser.epilog = f"{parser.epilog or ''}\n\nsolder alloys that a job can name: " + ", ".join(alloy_names())
    parser.add_argument("job", metavar="JOB", help="job file (TOML)")
    parser.add_argument("--heat", metavar="FILE", help=HEAT_HELP)
    parser.add_argument("--out", type=to_write(".png"), metavar="FILE.png",
                        help="picture of the window (default: none)")
    parser.add_argument("--hottest", type=float, default=430.0, metavar="C",
                        help="highest setpoint to try (default 430; above it parts and boards burn easily)")
    parser.add_argument("--json", action="store_true", help="print the plan as JSON")


def _add_compare(commands: Commands) -> None:
    from monitor.cli.compare_arguments import add_arguments

    parser = _command(commands, "compare", "monitor.cli.compare:run_compare",
                      "compare the passes of recordings of one job, or study the camera as a gauge")
    add_arguments(parser)
    _add_theme(parser)


def _add_review(commands: Commands) -> None:
    parser = _command(commands, "review", "monitor.cli.commands:run_review",
                      "look at a recording frame by frame, with its traces, comments and what-ifs")
    parser.add_argument("recording", nargs="?", metavar="DIR", help="recording to open (default: none yet)")
    _add_theme(parser)


def _add_guide(commands: Commands) -> None:
    parser = _command(commands, "guide", "monitor.cli.guide:run_guide",
                      "make a good pass of a recording a guide, to be led along in `plumeline watch --guide`")
    parser.add_argument("recording", metavar="DIR", help="recording")
    parser.add_argument("--pass", dest="number", type=whole(1, 1_000_000), metavar="N",
                        help="number of the pass (default: the only one)")
    parser.add_argument("--out", required=True, type=to_write(".toml", word="plumeline guide pass"),
                        metavar="FILE.toml", help="where the guide goes")


def _add_library(commands: Commands) -> None:
    parser = _command(commands, "library", "monitor.cli.library:run_library",
                      "find recordings in a folder of many, by job, operator, date or warning")
    parser.add_argument("root", metavar="ROOT", help="folder that holds recordings, at any depth")
    parser.add_argument("--job", metavar="TEXT", help="part of the job's title, target or alloy")
    parser.add_argument("--operator", metavar="CODE", help="operator code")
    parser.add_argument("--from", dest="since", type=moment, metavar="DATE",
                        help="recorded on this date or later (YYYY-MM-DD, UTC)")
    parser.add_argument("--to", dest="until", type=moment, metavar="DATE", help="recorded on this date or before")
    parser.add_argument("--warning", metavar="KIND", help="with such a warning, such as drift; any; none")
    parser.add_argument("--faulty", action="store_true", help="only recordings that could not be read")
    parser.add_argument("--limit", type=whole(1, 1_000_000), metavar="N", help="the latest N only")
    parser.add_argument("--no-refresh", action="store_true",
                        help="search the index as it is, without looking for new ones")
    parser.add_argument("--rebuild", action="store_true", help="make the index anew")
    parser.add_argument("--cache", metavar="FILE", help="where the index is kept (default: in ROOT)")
    parser.add_argument("--json", action="store_true", help="print what was found as JSON")


def _add_class(commands: Commands) -> None:
    parser = _command(commands, "class", "monitor.cli.classroom:run_class",
                      "show a class on one page: how each operator code gets on and what to practise next")
    parser.add_argument("root", metavar="ROOT", help="folder that holds the recordings, at any depth")
    parser.add_argument("--job", default="", metavar="TEXT", help="only jobs whose title, target or alloy holds this")
    parser.add_argument("--title", default="", metavar="TEXT", help="head of the page (default: the folder's name)")
    parser.add_argument("--out", metavar="DIR", help="where class.html, class.pdf and class.csv go (default: ROOT)")
    parser.add_argument("--no-refresh", action="store_true", help="take the index as it is")
    parser.add_argument("--cache", metavar="FILE", help="where the index is kept (default: in ROOT)")


def _add_import(commands: Commands) -> None:
    parser = _command(commands, "import", "monitor.cli.evening:run_import",
                      "analyse a folder of clips by a sheet that says who, when, as what and at which job")
    parser.add_argument("folder", metavar="FOLDER", help="the clips")
    parser.add_argument("--sheet", metavar="FILE",
                        help="CSV with columns file, operator, time, kind, job; all but file may "
                        "be empty (default: sheet.csv in FOLDER)")
    parser.add_argument("--job", metavar="FILE", help="job of rows that name none")
    parser.add_argument("--camera", required=True, metavar="FILE", help="camera calibration (TOML)")
    parser.add_argument("--nozzle", required=True, metavar="FILE", help="nozzle calibration (TOML)")
    parser.add_argument("--out", required=True, metavar="DIR",
                        help="where the recordings go; goes on where it was stopped")
    parser.add_argument("-j", type=whole(1, 256), default=1, metavar="N", help="processes (default: 1)")
    parser.add_argument("--json", action="store_true", help="print one JSON object a clip")


def _add_batch(commands: Commands) -> None:
    parser = _command(commands, "batch", "monitor.cli.batch:run_batch",
                      "analyse many recordings again, each from its own video and files")
    parser.add_argument("root", metavar="ROOT",
                        help="folder that holds recordings, at any depth; they stay as they are")
    parser.add_argument("-j", type=whole(1, 256), metavar="N", help="processes (default: one a core)")
    parser.add_argument("--out", metavar="DIR",
                        help="folder for the results (default: ROOT_again); goes on where it was stopped")
    parser.add_argument("--scheduler", metavar="ADDRESS",
                        help="use the workers of this Dask scheduler instead, such as tcp://bench:8786; they must see "
                             "the same "
                             "folders (needs the extra `cluster`)")
    parser.add_argument("--json", action="store_true", help="print one JSON object a recording")


def _add_learning(commands: Commands) -> None:
    parser = _command(commands, "learning", "monitor.cli.learning:run_learning",
                      "show how one operator code gets on, over days, from muted probes")
    parser.add_argument("roots", nargs="+", metavar="DIR", help="recordings, or folders of them")
    parser.add_argument("--operator", required=True, metavar="CODE", help="operator code, not a name")
    parser.add_argument("--measure", choices=("in_limits", "height_sd_mm", "coverage", "evenness", "dwell_s"),
                        default="in_limits", help="default: in_limits")
    parser.add_argument("--job", default="", metavar="TEXT", help="only jobs whose title holds this")
    parser.add_argument("--out", type=to_write(".svg", ".png"), metavar="FILE",
                        help="picture of the curve (.svg or .png)")
    parser.add_argument("--json", action="store_true", help="print the curve as JSON")


def _add_calibrate(commands: Commands) -> None:
    parser = commands.add_parser("calibrate", help="make the mat, and calibrate camera and nozzle")
    parser.set_defaults(run=None)
    kinds = parser.add_subparsers(title="what", metavar="WHAT", required=True)
    for add in (_add_calibrate_paper, _add_calibrate_mat, _add_calibrate_camera, _add_calibrate_readout,
                _add_calibrate_nozzle, _add_calibrate_check, _add_calibrate_heat):
        add(kinds)


def _add_calibrate_paper(kinds: Commands) -> None:
    parser = _command(kinds, "paper", "monitor.cli.calibrate:run_paper",
                      "write all that is printed as one true-size PDF: the mat, and the board for the lens")
    parser.add_argument("--out", type=to_write(".pdf"), default="plumeline_paper.pdf", metavar="FILE.pdf",
                        help="default: plumeline_paper.pdf")
    parser.add_argument("--page", choices=("A4", "Letter"), default="A4", help="size of the sheets (default: A4)")


def _add_calibrate_mat(kinds: Commands) -> None:
    parser = _command(kinds, "mat", "monitor.cli.calibrate:run_mat", "write the bench mat as a true-size PDF")
    parser.add_argument("--print", action="store_true", dest="print_it", help=argparse.SUPPRESS)  # was needed once
    parser.add_argument("--page", choices=("A4", "Letter"), default="A4", help="size of the sheet (default: A4)")
    parser.add_argument("--out", type=to_write(".pdf"), default="plumeline_mat.pdf", metavar="FILE.pdf")


def _add_calibrate_camera(kinds: Commands) -> None:
    parser = _command(kinds, "camera", "monitor.cli.calibrate:run_camera",
                      "calibrate a camera from photographs of a ChArUco board")
    parser.add_argument("photos", nargs="+", metavar="PHOTO")
    parser.add_argument("--squares", required=True, type=squares, metavar="9x6", help="squares across and down")
    parser.add_argument("--square-mm", required=True, type=between(0.1, 500), metavar="MM")
    parser.add_argument("--marker-mm", required=True, type=between(0.1, 500), metavar="MM")
    parser.add_argument("--dictionary", required=True, metavar="NAME", help="such as DICT_5X5_100")
    parser.add_argument("--out", type=to_write(".toml", word="camera_matrix_px"), required=True, metavar="FILE",
                        help="camera calibration to write (TOML)")


def _add_calibrate_readout(kinds: Commands) -> None:
    parser = _command(kinds, "readout", "monitor.cli.calibrate:run_readout",
                      "learn how fast a camera reads its rows, from a recording of the mat waved before it")
    parser.add_argument("video", metavar="VIDEO",
                        help="some seconds of the mat waved to and fro, and up and down in the picture, its markers "
                             "sharp")
    parser.add_argument("--camera", required=True, metavar="FILE", help="camera calibration (TOML)")
    parser.add_argument("--out", type=to_write(".toml", word="camera_matrix_px"), required=True, metavar="FILE",
                        help="camera calibration to write, with the readout; may be the same file")


def _add_calibrate_nozzle(kinds: Commands) -> None:
    parser = _command(kinds, "nozzle", "monitor.cli.calibrate:run_nozzle",
                      "learn where a nozzle's edges appear, from photographs at known heights")
    parser.add_argument("--touch", required=True, metavar="DIR", help="photographs with heights.csv")
    parser.add_argument("--job", required=True, metavar="FILE", help="job file with the nozzle's measures")
    parser.add_argument("--camera", required=True, metavar="FILE", help="camera calibration (TOML)")
    parser.add_argument("--out", type=to_write(".toml", word="camera_id"), required=True, metavar="FILE",
                        help="nozzle calibration to write (TOML)")


def _add_calibrate_check(kinds: Commands) -> None:
    parser = _command(kinds, "check", "monitor.cli.calibrate:run_check",
                      "check the calibrations with one gauge block, any day")
    parser.add_argument("photos", nargs="+", metavar="PHOTO",
                        help="the nozzle standing on the block, one photograph or several")
    parser.add_argument("--height-mm", required=True, type=between(0, 200), metavar="MM", help="height of the block")
    parser.add_argument("--over", choices=("board", "mat"), default="board",
                        help="what the block stands on (default: board)")
    parser.add_argument("--job", required=True, metavar="FILE", help="job file with the nozzle's measures")
    parser.add_argument("--camera", required=True, metavar="FILE", help="camera calibration (TOML)")
    parser.add_argument("--nozzle", required=True, metavar="FILE", help="nozzle calibration (TOML)")
    parser.add_argument("--empty", metavar="PHOTO",
                        help="the bench without the tool, mat in view, if it looks another since then")
    parser.add_argument("--json", action="store_true", help="print the outcome as JSON")


def _add_calibrate_heat(kinds: Commands) -> None:
    parser = _command(kinds, "heat", "monitor.cli.calibrate:run_heat",
                      "sharpen the heat estimate with one thermocouple run")
    parser.add_argument("recording", metavar="RECORDING", help="recording of the run")
    parser.add_argument("--log", required=True, metavar="FILE", help="logged temperatures (CSV with t_s, temp_c)")
    parser.add_argument("--site", nargs="+", default=["joint centre"], metavar="SITE",
                        help="where the bead sat (default: joint centre), or every bead, each with a column of that "
                             "name")
    parser.add_argument("--out", type=to_write(".toml", word="heat calibration"), metavar="FILE",
                        help="heat calibration to write (TOML); default: kept for such boards with "
                        "this nozzle and airflow, and used for them from then on")
    parser.add_argument("--plot", type=to_write(".png"), metavar="FILE.png",
                        help="picture of what is left between log and chain (default: beside)")


def _add_doctor(commands: Commands) -> None:
    parser = _command(commands, "doctor", "monitor.cli.doctor:run_doctor",
                      "look at versions, codecs, cameras, sound, screen, folders, and say what to do about each fault")
    parser.add_argument("--no-cameras", action="store_true", help="do not switch cameras on")
    parser.add_argument("--json", action="store_true", help="print the findings as JSON")


def _add_paths(commands: Commands) -> None:
    parser = _command(commands, "paths", "monitor.cli.doctor:run_paths", "print where the program keeps things")
    parser.add_argument("name", nargs="?", choices=("recordings", "heat", "log", "sample"), help="only this one")


def _add_verify(commands: Commands) -> None:
    parser = _command(commands, "verify", "monitor.cli.verify:run_verify",
                      "say whether recordings are whole, or what was altered or is missing since they were closed")
    parser.add_argument("folders", nargs="+", metavar="DIR", help="recordings, or folders that hold some, at any depth")
    parser.add_argument("--json", action="store_true", help="print the answers as JSON")


def _add_bug_report(commands: Commands) -> None:
    parser = _command(commands, "bug-report", "monitor.cli.doctor:run_bug_report",
                      "gather what a bug report needs into one file, without pictures")
    parser.add_argument("recording", nargs="?", metavar="DIR", help="a recording whose numbers go along")
    parser.add_argument("--out", type=to_write(".zip"), default="plumeline-bug-report.zip", metavar="FILE",
                        help="default: %(default)s")
    parser.add_argument("--no-cameras", action="store_true", help="do not switch cameras on")


class _Version(argparse.Action):
    """Look the version up only when it is asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: object) -> None:
        from monitor.version import code_version

        print(f"plumeline {code_version()}")
        parser.exit()


def _fail(args: argparse.Namespace, fault: BaseException, line: str, code: int) -> int:
    log.error("%s", line)
    if getattr(args, "debug", False) and sys.stderr is not None:
        traceback.print_exception(fault, file=sys.stderr)
    return _say(" ".join(line.split()), code)


def _say(line: str, code: int) -> int:
    complain(line)
    return code
