"""From corner coordinates with their covariance to the opening and its survey.

Stages that don't reconcile readings (`opening.table`, `opening.chart` ...) all end here, so that their
opening lies where that of `measure.reconcile` would and says of itself as much.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, degrees, sqrt
from typing import TYPE_CHECKING

from oaktag import Draft, Finding, Refusal
from oaktag.geometry import Line, Path, Point, Transform, distance
from oaktag.pattern import Adjusted, Frame, Opening, OpeningCorner, OpeningEdge, Statistics, Survey
from oaktag.recipe import listed
from oaktag_plugins.surveying.bows import bowed, crossing

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import ArrayLike, NDArray

# A shorter side, mm, is two corners in one place.
_SHORTEST = 1.0


def estimated(
    draft: Draft,
    points: Sequence[Point],
    covariance: ArrayLike,
    edges: Sequence[Path] | None = None,
    *,
    key: str = "sources",
) -> Draft:
    """The draft with an opening through given corners, and the survey that says how well they are known.

    The opening is turned and moved to where `measure.reconcile` would put it: first tube along +x, lowest
    corner at the origin. The survey's covariance holds the first corner and the first tube's direction fixed,
    so that what is unknown about the placement doesn't count.

    Args:
        draft: without an opening.
        points: corners in mm, y upward, drive side facing the reader, in any placement; in the order of the
            frame's corners, clockwise.
        covariance: of x0, y0, x1, y1, ... in mm², (2n, 2n).
        edges: the sides, from corner to corner, where they are known to be curved; by default straight, or as
            the frame sheet's bows bend them.
        key: the table of the frame sheet that the corners come from, for messages.

    Raises:
        Refusal: another stage has made the opening, or the corners make none.
    """
    import numpy as np

    if draft.opening is not None:
        raise Refusal(
            "another stage has already made the opening",
            key="",
            source="recipe",
            found="an opening",
            valid="one stage that makes the opening",
            todo="keep one, and put it before measure.reconcile",
        )
    frame = draft.frame
    _check_corners(frame, points, key)
    start, ahead = points[0], points[1]
    turned = Transform.translation(-start[0], -start[1]).then(
        Transform.rotation(-degrees(atan2(ahead[1] - start[1], ahead[0] - start[0])))
    )
    upright = [turned.apply(point) for point in points]
    upright[1] = (upright[1][0], upright[0][1])  # to the last digit
    lowest = min(upright, key=lambda point: point[1])
    placing = turned.then(Transform.translation(-lowest[0], -lowest[1]))
    placed = [(x - lowest[0], y - lowest[1]) for x, y in upright]
    held = gauged(points, np.asarray(covariance, dtype=float))
    survey = _survey(frame, placed, held)
    paths = bowed(placed, frame) if edges is None else _moved(frame, placed, edges, placing, key)
    opening = Opening(
        corners=tuple(
            OpeningCorner(name, point, angle.value)
            for name, point, angle in zip(frame.corners, placed, survey.angles, strict=True)
        ),
        edges=tuple(OpeningEdge(tube, path) for tube, path in zip(frame.tubes, paths, strict=True)),
    )
    return draft.evolve(survey=survey, opening=opening).with_findings([_accuracy(frame, survey, key)])


def gauged(points: Sequence[Point], covariance: NDArray[np.float64]) -> NDArray[np.float64]:
    """The covariance once the first corner is held at the origin and the first side along +x.

    With R the turn, q = R dp and y = R (p - p0), errors become dy_i = q_i - q_0 - J y_i dθ, where
    dθ = (q_1 - q_0)·(0, 1) / |p1 - p0| and J is the quarter turn (an S-transformation: W. Baarda,
    S-transformations and criterion matrices, 1973; from memory).

    Args:
        points: corners in mm, any placement.
        covariance: of x0, y0, x1, y1, ... in mm², (2n, 2n).

    Returns:
        The covariance (2n, 2n) in mm², in the turned axes; rows of x0, y0 and y1 are 0.
    """
    import numpy as np

    (x0, y0), (x1, y1) = points[0], points[1]
    length = distance(points[0], points[1])
    cosine, sine = (x1 - x0) / length, (y1 - y0) / length
    size = 2 * len(points)
    if covariance.shape != (size, size):
        raise ValueError(
            f"{len(points)} corners need a covariance of {size} × {size}, not {covariance.shape}"
        )
    turn = np.array([[cosine, sine], [-sine, cosine]])
    shape = (np.array(points) - points[0]) @ turn.T
    gauge = np.kron(np.eye(len(points)), turn)
    gauge -= np.tile(gauge[:2], (len(points), 1))
    lean = gauge[3] / length
    gauge -= np.outer(np.column_stack((-shape[:, 1], shape[:, 0])).ravel(), lean)
    gauge[[0, 1, 3]] = 0.0
    return np.asarray(gauge @ covariance @ gauge.T)


def _check_corners(frame: Frame, points: Sequence[Point], key: str) -> None:
    import numpy as np

    from oaktag_plugins.surveying.adjustment import crossing_sides, signed_area

    names = listed(frame.corners)

    def refusal(reason: str, found: str, valid: str, todo: str) -> Refusal:
        return Refusal(reason, key=key, source="frame", found=found, valid=valid, todo=todo)

    if len(points) < 3:
        raise refusal(
            "an opening has three corners or more",
            f"{len(points)} corners",
            "three corners or more",
            "give every corner of the opening",
        )
    if len(points) != len(frame.corners):
        raise refusal(
            "has not as many corners as the frame sheet names",
            f"{len(points)} corners",
            f"{len(frame.corners)}: {names}",
            "give these corners, or name others under `corners` and `tubes`",
        )
    for index, tube in enumerate(frame.tubes):
        first, second = frame.ends(tube)
        length = distance(points[index], points[(index + 1) % len(points)])
        if length < _SHORTEST:
            raise refusal(
                f"{first} and {second} lie in one place",
                f"{length:.2f} mm between them",
                f"{_SHORTEST:g} mm or more along {tube}",
                "check both corners, and the unit",
            )
    array = np.array(points, dtype=float)
    crossed = crossing_sides(array)
    if crossed is not None:
        first, second = (frame.tubes[index] for index in crossed)
        raise refusal(
            f"{first} and {second} cross",
            f"corners in the order {names}",
            "corners in order round the opening, clockwise as seen from the drive side",
            "check the order of the corners and each one's numbers",
        )
    if not signed_area(array) < 0.0:
        raise refusal(
            "the corners run counter-clockwise",
            f"{names}, counter-clockwise as seen from the drive side",
            "clockwise as seen from the drive side, which has the front to the right",
            "check which way y points and from which side of the bicycle this was taken",
        )


def _survey(frame: Frame, points: Sequence[Point], covariance: NDArray[np.float64]) -> Survey:
    """What is known of lengths, angles and perimeter, sigmas propagated linearly."""
    import numpy as np

    from oaktag_plugins.surveying.adjustment import angle, polygon_equations, side

    count = len(points)
    things = (*(side(i, count) for i in range(count)), *(angle(i) for i in range(count)))
    equations = polygon_equations(count, things)
    flat = (np.array(points, dtype=float) - points[0]).ravel()
    values, jacobian = equations(flat[equations.free])
    spread = jacobian @ covariance[np.ix_(equations.free, equations.free)] @ jacobian.T
    sigma = np.sqrt(np.maximum(np.diagonal(spread), 0.0)).tolist()
    adjusted = [
        Adjusted(name, value, own)
        for name, value, own in zip((*frame.tubes, *frame.corners), values.tolist(), sigma, strict=True)
    ]
    around = sqrt(max(float(spread[:count, :count].sum()), 0.0))
    return Survey(
        lengths=tuple(adjusted[:count]),
        angles=tuple(adjusted[count:]),
        perimeter=Adjusted("perimeter", float(values[:count].sum()), around),
        readings=(),
        statistics=Statistics(0, None, 0.0, None, None),
        covariance=tuple(tuple(row) for row in covariance.tolist()),
    )


def _moved(
    frame: Frame, points: Sequence[Point], edges: Sequence[Path], placing: Transform, key: str
) -> tuple[Path, ...]:
    """Given sides in the opening's place; straight ones bent as the sheet says."""
    bent = bowed(points, frame)
    by_sheet = {bow.tube: bow for bow in frame.bows}
    paths: list[Path] = []
    for index, (tube, edge) in enumerate(zip(frame.tubes, edges, strict=True)):
        straight = len(edge.segments) == 1 and isinstance(edge.segments[0], Line)
        if tube in by_sheet and not straight:
            raise Refusal(
                f"the bend of {tube} is given twice",
                key=by_sheet[tube].key,
                source="frame",
                found=f"a bow, and a side of {key} that isn't straight",
                valid="one of the two",
                todo="remove the bow",
            )
        path = bent[index] if straight else edge.transformed(placing)
        for end, corner in ((path.start, index), (path.end, (index + 1) % len(points))):
            if distance(end, points[corner]) > 1e-5:
                raise ValueError(f"side {tube} doesn't end at corner {frame.corners[corner]}")
        paths.append(path)
    crossed = crossing(paths)
    if crossed is not None:
        tubes = dict.fromkeys(frame.tubes[index] for index in crossed)
        raise Refusal(
            f"{' and '.join(tubes)} {'cross' if len(tubes) > 1 else 'crosses the others or itself'}",
            key=key,
            source="frame",
            found="a side that runs across the opening",
            valid="sides that meet at the corners only",
            todo="draw the outline again without loops",
        )
    return tuple(paths)


def _accuracy(frame: Frame, survey: Survey, key: str) -> Finding:
    """What the opening is worth before anything on the bicycle has been read."""
    worst = max(survey.lengths, key=lambda length: length.sigma)
    message = (
        f"{key} alone makes the opening. Least sure is the {worst.of}: {worst.value:.1f} mm with a standard "
        f"uncertainty of {worst.sigma:.1f} mm."
    )
    if any(not reading.excluded for reading in frame.readings):
        return Finding(
            "note",
            "opening-estimated",
            f"{message} The readings on the sheet check it if measure.reconcile comes after.",
            key,
        )
    return Finding(
        "warning",
        "opening-estimated",
        f"{message} No reading checks it: measure the {worst.of} on the bicycle before you cut.",
        key,
    )
