"""What was measured, what to measure on the finished bag, how numbers came about, what was found."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from oaktag import Draft
from oaktag.pattern import LEVELS, NO_SOURCE, Level, Piece, ReadingResult, Survey, Term, Working
from oaktag.pattern.cautions import cautions_for
from oaktag_plugins.drafting.bag import GUSSET, PANEL, straight_edges
from oaktag_plugins.tech_pack.content import Block, Column, Group, Listing, Paragraph, Section, Table
from oaktag_plugins.tech_pack.families import families
from oaktag_plugins.tech_pack.figures_width import widths_at_marks
from oaktag_plugins.tech_pack.wording import counted, edge_word, mm, number, plain, signed

EDGE, ACROSS, WIDTH, NOTCH = 3.0, 2.0, 2.0, 1.5
"""By how much a finished edge, a panel, the gusset's width and a notch may be off, mm (common practice)."""

_LEVEL_WORDS: dict[Level, tuple[str, str]] = {
    "error": ("Errors", "Do not cut before these are settled."),
    "warning": ("Warnings", "Look at these before cutting."),
    "note": ("Notes", "Good to know."),
}
_KINDS = {"length": "length", "diagonal": "diagonal", "angle": "angle"}
_MOST_NEXT = 3


# ------------------------------------------------------------------------------------------ points of measure


def measure_sections(draft: Draft) -> tuple[Section, ...]:
    """What to measure on the cut and on the finished bag, with room for what was found."""
    rows = tuple(_points(draft))
    notches = tuple(_notch_points(draft))
    if not rows and not notches:
        return ()
    tail = (Column("tolerance", True), Column("actual", True), Column("difference", True))
    blocks: list[Block] = [
        Paragraph(
            f"Tolerances: finished edges \u00b1 {plain(EDGE)} mm, panels \u00b1 {plain(ACROSS)} mm, widths"
            f" \u00b1 {plain(WIDTH)} mm, notches \u00b1 {plain(NOTCH)} mm ({NO_SOURCE})."
            " Fill in what you measure."
        )
    ]
    if rows:
        columns = (Column("point of measure"), Column("spec"), *tail)
        blocks.append(Table("Points of measure", columns, rows))
    if notches:
        columns = (Column("notch"), Column("spec"), *tail)
        blocks.append(Table("Notches, from the start of their run", columns, notches))
    return (Section("points-of-measure", "Points of measure", tuple(blocks)),)


def _points(draft: Draft) -> Iterator[tuple[str, ...]]:
    for outline in draft.outlines:
        whose = f"{outline.body} " if outline.body else ""
        for edge in straight_edges(outline):
            yield _point(f"{whose}finished edge along {edge.name}", edge.length, EDGE)
    for piece in draft.pieces:
        if piece.role == PANEL:
            box = piece.seam_line.bounds
            yield _point(f"{piece.id}, across, at the seam line", box.width, ACROSS)
            yield _point(f"{piece.id}, up, at the seam line", box.height, ACROSS)
    for outline in draft.outlines:
        whose = f"{outline.body} " if outline.body else ""
        for name, width in widths_at_marks(draft, outline.body):
            yield _point(f"{whose}gusset's width where {edge_word(name)} begins", width, WIDTH)
    if draft.volume is not None:
        yield ("volume", f"{number(draft.volume)} l", "", "", "")
    if draft.paperwork is not None and draft.paperwork.mass is not None:
        yield ("mass", f"{number(draft.paperwork.mass, 0)} g", "", "", "")


def _notch_points(draft: Draft) -> Iterator[tuple[str, ...]]:
    for piece in draft.pieces:
        if piece.role in (PANEL, GUSSET):
            for notch in sorted(piece.notches, key=lambda n: (_edge_at(piece, n.edge), n.at, n.pair)):
                text = f"{piece.id}, {edge_word(notch.edge)}, {notch.pair}"
                kind = {1: "", 2: " (double)", 3: " (triple)"}.get(notch.count, "")
                yield _point(f"{text}{kind}", notch.at, NOTCH)


def _edge_at(piece: Piece, name: str) -> int:
    return [edge.name for edge in piece.edges].index(name)


def _point(what: str, value: float, tolerance: float) -> tuple[str, ...]:
    return (what, mm(value), f"\u00b1 {plain(tolerance)} mm", "", "")


# --------------------------------------------------------------------------------------------------- measured


def survey_sections(draft: Draft) -> tuple[Section, ...]:
    """Readings, adjusted values, and how well they agree."""
    survey = draft.survey
    if survey is None:
        return ()
    blocks: list[Block] = [Paragraph(verdict(survey))]
    if survey.readings:
        blocks.append(_readings(draft, survey))
    blocks.append(_adjusted(survey))
    if survey.next_readings:
        blocks.append(
            Listing(
                tuple(
                    f"One more reading worth taking: {_KINDS[n.kind]} {n.of}; with it the perimeter would be"
                    f" known to {number(n.perimeter, 2)} mm and the worst corner to {number(n.corner, 2)} mm"
                    " (one sigma)."
                    for n in survey.next_readings[:_MOST_NEXT]
                )
            )
        )
    return (Section("measured", "What was measured", tuple(blocks)),)


