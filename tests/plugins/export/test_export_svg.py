"""What `export.svg` writes, read back with svgelements, which did not write it."""

from __future__ import annotations

import xml.etree.ElementTree as ElementTree
from io import StringIO
from itertools import pairwise

import pytest
import svgelements
from pydantic import ValidationError

from oaktag import Draft, Refusal
from oaktag.geometry import Arc, Path
from oaktag.pattern import Label
from oaktag.pattern.drawing import LINE_STYLES, ROLES
from oaktag.pattern.sheet import draw_sheet, strokes_by_piece
from oaktag_plugins.export_svg import SvgOptions, oaktag_stages, run

NAMESPACE = "{http://www.w3.org/2000/svg}"
MARGIN = 10.0


@pytest.fixture(scope="module")
def text(draft: Draft) -> str:
    (artifact,) = run(draft, SvgOptions()).artifacts
    assert (artifact.path, artifact.kind) == ("pattern.svg", "svg")
    return artifact.data.decode()


@pytest.fixture(scope="module")
def paths(text: str) -> dict[tuple[str, str], svgelements.Path]:
    """Cut and seam lines by piece and role, read at a scale of one unit to the millimetre."""
    found: dict[tuple[str, str], svgelements.Path] = {}
    for group in svgelements.SVG.parse(StringIO(text), ppi=25.4).select(
        lambda e: isinstance(e, svgelements.Group) and e.values.get("class") in ("cut", "seam")
    ):
        (element,) = group
        piece, _, role = group.id.rpartition(".")
        assert role == group.values["class"]
        found[piece, role] = element
    return found


def expected(draft: Draft) -> dict[tuple[str, str], Path]:
    sheet = draw_sheet(draft)
    return {
        (stroke.piece, stroke.role): stroke.path for stroke in sheet.strokes if stroke.role in ("cut", "seam")
    }


def area_of(path: svgelements.Path, samples: int = 400) -> float:
    """Enclosed area by the trapezium rule, y turned upward."""
    points = [
        segment.point(number / samples)
        for segment in path
        if isinstance(
            segment, (svgelements.Line, svgelements.Arc, svgelements.CubicBezier, svgelements.Close)
        )
        and segment.start is not None
        for number in range(samples)
    ]
    return -0.5 * float(sum(a.x * b.y - b.x * a.y for a, b in pairwise([*points, points[0]])))


def test_every_piece_has_its_lines(paths: dict[tuple[str, str], svgelements.Path], draft: Draft) -> None:
    assert paths.keys() == expected(draft).keys()
    assert len(paths) == 8


def test_lines_have_the_draft_s_length_area_and_place(
    paths: dict[tuple[str, str], svgelements.Path], draft: Draft
) -> None:
    bounds = draw_sheet(draft).bounds
    for key, wanted in expected(draft).items():
        read = paths[key]
        assert read.length(error=1e-6) == pytest.approx(wanted.length, abs=0.01)
        assert area_of(read) == pytest.approx(wanted.area, abs=0.01 * wanted.length)
        left, top, right, bottom = read.bbox()
        box = wanted.bounds
        assert (left - MARGIN + bounds.min_x, right - MARGIN + bounds.min_x) == pytest.approx(
            (box.min_x, box.max_x), abs=0.01
        )
        assert (bounds.max_y + MARGIN - bottom, bounds.max_y + MARGIN - top) == pytest.approx(
            (box.min_y, box.max_y), abs=0.01
        )


def test_arcs_are_arcs_with_the_draft_s_centres(
    paths: dict[tuple[str, str], svgelements.Path], draft: Draft
) -> None:
    bounds = draw_sheet(draft).bounds
    compared = 0
    for key, wanted in expected(draft).items():
        arcs = [segment for segment in wanted.segments if isinstance(segment, Arc)]
        read = [segment for segment in paths[key] if isinstance(segment, svgelements.Arc)]
        assert len(arcs) == len(read)
        for arc, other in zip(arcs, read, strict=True):
            assert other.rx == pytest.approx(arc.radius, abs=0.01)
            assert other.ry == pytest.approx(other.rx)
            centre = (other.center.x - MARGIN + bounds.min_x, bounds.max_y + MARGIN - other.center.y)
            assert centre == pytest.approx(arc.center, abs=0.01)
            # Seen with y downward a sweep to the right is positive.
            assert (other.sweep > 0) is arc.clockwise
            compared += 1
    assert compared == 16


def test_the_sheet_is_as_large_as_it_says(text: str, draft: Draft) -> None:
    root = ElementTree.fromstring(text)
    bounds = draw_sheet(draft).bounds
    width, height = bounds.width + 2.0 * MARGIN, bounds.height + 2.0 * MARGIN
    assert root.attrib["width"] == f"{round(width, 4):.10g}mm"
    assert [float(number) for number in root.attrib["viewBox"].split()] == pytest.approx(
        [0, 0, width, height], abs=1e-3
    )
    assert root.attrib["height"] == f"{round(height, 4):.10g}mm"
    assert "transform" not in text


