"""The view of a plane in a photograph: its homography from reference points, and what is known through it.

A camera without distortion maps a plane to its picture by a homography, eight numbers (R. Hartley and
A. Zisserman, Multiple View Geometry in Computer Vision, 2nd ed., chapter 2). They come from the normalised
direct linear transformation (algorithm 4.2 there) and are then adjusted by least squares, so that the
references are met as their errors allow; the covariance is propagated linearly (chapter 5 there).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    Array = NDArray[np.float64]

FEWEST = 4
"""References that fix a view."""

MOST = 24
"""References that are looked at together."""

# A triangle of references is one only if its height is more than this share of its longest side.
_FLAT = 0.02
# What points are scaled to, so that all equations weigh alike (Hartley and Zisserman, section 4.4.4).
_SPREAD = 2.0**0.5
_MOST_STEPS = 100
_SMALLEST_STEP = 1e-11


class ViewError(Exception):
    """Reference points that don't show a plane.

    Args:
        kind: `flat-plane` or `flat-picture` if every four of the points have three on a line, in the plane or
            in the picture; `mixed` if no camera sees the points in these places; `mirrored` if one sees them
            from behind; `beyond` if a point of the picture lies behind the plane's horizon.
        index: of the point, if it is about one.
    """

    def __init__(self, kind: str, index: int | None = None) -> None:
        super().__init__(kind)
        self.kind = kind
        self.index = index


@dataclass(frozen=True, eq=False)
class _Units:
    """Points about their middle, in such units that they lie about the square root of 2 away from it."""

    middle: Array
    scale: float

    @classmethod
    def of(cls, points: Array) -> _Units:
        import numpy as np

        middle = points.mean(axis=0)
        away = float(np.hypot(*(points - middle).T).mean())
        return cls(middle, away / _SPREAD)

    def reduced(self, points: Array) -> Array:
        return (points - self.middle) / self.scale

    def restored(self, points: Array) -> Array:
        return points * self.scale + self.middle

    @property
    def matrix(self) -> Array:
        """From points to reduced points, homogeneous (3, 3)."""
        import numpy as np

        x, y = self.middle
        return np.array([[1.0, 0.0, -x], [0.0, 1.0, -y], [0.0, 0.0, self.scale]]) / self.scale


@dataclass(frozen=True, eq=False)
class View:
    """How a plane is seen in a picture.

    Attributes:
        parameters: of the homography from reduced plane to reduced picture, row by row, the ninth being 1.
        plane: units of the plane, mm.
        picture: units of the picture, px.
        residuals: of the references, px (k, 2): as computed minus as clicked.
        noise: covariance of the references' errors as they show in the picture, px² (2k, 2k).
        design: how the references' pixels change with the parameters, px (2k, 8).
        cofactor: how the parameters change with those errors (8, 2k).
    """

    parameters: Array
    plane: _Units
    picture: _Units
    residuals: Array
    noise: Array
    design: Array
    cofactor: Array

    @cached_property
    def matrix(self) -> Array:
        """The homography from mm to px (3, 3), its last number 1 unless the origin has no image."""
        import numpy as np

        inner = np.append(self.parameters, 1.0).reshape(3, 3)
        matrix = np.linalg.inv(self.picture.matrix) @ inner @ self.plane.matrix
        return np.asarray(matrix / matrix[2, 2] if abs(matrix[2, 2]) > 1e-12 else matrix)

    def pixels_of(self, points: Array) -> Array:
        """Where points of the plane, mm (n, 2), are seen, px (n, 2)."""
        seen, _ = _project(self.parameters, self.plane.reduced(points))
        return self.picture.restored(seen)

    def points_of(self, pixels: Array) -> Array:
        """Which points of the plane, mm (n, 2), are seen at places of the picture, px (n, 2).

        Raises:
            ViewError: one lies on the plane's horizon or beyond it.
        """
        import numpy as np

        inner = np.append(self.parameters, 1.0).reshape(3, 3)
        reduced = self.picture.reduced(pixels)
        found = np.column_stack((reduced, np.ones(len(reduced)))) @ np.linalg.inv(inner).T
        # The depth of what is seen is 1/z of this; the references' is above 0.
        for index, depth in enumerate(found[:, 2].tolist()):
            if not depth > 1e-9:
                raise ViewError("beyond", index)
        return self.plane.restored(found[:, :2] / found[:, 2:])

    def located(self, pixels: Array, sigma: float) -> tuple[Array, Array]:
        """Points of the plane that were clicked in the picture, and how well they are known.

        Args:
            pixels: as clicked, px (n, 2).
            sigma: standard uncertainty of either coordinate of a click, px.

        Returns:
            Points in mm (n, 2), and the covariance of x0, y0, x1, y1, ... in mm² (2n, 2n): of these clicks,
            and of the references' errors, which all points share.

        Raises:
            ViewError: as `points_of`.
        """
        import numpy as np

        points = self.points_of(pixels)
        by_point, by_parameter = self._rates(points)
        back = np.linalg.inv(by_point)
        count = len(points)
        own = np.zeros((2 * count, 2 * count))
        for index in range(count):
            block = slice(2 * index, 2 * index + 2)
            own[block, block] = sigma**2 * back[index] @ back[index].T
        shared = (-back @ by_parameter).reshape(2 * count, 8) @ self.cofactor
        return points, np.asarray(own + shared @ self.noise @ shared.T)

    def _rates(self, points: Array) -> tuple[Array, Array]:
        """Change of pixels with the points, px/mm (n, 2, 2), and with the parameters, px (n, 2, 8)."""
        by_point, by_parameter = _derivatives(self.parameters, self.plane.reduced(points))
        return by_point * (self.picture.scale / self.plane.scale), by_parameter * self.picture.scale

    @property
    def misfit(self) -> float:
        """Weighted square sum of the residuals: chi-square of 2k - 8 degrees of freedom if all is well."""
        import numpy as np

        flat = self.residuals.ravel()
        return float(flat @ np.linalg.solve(self.noise, flat))

    @cached_property
    def deviations(self) -> Array:
        """How far each reference stands out from the others, in standard uncertainties (k,).

        That is the test of one mistaken point at a time (W. Baarda, A testing procedure for use in geodetic
        networks, 1968, for two coordinates together; from memory). A mistake shows in the residuals of all
        references, and not always most in its own.
        """
        import numpy as np

        count = len(self.residuals)
        left = np.eye(2 * count) - self.design @ self.cofactor
        weighted = np.linalg.solve(self.noise, self.residuals.ravel())
        spread = np.linalg.solve(self.noise, left)
        result = np.empty(count)
        for index in range(count):
            block = slice(2 * index, 2 * index + 2)
            own = np.linalg.pinv(spread[block, block], rcond=1e-9)
            result[index] = weighted[block] @ own @ weighted[block]
        return np.sqrt(np.maximum(result, 0.0))


def view_of(points: Array, pixels: Array, pixel_sigma: float, point_covariance: Array) -> View:
    """The view in which reference points of the plane are seen where they were clicked.

    Four points fix it; more are adjusted by least squares, weighted by the errors of clicks and points.

    Args:
        points: in the plane, mm (k, 2), y upward.
        pixels: in the picture, px (k, 2), y downward.
        pixel_sigma: standard uncertainty of either coordinate of a click, px, above 0.
        point_covariance: of the points' coordinates x0, y0, x1, ..., mm² (2k, 2k).

    Raises:
        ViewError: the points don't fix a view, or no camera sees them so.
        ValueError: there are fewer than four, or more than 24.
    """
    import numpy as np

    if not FEWEST <= len(points) <= MOST:
        raise ValueError(f"a view needs {FEWEST} to {MOST} references, found {len(points)}")
    if spread_of(points) < _FLAT:
        raise ViewError("flat-plane")
    if spread_of(pixels) < _FLAT:
        raise ViewError("flat-picture")
    plane, picture = _Units.of(points), _Units.of(pixels)
    flat, seen = plane.reduced(points), picture.reduced(pixels)
    parameters = _linear(flat, seen)
    noise = np.eye(2 * len(points))
    # The errors of points show in the picture by how large it is there, which the view itself tells.
    for _ in range(3):
        _check_in_front(parameters, flat)
        by_point, _ = _derivatives(parameters, flat)
        shown = np.zeros_like(noise)
        for index, block in enumerate(by_point / plane.scale):
            shown[2 * index : 2 * index + 2, 2 * index : 2 * index + 2] = block
        noise = (pixel_sigma / picture.scale) ** 2 * np.eye(len(noise))
        noise = noise + shown @ point_covariance @ shown.T
        parameters, cofactor = _adjusted(parameters, flat, seen, noise)
    _check_in_front(parameters, flat)
    by_point, by_parameter = _derivatives(parameters, flat)
    if not (np.linalg.det(by_point) < 0.0).all():
        raise ViewError("mirrored")
    return View(
        parameters,
        plane,
        picture,
        residuals=(_project(parameters, flat)[0] - seen) * picture.scale,
        noise=noise * picture.scale**2,
        design=by_parameter.reshape(-1, 8) * picture.scale,
        cofactor=cofactor / picture.scale,
    )


def spread_of(points: Array) -> float:
    """How far four of the points are from having three on a line.

    Returns:
        The largest, over all choices of four, of the lowest height of their triangles, as a share of the
        triangle's longest side; 0 if any four have three on a line.
    """
    import numpy as np

    triples = list(combinations(range(len(points)), 3))
    a, b, c = (points[list(column)] for column in zip(*triples, strict=True))
    area = np.abs((b[:, 0] - a[:, 0]) * (c[:, 1] - a[:, 1]) - (b[:, 1] - a[:, 1]) * (c[:, 0] - a[:, 0]))
    longest = np.max([np.hypot(*(p - q).T) for p, q in ((a, b), (b, c), (c, a))], axis=0)
    heights = dict(zip(triples, (area / np.maximum(longest**2, 1e-300)).tolist(), strict=True))
    fours = combinations(range(len(points)), 4)
    return float(max(min(heights[triple] for triple in combinations(four, 3)) for four in fours))


def _project(parameters: Array, points: Array) -> tuple[Array, Array]:
    """Images of points (n, 2), and their depths (n,)."""
    import numpy as np

    h = parameters
    x, y = points.T
    depth = h[6] * x + h[7] * y + 1.0
    return np.column_stack((h[0] * x + h[1] * y + h[2], h[3] * x + h[4] * y + h[5])) / depth[:, None], depth


def _derivatives(parameters: Array, points: Array) -> tuple[Array, Array]:
    """Change of the images with the points (n, 2, 2) and with the parameters (n, 2, 8)."""
    import numpy as np

    h = parameters
    (u, v), depth = (images := _project(h, points))[0].T, images[1]
    x, y = points.T
    by_point = np.empty((len(points), 2, 2))
    by_point[:, 0] = np.column_stack((h[0] - u * h[6], h[1] - u * h[7])) / depth[:, None]
    by_point[:, 1] = np.column_stack((h[3] - v * h[6], h[4] - v * h[7])) / depth[:, None]
    by_parameter = np.zeros((len(points), 2, 8))
    row = np.column_stack((x, y, np.ones_like(x))) / depth[:, None]
    by_parameter[:, 0, 0:3] = row
    by_parameter[:, 1, 3:6] = row
    by_parameter[:, 0, 6:8] = -u[:, None] * row[:, :2]
    by_parameter[:, 1, 6:8] = -v[:, None] * row[:, :2]
    return by_point, by_parameter


def _linear(points: Array, pixels: Array) -> Array:
    """The parameters by the direct linear transformation of reduced points.

    Raises:
        ViewError: the middle of the points has no image, so no camera sees them all.
    """
    import numpy as np

    rows: list[Sequence[float]] = []
    for (x, y), (u, v) in zip(points.tolist(), pixels.tolist(), strict=True):
        rows.append((x, y, 1.0, 0.0, 0.0, 0.0, -u * x, -u * y, -u))
        rows.append((0.0, 0.0, 0.0, x, y, 1.0, -v * x, -v * y, -v))
    solution = np.linalg.svd(np.array(rows))[2][-1]
    if abs(solution[8]) < 1e-9:
        raise ViewError("mixed")
    return np.asarray(solution[:8] / solution[8])


def _adjusted(parameters: Array, points: Array, pixels: Array, noise: Array) -> tuple[Array, Array]:
    """The parameters that meet the pixels best, by Gauss and Newton, and how they change with the pixels."""
    import numpy as np

    whitening = np.linalg.inv(np.linalg.cholesky(noise))

    def misclosure(at: Array) -> Array:
        return np.asarray(whitening @ (pixels - _project(at, points)[0]).ravel())

    best = misclosure(parameters)
    rates = np.zeros((len(best), 8))
    for _ in range(_MOST_STEPS):
        rates = whitening @ _derivatives(parameters, points)[1].reshape(-1, 8)
        step = np.linalg.lstsq(rates, best, rcond=None)[0]
        share = 1.0
        while share > 1e-6:
            after = misclosure(parameters + share * step)
            if after @ after <= best @ best:
                break
            share /= 2.0
        else:
            break
        parameters, best = parameters + share * step, after
        if np.abs(step).max() <= _SMALLEST_STEP * max(1.0, np.abs(parameters).max()):
            break
    rates = whitening @ _derivatives(parameters, points)[1].reshape(-1, 8)
    return parameters, np.asarray(np.linalg.pinv(rates) @ whitening)


def _check_in_front(parameters: Array, points: Array) -> None:
    """Refuse points that a camera would have to see both before and behind itself.

    Raises:
        ViewError: there are such points.
    """
    if not (_project(parameters, points)[1] > 1e-9).all():
        raise ViewError("mixed")
