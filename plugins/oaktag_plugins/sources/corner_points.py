"""Corners given by coordinates: every one named, repeated ones averaged, their covariance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from oaktag import Finding
from oaktag.geometry import Point, distance
from oaktag.pattern import Frame
from oaktag.recipe import listed
from oaktag_plugins.sources.source_table import source_refusal

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

# Share of honest repetitions that are reported as scattering by chance.
_BY_CHANCE = 0.01


@dataclass(frozen=True, slots=True)
class CornerReading:
    """One pair of coordinates of a corner.

    Attributes:
        corner: index into the frame's corners.
        point: mm, y upward, drive side facing the reader.
        sigma: standard uncertainties of x and y in mm, independent of each other.
        where: key or line that it stands at, for messages.
    """

    corner: int
    point: Point
    sigma: Point
    where: str


@dataclass(frozen=True, eq=False)
class CornerPoints:
    """Corners in the frame's order.

    Attributes:
        points: mm.
        covariance: of x0, y0, x1, y1, ... in mm², (2n, 2n).
        findings: what repeated corners have to say.
    """

    points: tuple[Point, ...]
    covariance: NDArray[np.float64]
    findings: tuple[Finding, ...]


def averaged(frame: Frame, readings: Sequence[CornerReading], key: str) -> CornerPoints:
    """The corners that coordinates were given of; the weighted mean of those that were given repeatedly.

    Args:
        frame: has the corners.
        readings: one or more of every corner, in any order.
        key: the table or list that they stand in, for messages.

    Raises:
        Refusal: a corner is missing.
    """
    import numpy as np

    groups = [[one for one in readings if one.corner == index] for index in range(len(frame.corners))]
    missing = [name for name, group in zip(frame.corners, groups, strict=True) if not group]
    if missing:
        raise source_refusal(
            key,
            f"{'a corner is' if len(missing) == 1 else 'corners are'} missing",
            found=listed(name for name in frame.corners if name not in missing),
            valid=listed(frame.corners),
            todo=f"add {listed(missing)}",
        )
    points: list[Point] = []
    variances: list[float] = []
    findings: list[Finding] = []
    for name, group in zip(frame.corners, groups, strict=True):
        means: list[float] = []
        for axis in (0, 1):
            weights = [one.sigma[axis] ** -2 for one in group]
            shares = zip(weights, group, strict=True)
            means.append(sum(weight * one.point[axis] for weight, one in shares) / sum(weights))
            variances.append(1.0 / sum(weights))
        points.append((means[0], means[1]))
        findings += _scatter(name, group, points[-1])
    return CornerPoints(tuple(points), np.diag(variances), tuple(findings))


def _scatter(name: str, group: Sequence[CornerReading], mean: Point) -> list[Finding]:
    """A warning if repeated coordinates lie further apart than their sigmas explain."""
    from oaktag_plugins.surveying.adjustment import chi_square_quantile

    dof = 2 * (len(group) - 1)
    chi_square = sum(
        ((one.point[axis] - mean[axis]) / one.sigma[axis]) ** 2 for one in group for axis in (0, 1)
    )
    if dof == 0 or chi_square <= chi_square_quantile(1.0 - _BY_CHANCE, dof):
        return []
    apart = max(distance(one.point, other.point) for one in group for other in group)
    sigma = max(max(one.sigma) for one in group)
    worst = max(group, key=lambda one: distance(one.point, mean))
    return [
        Finding(
            "warning",
            "readings-scatter",
            f"{name} was given {len(group)} times, up to {apart:.1f} mm apart; a standard uncertainty of "
            f"{sigma:g} mm doesn't explain that. Measure it again.",
            worst.where,
        )
    ]