def test_pieces_are_named_groups_of_lines_by_role(text: str, draft: Draft) -> None:
    root = ElementTree.fromstring(text)
    assert root.findtext(f"{NAMESPACE}title") == draw_sheet(draft).title
    groups = root.findall(f"{NAMESPACE}g")
    pieces = [group for group in groups if group.attrib["class"] == "piece"]
    assert [group.attrib["id"] for group in pieces] == [piece.id for piece in draft.pieces]
    assert [group.findtext(f"{NAMESPACE}title") for group in pieces] == [piece.name for piece in draft.pieces]
    assert [group.attrib["class"] for group in groups][-1] == "sheet"
    roles = [role for group in groups for role in group.findall(f"{NAMESPACE}g")]
    assert {role.attrib["class"] for role in roles} == {*ROLES} - {"hole"}
    ids = [element.attrib["id"] for element in root.iter() if "id" in element.attrib]
    assert len({*ids}) == len(ids) == len(groups) + len(roles)


def test_meaning_is_in_weight_and_dashes_never_in_colour(text: str) -> None:
    root = ElementTree.fromstring(text)
    assert {group.attrib["stroke"] for group in root.findall(f"{NAMESPACE}g")} == {"black"}
    assert {frozenset(path.attrib) for path in root.iter(f"{NAMESPACE}path")} == {frozenset({"d"})}
    for group in root.findall(f"{NAMESPACE}g/{NAMESPACE}g"):
        assert "stroke" not in group.attrib
        style = LINE_STYLES[group.attrib["class"]]  # type: ignore[index]
        assert float(group.attrib["stroke-width"]) == style.weight
        dashes = [float(length) for length in group.attrib.get("stroke-dasharray", "").split()]
        assert dashes == list(style.dashes)


def test_letters_are_strokes_at_their_place(text: str, draft: Draft) -> None:
    assert "<text" not in text
    sheet = draw_sheet(draft)
    (wanted,) = [group for piece, group in strokes_by_piece(sheet.strokes) if piece == "anchor-patch"]
    letters = [stroke.flatten(1.0) for stroke in wanted if stroke.role == "text"]
    root = ElementTree.fromstring(text)
    (read,) = root.findall(f"{NAMESPACE}g[@id='anchor-patch']/{NAMESPACE}g[@class='text']/*")
    written = [part.split() for part in read.attrib["d"].split("M")[1:]]
    assert len(written) == len(letters)
    for part, points in zip(written, letters, strict=True):
        xs = [float(number) - MARGIN + sheet.bounds.min_x for number in part[0::2]]
        ys = [sheet.bounds.max_y + MARGIN - float(number) for number in part[1::2]]
        assert xs == pytest.approx([x for x, _ in points], abs=0.01)
        assert ys == pytest.approx([y for _, y in points], abs=0.01)


def test_names_are_escaped(draft: Draft) -> None:
    piece = draft.pieces[3].evolve(name='<Patch> & "flap" \x01', labels=(Label(("<&>",), (20.0, 13.0), 4.0),))
    text = run(draft.evolve(pieces=(piece,)), SvgOptions()).artifacts[0].data.decode()
    root = ElementTree.fromstring(text)
    assert root.findtext(f"{NAMESPACE}g/{NAMESPACE}title") == '<Patch> & "flap" ?'


def test_the_margin_can_be_none(draft: Draft) -> None:
    text = run(draft, SvgOptions(margin=0.0)).artifacts[0].data.decode()
    bounds = draw_sheet(draft).bounds
    assert ElementTree.fromstring(text).attrib["width"] == f"{round(bounds.width, 4):g}mm"


def test_errors_forbid_cutting(broken_draft: Draft, draft: Draft) -> None:
    good, bad = run(draft, SvgOptions()).artifacts[0], run(broken_draft, SvgOptions()).artifacts[0]
    assert len(bad.data) > len(good.data) + 1000


@pytest.mark.parametrize(
    "name",
    ["", "/pattern.svg", "../pattern.svg", "a/../../b.svg", "a\\b.svg", "folder/", "pattern.json", "a\nb"],
)
def test_a_file_that_is_no_result_is_refused(name: str) -> None:
    with pytest.raises(ValidationError):
        SvgOptions(file=name)


def test_a_file_of_its_own_name_may_lie_in_a_folder(draft: Draft) -> None:
    options = SvgOptions(file="cutter/pattern.svg")
    assert run(draft, options).artifacts[0].path == "cutter/pattern.svg"


def test_two_stages_cannot_make_one_file(draft: Draft) -> None:
    once = run(draft, SvgOptions())
    with pytest.raises(Refusal) as caught:
        run(once, SvgOptions())
    assert (caught.value.key, caught.value.found) == ("file", "pattern.svg")
    assert [a.path for a in run(once, SvgOptions(file="other.svg")).artifacts] == ["pattern.svg", "other.svg"]


def test_the_stage_is_supplied() -> None:
    (spec,) = oaktag_stages()
    assert spec.name == "export.svg"
    assert spec.load_run() is run
    assert spec.load_options() is SvgOptions
    assert spec.adds == {"files"}
