"""Bed: what the scanner itself puts into the picture - faulty sensor columns and the frame of the glass."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from .planes import Floats

STREAK = 6.0  # robust deviations among all columns; 1700 Gaussian columns stay below 4
FRAME_MM = (
    6.0  # frames of the glass that get into a scan are a few millimetres wide; a margin of paper seldom is so narrow
)
FRAME_STEP = 20.0  # grey levels: a frame is of another material; a lid's own fall-off stays below ten
FRAME_LID_MM = 3.0  # of bare lid that must follow a frame
FRAME_EVEN = 12.0  # grey levels between the 5th and 95th percentile along a frame; art is not even along the whole bed


def without_streaks(preview: NDArray[np.uint16]) -> NDArray[np.uint16]:
    """Replace sensor columns that differ from both neighbours all the way down the bed.

    Such a column is a perfectly straight line from rim to rim, the strongest edge there is for a search along lines.

    Args:
        preview: (rows, columns, 3).

    Returns:
        The preview itself, or a copy with those columns (and the two beside each) bridged.
    """
    rows = preview.shape[0]
    # Three bands, each of 64 rows at most: an edge of a sheet seldom stands exactly upright in all three.
    bands = [preview[i * rows // 3 : (i + 1) * rows // 3 : max(1, rows // 192)] for i in range(3)]
    peaks = []
    for band in bands:
        grey = (band[..., 0].astype(np.float32) + band[..., 1] + band[..., 2]) / 771
        peak = np.zeros(grey.shape[1], dtype=np.float32)
        peak[2:-2] = np.median(grey[:, 2:-2] - (grey[:, :-4] + grey[:, 4:]) / 2, axis=0)
        step = np.zeros_like(peak)
        step[2:-2] = np.abs(np.median(grey[:, 4:] - grey[:, :-4], axis=0))
        peaks.append(np.where(step < np.abs(peak) / 2, peak, 0))
    stack = np.stack(peaks)
    least = np.maximum(STREAK * 1.4826 * np.median(np.abs(stack), axis=1, keepdims=True), 0.5)
    faulty = np.all(stack > least, axis=0) | np.all(stack < -least, axis=0)
    # More than one column in a hundred is not a fault but a pattern in the art.
    if not faulty.any() or faulty.mean() > 0.01:
        return preview
    mended = preview.copy()
    for column in np.flatnonzero(faulty).tolist():
        left, right = max(0, column - 3), min(preview.shape[1] - 1, column + 3)
        bridge = np.linspace(0, 1, right - left + 1)[None, :, None]
        ends = preview[:, left : left + 1] * (1 - bridge) + preview[:, right : right + 1] * bridge
        mended[:, left : right + 1] = np.rint(ends).astype(np.uint16)
    return mended


@dataclass(frozen=True)
class Glass:
    """The part of the cells that shows the bed: rows `top` to `bottom`, columns `left` to `right` (ends left out)."""

    top: int
    right: int
    bottom: int
    left: int


def glass_all(cells: Floats) -> Glass:
    """The whole picture."""
    return Glass(top=0, right=cells.shape[1], bottom=cells.shape[0], left=0)


def glass_of(cells: Floats, mm: float) -> Glass:
    """Leave out even bands along the rims that are much darker or lighter than what follows: the frame of the glass.

    Args:
        cells: (rows, columns, planes).
        mm: millimetres along a cell.

    Returns:
        Where the glass lies.
    """
    light = cells[..., 0]
    turned = [light, light[::-1], light.T, light.T[::-1]]
    widths = [_frame(side, mm) for side in turned]
    levels = [float(np.median(side[: max(1, width - 2)])) for side, width in zip(turned, widths, strict=True)]
    # A strip that looks like a rim without a frame is lid beside a sheet that nearly spans the bed.
    bare = [level for level, width in zip(levels, widths, strict=True) if not width]
    top, bottom, left, right = (
        0 if any(abs(level - lid) < FRAME_STEP / 2 for lid in bare) else width
        for level, width in zip(levels, widths, strict=True)
    )
    return Glass(top=top, right=light.shape[1] - right, bottom=light.shape[0] - bottom, left=left)


def _frame(light: Floats, mm: float) -> int:
    """Number of rows at the start that are frame."""
    most = min(round(FRAME_MM / mm), light.shape[0] // 8)
    rim = light[: 2 * most]
    level = np.median(rim, axis=1)
    # The ends belong to the frame of the neighbouring sides.
    inner = rim[:, most:-most]
    spread = np.quantile(inner, 0.95, axis=1) - np.quantile(inner, 0.05, axis=1)
    bed = np.median(level[most:])
    even = spread < FRAME_EVEN
    frame = (np.abs(level - bed) > FRAME_STEP) & even
    width = int(np.argmin(frame[:most]))
    # Beyond a frame comes bare lid, even as well; otherwise the "frame" is the lid and what follows is a sheet.
    lid = even[width + 2 : width + 2 + max(1, round(FRAME_LID_MM / mm))]
    # One cell more: the border itself is slanted or soft.
    return width + 2 if frame[0] and width and lid.mean() > 0.5 else 0