def verdict(survey: Survey) -> str:
    """What the test of the whole says."""
    test = survey.statistics
    if not survey.readings:
        return "No reading checks this opening."
    if test.passed is None or test.critical is None or test.variance_factor is None:
        return "Nothing checks these readings: there is no spare one."
    numbers = (
        f"chi-square {number(test.chi_square, 2)} with {number(test.critical, 2)} allowed"
        f" (95 times in 100), {test.dof} to spare, variance factor {number(test.variance_factor, 2)}"
    )
    if test.passed:
        return f"The readings agree with each other: {numbers}."
    return f"The readings DISAGREE, more than their stated uncertainties allow: {numbers}. Measure again."


def _readings(draft: Draft, survey: Survey) -> Table:
    instruments = {reading.key: reading.instrument for reading in draft.frame.readings}
    suspects = {finding.where for finding in draft.findings if finding.code == "reading-suspect"}
    rows = []
    for r in survey.readings:
        unit = "\u00b0" if r.kind == "angle" else " mm"
        rows.append(
            (
                f"{_KINDS[r.kind]} {r.of} ({r.key})",
                f"{plain(r.value)}{unit}",
                instruments.get(r.key, ""),
                f"{plain(r.sigma)}{unit}",
                f"{number(r.value + r.residual, 2)}{unit}",
                signed(r.residual, 2),
                "" if r.standardised is None else signed(r.standardised, 2),
                checked(r, suspect=r.key in suspects),
            )
        )
    columns = (
        Column("reading"),
        Column("read", True),
        Column("instrument"),
        Column("one sigma", True),
        Column("adjusted", True),
        Column("adjusted less read", True),
        Column("in its own sigmas", True),
        Column("checked"),
    )
    return Table("Readings", columns, tuple(rows))


def checked(reading: ReadingResult, *, suspect: bool = False) -> str:
    """In words whether other readings check this one."""
    if reading.excluded:
        return f"left out by hand: {reading.excluded}"
    if reading.standardised is None:
        return "not checked by any other"
    text = f"checked, {number(100.0 * reading.redundancy, 0)} % by others"
    return f"SUSPECT; {text}" if suspect else text


def _adjusted(survey: Survey) -> Table:
    rows = [(a.of, mm(a.value), f"\u00b1 {mm(a.sigma)}") for a in survey.lengths]
    rows += [
        (f"angle {a.of}", f"{number(a.value, 2)}\u00b0", f"\u00b1 {number(a.sigma, 2)}\u00b0")
        for a in survey.angles
    ]
    around = survey.perimeter
    rows.append(("perimeter", mm(around.value), f"\u00b1 {mm(around.sigma)}"))
    columns = (Column("what"), Column("adjusted", True), Column("one sigma", True))
    return Table("Adjusted values", columns, tuple(rows))


# --------------------------------------------------------------------------------------------------- findings


def finding_sections(draft: Draft) -> tuple[Section, ...]:
    """What stages and checks have to say, errors first."""
    groups: list[Block] = []
    for level in LEVELS:
        # Sorted, so that the order of checks in a recipe doesn't matter.
        told = sorted(
            (finding for finding in draft.findings if finding.level == level),
            key=lambda finding: (finding.code, finding.where, finding.message),
        )
        if told:
            heading, lead = _LEVEL_WORDS[level]
            texts = [f"{f.code}{f' [{f.where}]' if f.where else ''}: {f.message}" for f in told]
            paragraphs = (Paragraph(text, level) for text in texts)
            groups.append(Group(heading, (Paragraph(lead), *paragraphs)))
    return (Section("findings", "Findings", tuple(groups)),) if groups else ()


def caution_sections(draft: Draft) -> tuple[Section, ...]:
    """What to look out for when making and using the bag."""
    told = tuple(
        Paragraph(f"{caution.topic.capitalize()}: {caution.text}", "caution")
        for caution in cautions_for(draft)
    )
    return (Section("cautions", "Cautions", told),) if told else ()


def state(draft: Draft) -> str:
    """Whether the pattern may be cut, in a few words."""
    counts = {level: sum(finding.level == level for finding in draft.findings) for level in LEVELS}
    if counts["error"]:
        return f"DO NOT CUT: {counted(counts['error'], 'error')}"
    return f"no errors found, {counted(counts['warning'], 'warning')}, {counted(counts['note'], 'note')}"


# --------------------------------------------------------------------------------------------- worked numbers


