"""Commands, exit codes, and messages for what went wrong.

Only click is imported here; each command imports what it runs when it runs.
"""

from __future__ import annotations

import io
import json
import os
import sys
import traceback
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

if TYPE_CHECKING:
    from oaktag.engine import Job

DONE = 0
"""Everything went well."""
FINDINGS = 1
"""The pattern has findings at `error`."""
BAD_INPUT = 2
"""The input can't be read or the recipe can't be planned."""
BROKEN = 3
"""Something broke that is not the user's doing."""
INTERRUPTED = 130
"""Stopped by the user, as shells count it."""

EPILOG = (
    "Exit codes: 0 done; 1 the pattern has findings at 'error'; 2 the input can't be used; "
    "3 something broke that is not your doing."
)
Command = TypeVar("Command", bound=Callable[..., Any])


def main() -> None:
    """Run the command line and exit."""
    arguments = sys.argv[1:]
    # A survey's matrices are a dozen rows: threads only get in each other's way, fifty times over under load.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    for stream in (sys.stdout, sys.stderr):
        if not isinstance(stream, io.TextIOWrapper):
            continue
        if "--json" in arguments:
            stream.reconfigure(encoding="utf-8")  # as the standard of JSON has it (RFC 8259, section 8.1)
        else:
            stream.reconfigure(errors="replace")  # rather a question mark for ± than no report at all
    sys.exit(run(arguments))


def run(arguments: list[str]) -> int:
    """Run one command.

    Args:
        arguments: without the program's name.

    Returns:
        The exit code.
    """
    shows_json = "--json" in arguments
    try:
        code = app.main(args=arguments, prog_name="oaktag", standalone_mode=False)
    except click.exceptions.Exit as leave:
        return leave.exit_code
    except click.Abort:
        click.echo("stopped", err=True)
        return INTERRUPTED
    except click.ClickException as error:
        return _explain_usage(error, shows_json)
    except KeyboardInterrupt:
        click.echo("stopped", err=True)
        return INTERRUPTED
    except SystemExit:
        # Click's answer to a reader of --help who has gone.
        return DONE
    except Exception as error:
        return _explain_failure(error, shows_json, "--traceback" in arguments)
    return code if isinstance(code, int) else DONE


@contextmanager
def _to_reader() -> Iterator[None]:
    """Print something for a reader who may go before the end, as `head` does; what is done stays done."""
    try:
        yield
        sys.stdout.flush()
    except BrokenPipeError:
        # Python writes what is left when it ends; that must not fail once more.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())


def _explain_usage(error: click.ClickException, shows_json: bool) -> int:
    if shows_json:
        command = error.ctx.command_path if isinstance(error, click.UsageError) and error.ctx else "oaktag"
        problem = {
            "file": "command line",
            "key": "",
            "reason": error.format_message(),
            "found": "",
            "valid": "",
            "todo": f"see {command} --help",
        }
        with _to_reader():
            click.echo(json.dumps({"exit_code": BAD_INPUT, "problems": [problem]}, indent=2))
    else:
        error.show()
    return BAD_INPUT


def _explain_failure(error: Exception, shows_json: bool, shows_traceback: bool) -> int:
    from oaktag.engine import StageFailure
    from oaktag.recipe import InputError

    if shows_traceback:
        traceback.print_exception(error)
    if isinstance(error, InputError):
        if shows_json:
            from dataclasses import asdict

            problems = [asdict(problem) for problem in error.problems]
            with _to_reader():
                click.echo(json.dumps({"exit_code": BAD_INPUT, "problems": problems}, indent=2))
        else:
            for problem in error.problems:
                click.echo(f"error: {problem}", err=True)
        return BAD_INPUT
    message = str(error)
    if not isinstance(error, StageFailure):
        message = (
            f"oaktag failed: {type(error).__name__}: {error}\n"
            "  This is a fault of the program. Run again with --traceback and report what it prints."
        )
    if shows_json:
        with _to_reader():
            click.echo(json.dumps({"exit_code": BROKEN, "failure": message}, indent=2))
    else:
        click.echo(f"error: {message}", err=True)
    return BROKEN


