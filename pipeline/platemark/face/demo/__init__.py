"""Demo scans: invented pictures, painted by program and laid askew on a simulated scanner bed.

This module is the easel: washes, gouache and pen. `artwork` paints the pictures with it, `bed` scans them, `scans`
writes the files.

Points are millimetres on the sheet, from its top left. Paint is optical density (natural logarithm) per channel on a
grid of `WORK_STEP` scan pixels; ink is coverage on the grid of the scan itself, because a pen is sharper than a brush.
Amounts of water and pigment are judged by eye.

A shape is an outline of points (x, y), or a brush stroke of points (x, y, width); either as an array or written
"x,y x,y".
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pyvips
from numpy.typing import NDArray
from PIL import Image, ImageDraw

Floats = NDArray[np.float32]
Outline = NDArray[np.float64]
Points = str | Sequence[Sequence[float]] | Outline
Window = tuple[slice, slice]

WORK_STEP = 2
COARSE_BLUR = 1.5  # pixels; a wider blur is made on a smaller picture, where it takes this many
PEN_STEP = 2  # the pen is drawn this much finer than the scan, then averaged: smooth lines without soft ones


@dataclass(frozen=True)
class Painting:
    """What lies on a sheet.

    Attributes:
        size_mm: width and height of the sheet.
        density: optical density, (rows, columns, 3), on the grid of paint.
        ink: coverage 0 to 255, (rows, columns), on the grid of the scan.
        ink_density: optical density of the ink per channel.
    """

    size_mm: tuple[float, float]
    density: Floats
    ink: NDArray[np.uint8]
    ink_density: tuple[float, float, float]


def pigment(colour: str) -> Floats:
    """Optical density per channel of a colour written as #rrggbb.

    Source: IEC 61966-2-1 (sRGB) for the curve; density = -ln(linear), at most 5.8.
    """
    codes = (int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5))
    linear = (code / 12.92 if code <= 0.04045 else ((code + 0.055) / 1.055) ** 2.4 for code in codes)
    return np.array([-math.log(max(part, 0.003)) for part in linear], dtype=np.float32)


def path(points: Points) -> Outline:
    """Points as an array, one row each; a text is read as "x,y x,y" or "x,y,width x,y,width"."""
    if isinstance(points, str):
        return np.array([[float(number) for number in point.split(",")] for point in points.split()])
    return np.asarray(points, dtype=np.float64)


def curve(points: Points, *, closed: bool = False, steps: int = 12) -> Outline:
    """A smooth line through points of any number of columns, `steps` points from one to the next.

    Source: uniform Catmull-Rom spline, from memory.
    """
    known = path(points)
    before, after = (known[-1:], known[:2]) if closed else (2 * known[:1] - known[1:2], 2 * known[-1:] - known[-2:-1])
    p = np.concatenate([before, known, after])
    t = (np.arange(steps) / steps)[None, :, None]
    a, b, c, d = (p[at : len(p) - 3 + at, None, :] for at in range(4))
    line = b + 0.5 * t * ((c - a) + t * ((2 * a - 5 * b + 4 * c - d) + t * (3 * (b - c) + d - a)))
    line = line.reshape(-1, known.shape[1])
    return line if closed else np.concatenate([line, known[-1:]])


def stroke(points: Points, steps: int = 12) -> Outline:
    """Outline of a brush stroke through points (x, y, width)."""
    line = curve(points, steps=steps)
    along = np.gradient(line[:, :2], axis=0)
    length = np.sqrt((along**2).sum(axis=1, keepdims=True)) + 1e-9
    side = np.stack([-along[:, 1], along[:, 0]], axis=1) / length * line[:, 2:3] / 2
    return np.concatenate([line[:, :2] + side, (line[:, :2] - side)[::-1]])


def disc(x: float, y: float, radius: float, flat: float = 1) -> Outline:
    """A circle, or an ellipse `flat` times as high as it is wide."""
    turn = [math.tau * part / 72 for part in range(72)]
    return np.array([[x + radius * math.cos(at), y + radius * flat * math.sin(at)] for at in turn])


def placed(shape: Points, x: float, y: float, size: float, tilt: float = 0) -> Outline:
    """A unit shape as a closed curve at (x, y), `size` mm large and turned `tilt` degrees counter-clockwise."""
    cos, sin = math.cos(math.radians(tilt)) * size, math.sin(math.radians(tilt)) * size
    line = curve(shape, closed=True)
    return np.column_stack([x + line[:, 0] * cos + line[:, 1] * sin, y - line[:, 0] * sin + line[:, 1] * cos])


class Easel:
    """A sheet being painted.

    Attributes:
        random: the painter's hand; the same seed paints the same picture, at any resolution.
    """

    def __init__(self, size_mm: tuple[float, float], ppi: int, seed: int) -> None:
        """Put up a bare sheet, to be scanned at `ppi`."""
        self.size_mm, self.random = size_mm, np.random.Generator(np.random.PCG64(seed))
        self._per_mm = ppi / WORK_STEP / 25.4
        columns, rows = (math.ceil(mm * self._per_mm) + 1 for mm in size_mm)
        self._density: Floats = np.zeros((rows, columns, 3), dtype=np.float32)
        self._clouds, self._ripple = self._noise(28, 4), self._noise(4, 2)
        self._hair = self._noise(0.55, 1, stretch=26)
        self._pen = Image.new("L", (columns * WORK_STEP * PEN_STEP, rows * WORK_STEP * PEN_STEP))
        self._nib = ImageDraw.Draw(self._pen)

    def wash(self, shape: Points, colour: str, strength: float, *, edge: float = 0.3, wobble: float = 0.5,
             rim: float = 0.6, cloud: float = 0.25, fade: Sequence[float] | None = None) -> None:  # fmt: skip
        """Lay a transparent wash.

        Args:
            shape: outline or stroke.
            colour: the pigment, as #rrggbb where it lies thick.
            strength: share of the pigment's full density.
            edge: millimetres over which the wash ends; large is wet in wet.
            wobble: how far the edge wanders, in units of `edge`.
            rim: how much pigment gathers where the puddle dried.
            cloud: unevenness inside.
            fade: x and y of full strength, x and y of none.
        """
        window, mask = self._mask(shape, edge * 4 + 2)
        soft = _blurred(mask, edge * self._per_mm)
        wander = wobble * 0.3 * self._ripple[window] * np.minimum(1, 4 * soft * (1 - soft) + 0.1)
        cover = _step(soft + wander, 0.5, 0.42)
        amount = strength * cover * np.clip(1 + cloud * self._clouds[window], 0.1, 3)
        if rim:
            amount *= 1 + rim * 3 * np.clip(0.88 - _blurred(cover, 0.55 * self._per_mm), 0, 0.4)
        if fade is not None:
            amount *= self._fading(window, fade)
        self._density[window] += amount[:, :, None] * pigment(colour)

    def gouache(self, shape: Points, colour: str, *, streak: float = 0.06, dry: float = 0.0) -> None:
        """Lay opaque paint with the marks of a flat brush; where it was `dry` the ground shows through the marks."""
        window, mask = self._mask(shape, 2)
        soft = _blurred(mask, 0.12 * self._per_mm)
        hair = self._hair[window]
        cover = _step(soft + 0.4 * self._ripple[window] * soft * (1 - soft), 0.5, 0.4)
        if dry:
            cover *= 1 - _step(hair, 2.4 - 2 * dry, 0.5)
        body = pigment(colour) * (1 + streak * hair + 0.06 * self._clouds[window])[:, :, None]
        self._density[window] += (body - self._density[window]) * cover[:, :, None]

    def lift(self, shape: Points, share: float, edge: float = 0.2) -> None:
        """Take `share` of the paint off again, with masking fluid (a sharp edge) or a damp sponge (a soft one)."""
        window, mask = self._mask(shape, edge * 3 + 1)
        self._density[window] *= 1 - share * _blurred(mask, edge * self._per_mm)[:, :, None]

    def ripple(self, x: float, y: float, half: float, thick: float, colour: str, strength: float) -> None:
        """One lens of light or dark on water, `half` to each side, kept inside a margin."""
        x = min(max(x, 11 + half), self.size_mm[0] - 11 - half)
        bow = self.random.normal(0, 0.025 * half)
        inner = [(x - 0.4 * half, y + bow, thick), (x + 0.4 * half, y - bow, 0.8 * thick)]
        self.wash([(x - half, y, 0.1), *inner, (x + half, y, 0.1)], colour, strength, wobble=0.8)

    def ink(self, points: Points, steps: int = 12) -> None:
        """Draw a pen stroke through points (x, y, width)."""
        outline = stroke(points, steps) * self._per_mm * WORK_STEP * PEN_STEP
        self._nib.polygon(outline.ravel().tolist(), fill=255)

    def sign(self, x: float, y: float) -> None:
        """Write an invented name, quickly."""
        name = path(
            "0,2,0.2 1.5,-3,0.5 2.6,-5,0.3 2.4,1,0.5 3.4,1.6,0.3 4.4,-1,0.3 5.4,-1.2,0.4 5.6,1,0.4 7,0.6,0.25 "
            "8,-1.2,0.3 8.4,1,0.45 9.6,0.4,0.3 10.6,-4.6,0.3 11,1,0.45 12.4,0.4,0.3 13.4,-1,0.4 14,1.1,0.3 "
            "16,0.2,0.3 21,-0.8,0.1"
        )
        self.ink(name + np.array([x, y, 0]), steps=8)

    def finished(self, ink: str = "#1d1a1c") -> Painting:
        """The painting, with the pen drawing in a colour of ink."""
        red, green, blue = pigment(ink).tolist()
        return Painting(self.size_mm, self._density, np.asarray(self._pen.reduce(PEN_STEP)), (red, green, blue))

    def _noise(self, size_mm: float, octaves: int, *, stretch: float = 1) -> Floats:
        """Soft random field of about unit deviation, its largest forms `size_mm` high, `stretch` times as wide."""
        rows, columns = self._density.shape[:2]
        total = np.zeros((rows, columns), dtype=np.float32)
        for octave in range(octaves):
            cell = size_mm / 2**octave
            grid = (math.ceil(self.size_mm[1] / cell) + 2, math.ceil(self.size_mm[0] / cell / stretch) + 2)
            coarse = Image.fromarray(self.random.standard_normal(grid, dtype=np.float32))
            total += np.asarray(coarse.resize((columns, rows), Image.Resampling.BICUBIC)) * 0.62**octave
        return total

    def _mask(self, shape: Points, margin: float) -> tuple[Window, Floats]:
        """The part of the sheet that a shape and `margin` mm around it reach, and the shape in it, 0 to 1."""
        points = path(shape)
        outline = (points if points.shape[1] == 2 else stroke(points)) * self._per_mm
        rows, columns = self._density.shape[:2]
        reach = margin * self._per_mm
        left, top = np.maximum(outline.min(axis=0) - reach, 0).astype(int).tolist()
        right, bottom = np.minimum(outline.max(axis=0) + reach + 2, (columns, rows)).astype(int).tolist()
        image = Image.new("L", ((right - left) * 2, (bottom - top) * 2))
        ImageDraw.Draw(image).polygon(((outline - (left, top)) * 2).ravel().tolist(), fill=255)
        inside: Floats = np.asarray(image.reduce(2), dtype=np.float32) / np.float32(255)
        return (slice(top, bottom), slice(left, right)), inside

    def _fading(self, window: Window, fade: Sequence[float]) -> Floats:
        """1 at the first point of `fade`, 0 at the second, smooth between."""
        x0, y0, x1, y1 = fade
        x = np.arange(window[1].start, window[1].stop)[None, :] / self._per_mm - x0
        y = np.arange(window[0].start, window[0].stop)[:, None] / self._per_mm - y0
        along = (x * (x1 - x0) + y * (y1 - y0)) / ((x1 - x0) ** 2 + (y1 - y0) ** 2)
        return 1 - _step(along.astype(np.float32), 0.5, 0.5)


def _step(values: Floats, middle: float, half: float) -> Floats:
    """Smooth step from 0 to 1 over `middle` +- `half`."""
    t = np.clip((values - np.float32(middle - half)) / np.float32(2 * half), 0, 1)
    return np.asarray(t * t * (3 - 2 * t), dtype=np.float32)


def _blurred(field: Floats, sigma_px: float) -> Floats:
    """Gaussian blur that leaves the field's size."""
    if sigma_px < 0.3:  # narrower than libvips' shortest kernel
        return field
    image = pyvips.Image.new_from_array(field)
    if sigma_px <= COARSE_BLUR:
        return np.asarray(image.gaussblur(sigma_px).numpy(), dtype=np.float32)
    small = image.resize(COARSE_BLUR / sigma_px, kernel="linear").gaussblur(COARSE_BLUR)
    large = small.resize(image.width / small.width, vscale=image.height / small.height, kernel="linear")
    return np.asarray(large.numpy(), dtype=np.float32)
