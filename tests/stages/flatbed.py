"""A home flatbed that scans textured paper, as formulas: for tests and benches of turned scans.

Art, relief and carriage are functions of positions, so each scan takes its values where its own pixels lay and no
resampling stands between the truth and what is tested. Positions on the sheet are millimetres from its top left corner.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pyvips

from platemark import Picture, srgb

EDGES = (((0.25, 0.3), 5.0), ((0.7, 0.3), 96.0), ((0.25, 0.72), 85.0), ((0.72, 0.72), -6.0))
"""Slanted edges for the spatial frequency response: middle as a share of the sheet, normal's angle in degrees."""
EDGE_MM = 6.0  # half a side of their squares


@dataclass(frozen=True)
class Sheet:
    """What was painted on textured paper.

    Attributes:
        width: millimetres.
        height: millimetres.
        relief: how much the lamp throws on a slope: standard deviation, a share of the light.
        seed: of art and relief.
        blur: of the slanted edges, millimetres, standard deviation.
        contrast: of the art's washes.
    """

    width: float = 40.0
    height: float = 50.0
    relief: float = 0.02
    seed: int = 3
    blur: float = 0.05
    contrast: float = 1.0

    @cached_property
    def _grain(self):
        """Waves of the relief: 0.25 to 1.2 mm long, in all directions, all as steep."""
        random = np.random.default_rng(self.seed + 100)
        length, angle = random.uniform(0.25, 1.2, 24), random.uniform(0, np.pi, 24)
        return 2 * np.pi / length, angle, random.uniform(0, 2 * np.pi, 24)

    def slope(self, x, y, degrees):
        """How steeply the paper rises towards a direction (degrees from x to y); its mean square is 1."""
        total = np.zeros(x.shape)
        for wave, angle, phase in zip(*self._grain, strict=True):
            share = np.cos(np.radians(degrees) - angle)
            total += share * np.cos(wave * (np.cos(angle) * x + np.sin(angle) * y) + phase)
        return total / np.sqrt(len(self._grain[0]) / 4)

    def art(self, x, y):
        """Encoded values, 0 to 1, three channels: washes with clear and with soft rims, dry brush, slanted edges."""
        random = np.random.default_rng(self.seed)
        bands = []
        brush = np.zeros(x.shape)
        for _ in range(12):
            angle, length, phase = random.normal(0.2, 0.15), random.uniform(0.3, 1.5), random.uniform(0, 2 * np.pi)
            brush += np.sin((np.sin(angle) * x + np.cos(angle) * y) * 2 * np.pi / length + phase)
        dry = 0.5 + 0.5 * np.tanh(1.5 * brush - 1.5)
        for _ in range(3):
            wave = np.zeros(x.shape)
            for _ in range(9):
                angle, length, phase = random.uniform(0, np.pi), random.uniform(4, 25), random.uniform(0, 2 * np.pi)
                wave += np.sin((np.cos(angle) * x + np.sin(angle) * y) * 2 * np.pi / length + phase)
            bands.append(0.7 + self.contrast * (0.12 * np.tanh(3 * wave) + 0.03 * wave - 0.15 * dry * (wave > -1)))
        return self._edged(np.stack(bands, axis=-1), x, y)

    def _edged(self, values, x, y):
        """Squares of plain paper on the sheet, each with a slanted edge through its middle."""
        if not self.blur:
            return values
        for (across, down), degrees in EDGES:
            dx, dy = x - across * self.width, y - down * self.height
            u = np.cos(np.radians(degrees)) * dx + np.sin(np.radians(degrees)) * dy
            edge = 0.55 + 0.25 * _error_function(u / self.blur / np.sqrt(2))
            inside = (np.maximum(abs(dx), abs(dy)) < EDGE_MM)[..., None]
            values = np.where(inside, edge[..., None], values)
        return values


def _error_function(x):
    """To 1.5e-7. Source: Abramowitz and Stegun, 7.1.26."""
    t = 1 / (1 + 0.3275911 * abs(x))
    poly = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))))
    return np.sign(x) * (1 - poly * np.exp(-x * x))