@click.group(epilog=EPILOG, context_settings={"help_option_names": ["-h", "--help"]})
@click.version_option(package_name="oaktag", message="oaktag %(version)s")
def app() -> None:
    """Turn the readings of one bicycle frame into the proved, true-size pattern of its frame bag."""


def _job_options(command: Command) -> Command:
    for option in reversed(
        [
            click.argument("recipe", type=click.Path(path_type=Path)),
            click.option(
                "--frame",
                required=True,
                type=click.Path(path_type=Path),
                metavar="SHEET",
                help="The frame sheet, *.frame.toml.",
            ),
            click.option(
                "--set",
                "settings",
                multiple=True,
                metavar="NAME=VALUE",
                help="Override a parameter of the recipe; may be given several times.",
            ),
            click.option(
                "--json", "shows_json", is_flag=True, help="Print the report as JSON, for programs."
            ),
            click.option("--quiet", is_flag=True, help="Print findings and problems only."),
            click.option("--traceback", is_flag=True, help="Show where a failure came from."),
        ]
    ):
        command = option(command)
    return command


@app.command("make", short_help="Draft a bag, prove it, write its files.")
@_job_options
@click.option(
    "--out",
    default="out",
    show_default=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="Results go to DIR/<sheet>/<recipe>/.",
)
@click.option("--worked", is_flag=True, help="Show how every length was computed, for a pocket calculator.")
def make_command(
    recipe: Path,
    frame: Path,
    settings: tuple[str, ...],
    out: Path,
    worked: bool,
    shows_json: bool,
    quiet: bool,
    traceback: bool,
) -> int:
    """Draft the bag that RECIPE describes for one frame, prove it and write its files."""
    from oaktag.engine import make_bag
    from oaktag.recipe import parse_setting

    values = dict(parse_setting(text) for text in settings)
    with _progress(shows_json or quiet) as watch:
        job = make_bag(recipe, frame, out, values, worked=worked, watch=watch)
    return _report(job, shows_json, quiet, warns=True)


@app.command("check", short_help="Do as `make` does, but write nothing.")
@_job_options
def check_command(
    recipe: Path,
    frame: Path,
    settings: tuple[str, ...],
    shows_json: bool,
    quiet: bool,
    traceback: bool,
) -> int:
    """Do everything that `make` does but write the files."""
    from oaktag.engine import draft_bag
    from oaktag.recipe import parse_setting

    values = dict(parse_setting(text) for text in settings)
    with _progress(shows_json or quiet) as watch:
        job = draft_bag(recipe, frame, values, watch=watch)
    return _report(job, shows_json, quiet)


@app.command("survey", short_help="Check and draw the readings of one frame.")
@click.argument("sheet", type=click.Path(path_type=Path))
@click.option(
    "--recipe",
    type=click.Path(path_type=Path),
    metavar="RECIPE",
    help="Make the opening with the stages of this recipe.",
)
@click.option(
    "--out",
    default="out",
    show_default=True,
    type=click.Path(path_type=Path),
    metavar="DIR",
    help="The drawing goes to DIR/<sheet>/survey/.",
)
@click.option("--json", "shows_json", is_flag=True, help="Print the survey as JSON, for programs.")
@click.option("--quiet", is_flag=True, help="Print findings and problems only.")
@click.option("--traceback", is_flag=True, help="Show where a failure came from.")
def survey_command(
    sheet: Path, recipe: Path | None, out: Path, shows_json: bool, quiet: bool, traceback: bool
) -> int:
    """Check the readings of a frame SHEET against each other, draw the opening, and say what to read next."""
    from oaktag.cli.survey import show_survey, survey_as_json
    from oaktag.engine import survey_frame

    with _progress(shows_json or quiet) as watch:
        job = survey_frame(sheet, recipe, out, watch=watch)
    code = FINDINGS if job.draft.has_errors else DONE
    with _to_reader():
        if shows_json:
            click.echo(survey_as_json(job, code))
        else:
            show_survey(job, quiet)
    return code


