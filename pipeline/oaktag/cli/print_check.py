"""What `oaktag printcheck` reads and says."""

from __future__ import annotations

import json
from dataclasses import asdict
from textwrap import fill

import click

from oaktag.cli.table import WIDTH, Table, show_table
from oaktag.pattern.print_check import LIMIT, SIDES, TUBE, PrintCheck, TestSquare, check_print
from oaktag.recipe import InputError, Problem, QuantityError, length_in_mm, show

METRE = 1000.0
MIRRORED = "Lengths don't show whether a print is mirrored: see that its text reads as usual."


def checked_print(across: str, up: str, square: str, reading: str) -> PrintCheck:
    """Check the print from what was given on the command line.

    Raises:
        InputError: a length can't be read or makes no sense; one problem for each option.
    """
    problems: list[Problem] = []

    def length(option: str, text: str, least: float, most: float) -> float:
        valid = f"{least:g} to {most:g} mm"
        try:
            value = length_in_mm(text)
        except QuantityError as error:
            problems.append(_problem(option, text, str(error), error.valid))
            return least
        if not least <= value <= most:
            reason = "is too short" if value < least else "is too long"
            problems.append(_problem(option, text, reason, valid))
            return least
        return value

    side = length("--square", square, *SIDES)
    if problems:
        raise InputError(problems)
    read = [
        length("--across", across, side / LIMIT, side * LIMIT),
        length("--up", up, side / LIMIT, side * LIMIT),
    ]
    if problems:
        raise InputError(problems)
    finest, coarsest = 0.001, 0.5 * min(side, *read)
    precision = length("--ruler-reading", reading, finest, coarsest)
    if problems:
        raise InputError(problems)
    return check_print(TestSquare(side, read[0], read[1], precision))


def _problem(option: str, found: str, reason: str, valid: str) -> Problem:
    todo = 'write what the ruler shows, such as 99.5 or "3 15/16 in"'
    return Problem("command line", option, reason, show(found), valid, todo)


def show_print_check(check: PrintCheck) -> None:
    """Print what is wrong and what to do."""
    off = 100.0 * check.uncertain
    square = check.square
    rows = tuple(
        (axis, f"{read:.2f} mm", f"{square.side:.2f} mm", f"{100.0 * scale:.2f} %", f"± {off:.2f}")
        for axis, read, scale in (("across", square.across, check.across), ("up", square.up, check.up))
    )
    show_table(Table(headline(check), ("axis", ">read", ">should be", ">scale", ">"), rows))
    for paragraph in advice(check):
        click.echo(fill(paragraph, WIDTH, break_on_hyphens=False))


def headline(check: PrintCheck) -> str:
    """The verdict in one line."""
    if check.verdict == "true":
        return "Print check: true size, as far as the readings show"
    if check.verdict == "stretched":
        return "Print check: NOT TRUE SIZE, stretched: the axes have different scales"
    return f"Print check: NOT TRUE SIZE, too {'small' if check.scale < 1.0 else 'large'}"


def advice(check: PrintCheck) -> tuple[str, ...]:
    """What the error means, where it may come from, what to print at, how far to trust it: paragraphs."""
    said: list[str] = []
    if check.verdict != "true":
        said += [_meaning(check), *_origins(check), *_remedy(check)]
    if check.coarse:
        square = check.square
        said.append(
            f"{square.side:g} mm read to {square.reading:g} mm leave the scale open by "
            f"{100.0 * check.uncertain:.2g} %, {check.open_on(TUBE):.1f} mm on {TUBE:g} mm. For a finer "
            "check measure the longest rule on the first page, or marks as far apart, along both axes, and "
            "give that length as --square."
        )
    return (*said, MIRRORED)


def _meaning(check: PrintCheck) -> str:
    if check.verdict == "scaled":
        return f"On a tube of {TUBE:g} mm the bag would be {_off(TUBE * (check.scale - 1.0))}."
    across, up = map(_off, check.error_on(TUBE))
    return f"On {TUBE:g} mm the pattern would be {across} across the page and {up} up the page."


def _off(error: float) -> str:
    if abs(error) < 0.05:
        return "right"
    return f"{abs(error):.1f} mm too {'large' if error > 0.0 else 'small'}"


def _origins(check: PrintCheck) -> list[str]:
    """Causes, those with one remedy together."""
    remedies: dict[str, list[str]] = {}
    for cause in check.causes:
        remedies.setdefault(cause.todo, []).append(cause.what)
    return [f"Perhaps {'; or '.join(causes)}. If so: {todo}." for todo, causes in remedies.items()]


def _remedy(check: PrintCheck) -> list[str]:
    at = f"{check.print_at:.2f} %"
    otherwise = "Otherwise print" if check.causes else "Print"
    if check.verdict == "scaled":
        least, most = check.print_between
        whole = (
            f"{otherwise} at {at} of the scale that this was printed at (at {at} if that was 100 %); the "
            f"readings allow {least:.2f} to {most:.2f} %. Then measure again."
        )
        return [whole]
    needed = (
        f"No single scale cures that: {100.0 / check.across:.2f} % across and {100.0 / check.up:.2f} % up "
        f"would be needed. At {at}, the best single one, {check.left_on(METRE):.1f} mm stay off on {METRE:g} "
        "mm: too large one way, too small the other."
    )
    place = (
        "Both axes are off"
        if check.axis_off is None
        else f"Only one axis is off, {'left to right' if check.axis_off == 'across' else 'bottom to top'}"
    )
    todo = (
        f"{place}: print at 100 %, 'actual size', from the file itself and not from a stretched image of it; "
        "then look at the driver's scale for each axis, and at the paper feed, and calibrate them."
    )
    return [needed, todo]


def print_check_as_json(check: PrintCheck, exit_code: int) -> str:
    """The same for programs: scales are printed over true."""
    least, most = check.print_between
    across, up = check.error_on(TUBE)
    report = {
        "exit_code": exit_code,
        "verdict": check.verdict,
        "square": asdict(check.square),
        "scale": {
            "across": check.across,
            "up": check.up,
            "uncertain": check.uncertain,
            "single": check.scale,
        },
        "print_at_percent": check.print_at,
        "print_between_percent": [least, most],
        "error_on_600_mm": {"across": across, "up": up, "open": check.open_on(TUBE)},
        "left_on_1000_mm": check.left_on(METRE),
        "axis_off": check.axis_off,
        "coarse": check.coarse,
        "causes": [asdict(cause) for cause in check.causes],
        "advice": list(advice(check)),
    }
    return json.dumps(report, indent=2, ensure_ascii=False)