@dataclass(frozen=True)
class Flatbed:
    """A scanner and how the sheet lay on it.

    Attributes:
        turn: of the sheet, degrees counter-clockwise on screen; about 0 or 180.
        shift: of the sheet's middle off the bed's, millimetres.
        ppi: density.
        stretch: of the carriage.
        wander: amplitude of the carriage's wander, millimetres.
        phase: of the wander; a mechanism does not run the same way twice.
        lamp: how much darker the right edge of the bed is than the left.
        noise: standard deviation, of full scale.
        margin: of the bed around the sheet, millimetres.
        gain: of the whole scan, encoded.
    """

    turn: float = 0.0
    shift: tuple[float, float] = (0.0, 0.0)
    ppi: float = 300.0
    stretch: float = 0.004
    wander: float = 0.06
    phase: float = 0.0
    lamp: float = 0.04
    noise: float = 0.004
    margin: float = 0.0
    gain: float = 1.0

    def size(self, sheet):
        return tuple(round((side + 2 * self.margin) / 25.4 * self.ppi) for side in (sheet.width, sheet.height))

    def displaced(self, y):
        """Where the carriage truly was, millimetres down the bed, when it should have been at y."""
        waves = 0.7 * np.sin(2 * np.pi * y / 67 + self.phase) + 0.3 * np.sin(2 * np.pi * y / 31 + 2 * self.phase)
        return y * (1 + self.stretch) + self.wander * waves

    def on_sheet(self, sheet, x, y):
        """Positions on the sheet, millimetres, of positions in the scan, pixels."""
        across, down = x / self.ppi * 25.4, self.displaced(y / self.ppi * 25.4)
        dx = across - sheet.width / 2 - self.margin - self.shift[0]
        dy = down - sheet.height / 2 - self.margin - self.shift[1]
        cos, sin = np.cos(np.radians(self.turn)), np.sin(np.radians(self.turn))
        return sheet.width / 2 + cos * dx - sin * dy, sheet.height / 2 + sin * dx + cos * dy

    def in_scan(self, sheet, x, y):
        """The way back: positions in the scan, pixels, of positions on the sheet, millimetres."""
        dx, dy = x - sheet.width / 2, y - sheet.height / 2
        cos, sin = np.cos(np.radians(self.turn)), np.sin(np.radians(self.turn))
        across = cos * dx + sin * dy + sheet.width / 2 + self.margin + self.shift[0]
        down = -sin * dx + cos * dy + sheet.height / 2 + self.margin + self.shift[1]
        should = down
        for _ in range(12):
            should = should - (self.displaced(should) - down)
        return across / 25.4 * self.ppi, should / 25.4 * self.ppi

    def values(self, sheet, rows=None, *, relief=True, noise=True):
        """The scan, 0 to 1, of all or some rows (first, end)."""
        width, height = self.size(sheet)
        first, end = rows or (0, height)
        x, y = np.meshgrid(np.arange(width) + 0.5, np.arange(first, end) + 0.5)
        u, v = self.on_sheet(sheet, x, y)
        light = self.gain * (1 - self.lamp * (x / width) ** 2)
        if relief:
            # The lamp shines down the carriage, which on a sheet that lies turned comes from below.
            light = light * (1 + sheet.relief * sheet.slope(u, v, 90 + self.turn))
        values = sheet.art(u, v) * light[..., None]
        outside = (u < 0) | (v < 0) | (u > sheet.width) | (v > sheet.height)
        values[outside] = 0.92 * self.gain
        if noise:
            random = np.random.default_rng([round(self.turn * 1000) % 360000, first])
            values = values + random.normal(scale=self.noise, size=values.shape)
        return np.clip(values, 0, 1)

    def scan(self, sheet, **kinds):
        return picture(self.values(sheet, **kinds), self.ppi)


def picture(values, ppi):
    whole = np.rint(values * 65535).astype(np.uint16)
    image = pyvips.Image.new_from_memory(whole.tobytes(), whole.shape[1], whole.shape[0], 3, "ushort")
    return Picture.of(image.copy(interpretation="rgb16"), srgb(), ppi)


def response(array, middle, degrees, half):
    """The spatial frequency response of a slanted edge, one channel, and its cycles per pixel.

    Source: ISO 12233:2017, annex D: the edge fitted by a line, values binned to quarters of a pixel across it, the
    difference windowed (Hamming) and transformed.
    """
    x0, y0 = (round(value) for value in middle)
    patch = array[y0 - half : y0 + half, x0 - half : x0 + half].astype(float)
    if abs(np.sin(np.radians(degrees))) > 0.5:  # an edge that lies: stand it up
        patch = patch.T
    across = np.arange(patch.shape[1])
    slope = abs(np.diff(patch, axis=1))
    near = abs(across[:-1] + 1 - half) < half / 2
    weight = slope * near * (slope > 0.3 * slope.max())
    lines = (weight * (across[:-1] + 1.0)).sum(axis=1) / np.maximum(weight.sum(axis=1), 1e-9)
    rows = np.arange(len(lines))
    good = weight.sum(axis=1) > 0
    a, b = np.polyfit(rows[good], lines[good], 1)
    distance = (across[None, :] + 0.5 - (a * rows[:, None] + b)) / np.sqrt(1 + a * a)
    reach = half * 2 // 3
    bins = np.floor((distance + reach) * 4).astype(int)
    inside = (bins >= 0) & (bins < reach * 8)
    total = np.bincount(bins[inside], patch[inside], reach * 8)
    spread = total / np.bincount(bins[inside], minlength=reach * 8)
    line = np.diff(spread) * np.hamming(reach * 8 - 1)
    spectrum = abs(np.fft.rfft(line, reach * 8 * 4))
    return np.arange(len(spectrum)) / (reach * 8), spectrum / spectrum[0]
