"""Mending: the scan with its streaks taken out and its spots filled, read lazily like the scan itself."""

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark_stages.dust.filling import filled, reach
from platemark_stages.dust.spots import Circle, Window, around, groups
from platemark_stages.dust.streaks import Streak, without_streaks
from platemark_stages.dust.survey import Pixels, bands

_BAND = 128


@dataclass(frozen=True)
class Mended:
    """Opens the mended scan; a picture's source.

    Attributes:
        source: opens the scan.
        repairs: circles, those of one hair together.
        columns: see `Streak`.
        rows: as `columns`.
    """

    source: Callable[[], pyvips.Image]
    repairs: list[list[Circle]]
    columns: list[Streak]
    rows: list[Streak]

    def __call__(self) -> pyvips.Image:
        """The mended pixels; only the patches are held in memory."""
        return _with_patches(self._level(), self._patches)

    def _level(self) -> pyvips.Image:
        return without_streaks(self.source(), self.columns, self.rows)

    @cached_property
    def _patches(self) -> list[tuple[int, int, Pixels]]:
        """Left, top and pixels of each patch."""
        image = self._level()
        size = image.width, image.height
        gathered = [group for group in groups(self.repairs) if _has_area(around(group, 0, size))]
        wide = [around(group, max(map(reach, group)), size) for group in gathered]
        every = [circle for group in gathered for circle in group]
        patches = []
        for number, window in windows(image, wide):
            at, group = wide[number], gathered[number]
            new = filled(window, at, group, [circle for circle in every if _touches(circle, at)])
            left, top, right, bottom = around(group, 0, size)
            cut = new[top - at[1] : bottom - at[1], left - at[0] : right - at[0]]
            patches.append((left, top, cut.astype(np.uint16)))
        return patches


def windows(image: pyvips.Image, boxes: Sequence[Window]) -> Iterator[tuple[int, NDArray[np.uint16]]]:
    """Cut windows out of an image in one pass from its top to its bottom.

    Yields:
        The number of a box and its pixels, as soon as its last row was read.
    """
    last = max((box[3] for box in boxes), default=0)
    open_boxes: dict[int, Pixels] = {}
    waiting = sorted(range(len(boxes)), key=lambda i: boxes[i][1])
    for top, band in bands(image.crop(0, 0, image.width, last), _BAND) if last else ():
        bottom = top + len(band)
        while waiting and boxes[waiting[0]][1] < bottom:
            left, first, right, end = boxes[waiting[0]]
            open_boxes[waiting.pop(0)] = np.empty((end - first, right - left, image.bands), np.uint16)
        for number, pixels in list(open_boxes.items()):
            left, first, right, end = boxes[number]
            start, stop = max(first, top), min(end, bottom)
            pixels[start - first : stop - first] = band[start - top : stop - top, left:right]
            if end <= bottom:
                yield number, open_boxes.pop(number)


def _has_area(box: Window) -> bool:
    return box[0] < box[2] and box[1] < box[3]


def _touches(circle: Circle, at: Window) -> bool:
    left, top, right, bottom = circle.box()
    return left < at[2] and right > at[0] and top < at[3] and bottom > at[1]


def _with_patches(image: pyvips.Image, patches: Sequence[tuple[int, int, Pixels]]) -> pyvips.Image:
    for left, top, pixels in patches:
        rows, columns, channels = pixels.shape
        patch = pyvips.Image.new_from_memory(pixels.tobytes(), columns, rows, channels, "ushort")
        image = image.insert(patch.copy(interpretation=image.interpretation), left, top)
    return image
