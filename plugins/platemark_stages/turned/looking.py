"""Looking at two scans of one sheet: planes of both, and local matches with the bend found so far taken out."""

from dataclasses import replace

import numpy as np
import pyvips

from platemark import Affine, Picture
from platemark_stages.registration.linking import LEAST_MATCHES, usable_boxes
from platemark_stages.registration.matching import Matches, match
from platemark_stages.registration.planes import Floats, Level, Pixels
from platemark_stages.turned.model import Model

_STRONGEST = 10  # percent of the matches: the paper's grain is everywhere and unlike, the art's own lines are stronger


def reduced(picture: Picture, factor: int) -> Pixels:
    """The scan reduced by a whole number; its last rows and columns that do not fill a pixel are left out."""
    image = picture.open()
    small = image.shrink(factor, factor) if factor > 1 else image
    return np.frombuffer(small.write_to_memory(), np.uint16).reshape(small.height, small.width, small.bands)


def half_turn(shape: tuple[int, ...], affine: Affine) -> Affine:
    """From positions of the plane that was turned back to those of the scan as it is, or the other way."""
    return affine.then(Affine(-1, 0, shape[1], 0, -1, shape[0]))


def matched(model: Model, level: Level, shape: tuple[int, ...]) -> Matches:
    """Matches at one level, in pixels of the finest planes, the second ones of the turned scan as it is."""
    # Pixels of this level, of the plane that was turned back and is even.
    small = Affine.scaling(1 / level.factor)
    placement = half_turn(shape, model.affine).inverse()
    placement = small.inverse().then(placement).then(small)
    even = _evened(model, level, shape)
    boxes = usable_boxes(level)
    found = match(level.planes[0], even, placement, (boxes[0], boxes[1]), level.ppi)
    second = np.array([shape[1], shape[0]]) - found.second * level.factor
    if len(second):
        second[:, 1] += model.bend(second)
    weight = found.weight / level.factor**2
    return replace(found, first=found.first * level.factor, second=second, weight=weight)


def _evened(model: Model, level: Level, shape: tuple[int, ...]) -> Floats:
    """The turned-back plane with the bend found so far taken out."""
    plane = level.planes[1]
    rows, columns = plane.shape
    y = shape[0] - (np.arange(rows) + 0.5) * level.factor
    left, right = (model.bend(np.stack([np.full(rows, side), y], axis=1)) for side in (0.0, model.size[0]))
    share = np.clip((shape[1] - (np.arange(columns) + 0.5) * level.factor) / model.size[0], 0, 1)
    moved = left[:, None] * (1 - share) + right[:, None] * share
    index = np.empty((rows, columns, 2), np.float32)
    index[:, :, 0] = np.arange(columns)
    index[:, :, 1] = np.arange(rows)[:, None] - moved / level.factor
    image = pyvips.Image.new_from_memory(np.ascontiguousarray(plane), columns, rows, 1, "float")
    places = pyvips.Image.new_from_memory(index, columns, rows, 2, "float")
    even = image.mapim(places, interpolate=pyvips.Interpolate.new("bicubic"), extend="copy")
    return np.frombuffer(even.write_to_memory(), np.float32).reshape(rows, columns)


def agreement_of(matches: Matches) -> float:
    """Correlation of the strongest detail; nought where there is too little of it."""
    if len(matches.contrast) < LEAST_MATCHES:
        return 0.0
    count = max(2 * LEAST_MATCHES, len(matches.contrast) * _STRONGEST // 100)
    strongest = np.argsort(-matches.contrast, kind="stable")[:count]
    power = matches.contrast[strongest] ** 2
    return float((matches.likeness[strongest] * power).sum() / power.sum())