def worked_sections(draft: Draft) -> tuple[Section, ...]:
    """Every computed number with its formula, the numbers put in and where they come from."""
    if not draft.workings:
        return ()
    numbers = {working.name: at for at, working in enumerate(draft.workings, 1)}
    kinds = {
        piece.id: f"{piece.role.replace('-', ' ')}, {len(kind)} pieces"
        for kind in families(draft)
        if len(kind) > 1
        for piece in kind
    }
    by_subject: dict[str, list[Working]] = {}
    for working in draft.workings:
        subject = subject_of(working)
        by_subject.setdefault(kinds.get(subject, subject), []).append(working)
    several = {name: rows for name, rows in by_subject.items() if len(rows) > 1}
    single = [rows[0] for rows in by_subject.values() if len(rows) == 1]
    blocks: list[Block] = [
        Paragraph(
            "Numbers are put into the formulas rounded to four decimals; angles are in degrees."
            " The numbers in the first column follow the order in which everything was computed."
        )
    ]
    blocks += [_worked(f"Worked: {edge_word(name)}", rows, numbers) for name, rows in several.items()]
    if single:
        blocks.append(_worked("Worked: other numbers" if several else "Worked numbers", single, numbers))
    references = list(dict.fromkeys(w.reference for w in draft.workings if w.reference))
    if references:
        blocks.append(Group("Where the formulas come from", (Listing(tuple(references)),)))
    return (Section("worked", "Worked numbers", tuple(blocks)),)


def subject_of(working: Working) -> str:
    """What a working is about: its name up to the first colon or comma with a space after it."""
    return re.split(r"[:,] ", working.name)[0]


def _worked(caption: str, workings: Sequence[Working], numbers: dict[str, int]) -> Table:
    rows = tuple(
        (
            str(numbers[w.name]),
            _name(w),
            w.formula,
            put_in(w.formula, w.terms),
            _with_unit(number(w.value, 2), w.unit),
            "; ".join(_term(term, numbers) for term in w.terms),
        )
        for w in workings
    )
    columns = (
        Column("no.", True),
        Column("what"),
        Column("formula"),
        Column("with numbers"),
        Column("result", True),
        Column("where the numbers come from"),
    )
    return Table(caption, columns, rows)


def _term(term: Term, numbers: dict[str, int]) -> str:
    source = term.source
    name = source.removeprefix("working: ")
    if name != source and name in numbers:
        source = f"no. {numbers[name]}, {name}"
    return f"{term.symbol} = {_with_unit(_as_put_in(term.value), term.unit)}: {source}"


def _name(working: Working) -> str:
    """Its name, and what it is about unless the name has those words already."""
    words = set(re.split(r"[\s,:]+", working.name))
    told = words.issuperset(re.split(r"[\s,:]+", working.about))
    return working.name if told else f"{working.name} ({working.about})"


def _with_unit(text: str, unit: str) -> str:
    return f"{text}{unit}" if unit == "\u00b0" else f"{text} {unit}".strip()


def put_in(formula: str, terms: Sequence[Term]) -> str:
    """The formula with numbers in the place of its symbols; negative ones in brackets."""
    values = {term.symbol: _as_put_in(term.value) for term in terms}
    if not values:
        return formula
    symbols = "|".join(map(re.escape, values))

    def value(match: re.Match[str]) -> str:
        text = values[match.group()]
        return f"({text})" if text.startswith("\u2212") else text

    return re.sub(rf"(?<!\w)(?:{symbols})(?!\w)", value, formula)


def _as_put_in(value: float) -> str:
    text = number(value, 4)
    return text.rstrip("0").rstrip(".") or "0"


# --------------------------------------------------------------------------------------------------- revision


def facts(draft: Draft) -> tuple[tuple[str, str], ...]:
    """What the pack belongs to, in short."""
    recipe, sheet = draft.recipe_provenance, draft.frame_provenance
    known = (
        ("recipe", recipe.name),
        ("version", recipe.version),
        ("frame", draft.frame.name),
        ("size", draft.frame.size),
        ("recipe's digest", recipe.sha256[:12]),
        ("frame sheet's digest", sheet.sha256[:12]),
        ("state", state(draft)),
    )
    return tuple((name, value) for name, value in known if value)


def revision_sections(draft: Draft) -> tuple[Section, ...]:
    """Which files went in, by their SHA-256; `pattern.json` has those that came out."""
    rows = [
        (kind, source.name, source.version, source.sha256)
        for kind, source in (
            ("recipe", draft.recipe_provenance),
            ("frame sheet", draft.frame_provenance),
            *(("shop's table", table) for table in draft.tables),
        )
    ]
    columns = (Column("what"), Column("name"), Column("version"), Column("SHA-256"))
    blocks: list[Block] = [
        Paragraph("A pattern is of this revision only if all of these are the same."),
        Table("Made from", columns, tuple(rows)),
    ]
    return (Section("revision", "Revision", tuple(blocks)),)