@app.command("printcheck", short_help="Say what a printed test square tells about the scale.")
@click.option(
    "--across", required=True, metavar="LENGTH", help="Side of the square as printed, left to right."
)
@click.option("--up", required=True, metavar="LENGTH", help="The same from bottom to top.")
@click.option(
    "--square",
    default="100 mm",
    show_default=True,
    metavar="LENGTH",
    help="What the side should be: 100 mm, 4in, or the length of a test rule.",
)
@click.option(
    "--ruler-reading",
    "reading",
    default="0.5 mm",
    show_default=True,
    metavar="LENGTH",
    help="How far a reading may be off, to either side.",
)
@click.option("--json", "shows_json", is_flag=True, help="Print the result as JSON, for programs.")
def printcheck_command(across: str, up: str, square: str, reading: str, shows_json: bool) -> int:
    """Say from the printed test square whether a print is true size, and else what to print at.

    Lengths are mm, or carry their unit: "3 15/16 in". Exit code 1: the print is not true size.
    """
    from oaktag.cli.print_check import checked_print, print_check_as_json, show_print_check

    check = checked_print(across, up, square, reading)
    code = DONE if check.verdict == "true" else FINDINGS
    with _to_reader():
        if shows_json:
            click.echo(print_check_as_json(check, code))
        else:
            show_print_check(check)
    return code


@app.command("stages", short_help="List the stages that are installed.")
@click.option("--json", "shows_json", is_flag=True, help="Print the list as JSON, for programs.")
def stages_command(shows_json: bool) -> int:
    """List the stages that are installed and the distribution that each comes from."""
    from oaktag.cli.catalogue import show_stages
    from oaktag.plugin import load_stages

    with _to_reader():
        show_stages(load_stages(), shows_json)
    return DONE


@app.command("explain", short_help="Say what a stage needs, adds and takes.")
@click.argument("stage")
@click.option("--json", "shows_json", is_flag=True, help="Print the explanation as JSON, for programs.")
def explain_command(stage: str, shows_json: bool) -> int:
    """Say what STAGE needs and adds, and list its options with defaults and units."""
    from oaktag.cli.catalogue import explain_stage
    from oaktag.plugin import load_stages

    with _to_reader():
        explain_stage(load_stages(), stage, shows_json)
    return DONE


@app.group("new")
def new_group() -> None:
    """Write a file to start from."""


@new_group.command("frame")
@click.argument("path", type=click.Path(path_type=Path))
@click.option("--name", default="My bicycle", show_default=True, help="What you call this bicycle.")
@click.option(
    "--unit",
    type=click.Choice(["mm", "cm", "in"]),
    default="mm",
    show_default=True,
    help="Unit of the readings.",
)
@click.option("--force", is_flag=True, help="Write over a file that is already there.")
def new_frame_command(path: Path, name: str, unit: str, force: bool) -> int:
    """Write a commented frame sheet to PATH, to be filled in beside the bicycle."""
    from oaktag.cli.new_frame import write_sheet

    written = write_sheet(path, name, unit, force)
    with _to_reader():
        click.echo(f"wrote {written}")
    return DONE


def _progress(silent: bool) -> Any:
    from oaktag.cli.report import progress

    return progress(silent)


def _report(job: Job, shows_json: bool, quiet: bool, warns: bool = False) -> int:
    from oaktag.cli.report import report_as_json, show_report

    code = FINDINGS if job.draft.has_errors else DONE
    with _to_reader():
        if shows_json:
            click.echo(report_as_json(job, code, warns))
        else:
            show_report(job, quiet, warns)
    return code
