"""`export.tech-pack`: all that is known about the bag on one HTML page, and the same as PDF."""

from __future__ import annotations

from typing import Literal

from pydantic import model_validator

from oaktag import Draft, Options, StageSpec, hookimpl
from oaktag.recipe import refuse_value
from oaktag_plugins.exporting.result_file import ResultFile, with_file
from oaktag_plugins.tech_pack.build import tech_pack
from oaktag_plugins.tech_pack.fonts import left_out
from oaktag_plugins.tech_pack.html import html_of
from oaktag_plugins.tech_pack.pdf import pdf_of
from oaktag_plugins.tech_pack.said import everything_in, note_of

HTML_READER = "oaktag_plugins.reading.tech_pack:differences_in_html"
PDF_READER = "oaktag_plugins.reading.tech_pack:differences_in_pdf"


class TechPackOptions(Options):
    """Options of `export.tech-pack`."""

    html: ResultFile = "tech-pack.html"
    """Name of the page, below the result folder."""

    pdf: ResultFile = "tech-pack.pdf"
    """Name of the PDF file, below the result folder."""

    formats: Literal["both", "html", "pdf"] = "both"
    """Which of the two are made."""

    paper: Literal["A4", "Letter"] = "A4"
    """Paper of the PDF file."""

    worked: bool = False
    """Whether every computed number is shown with its formula and the numbers put into it."""

    @model_validator(mode="after")
    def _different(self) -> TechPackOptions:
        if self.html == self.pdf:
            raise refuse_value("both files have the same name", "two different names", "rename one of them")
        return self


def run(draft: Draft, options: TechPackOptions) -> Draft:
    """Add the tech pack.

    Characters that the PDF's type doesn't have are reported.

    Raises:
        Refusal: an earlier stage made a file of that name.
    """
    pack = tech_pack(draft.evolve(artifacts=()), worked=options.worked)
    note = note_of(len(draft.findings), worked=options.worked)
    if options.formats != "pdf":
        data = html_of(pack, note).encode()
        draft = with_file(draft, options.html, "tech-pack-html", data, reader=HTML_READER)
    if options.formats != "html":
        data = pdf_of(pack, options.paper, note)
        draft = with_file(draft, options.pdf, "tech-pack-pdf", data, reader=PDF_READER)
        draft = draft.with_findings(left_out(options.pdf, (said.text for said in everything_in(pack))))
    return draft


@hookimpl
def oaktag_stages() -> tuple[StageSpec, ...]:
    """Supply `export.tech-pack`."""
    return (
        StageSpec(
            name="export.tech-pack",
            summary="Write the tech pack: drawings, tables and order of work on one page, HTML and PDF",
            run=f"{__name__}:run",
            options=f"{__name__}:TechPackOptions",
            needs=frozenset({"panels", "seams", "allowances"}),
            uses=frozenset(
                {
                    "survey",
                    "opening",
                    "outline",
                    "materials",
                    "gusset",
                    "features",
                    "stitches",
                    "notches",
                    "labels",
                    "volume",
                    "operations",
                    "paperwork",
                    "proof",
                }
            ),
            adds=frozenset({"files"}),
        ),
    )
