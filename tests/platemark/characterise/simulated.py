"""Scans of colour charts, drawn from numbers: a scanner with a matrix, crosstalk, flare, a tone curve and noise.

The way is that of a real one: reflectance as XYZ (D50), what three sensors make of it, stray light, the curve of its
software, noise, whole codes.
"""

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

Numbers = NDArray[np.float64]
Pixels = NDArray[np.uint16]

D50 = np.array([0.9642, 1.0, 0.8249])
# XYZ (D50) to linear opRGB: IEC 61966-2-5 primaries carried over by the Bradford transform. Sensors of a scanner see
# something of that kind, and each a little of its neighbours' light.
TO_RGB = np.linalg.inv([[0.6097, 0.2053, 0.1492], [0.3111, 0.6257, 0.0632], [0.0195, 0.0609, 0.7446]])
CROSSTALK = np.array([[0.90, 0.08, 0.02], [0.06, 0.87, 0.07], [0.02, 0.10, 0.88]])


def xyz_of(lab: Numbers) -> Numbers:
    """CIE 15:2004, 8.2.1, backwards."""
    fy = (lab[..., 0] + 16) / 116
    f = np.stack([fy + lab[..., 1] / 500, fy, fy - lab[..., 2] / 200], axis=-1)
    return np.where(f > 6 / 29, f**3, (116 * f - 16) * 27 / 24389) * D50


@dataclass(frozen=True)
class Scanner:
    """A made-up scanner."""

    curve: Callable[[Numbers], Numbers] = lambda light: light ** (1 / 2.2)
    crosstalk: Numbers = field(default_factory=lambda: CROSSTALK)
    flare: float = 0.006  # of white, all over
    gain: float = 0.92  # where white paper lies, of the full scale of light
    noise: float = 0.004  # of the full scale of codes, per pixel
    bits: int = 16

    def light(self, lab: Numbers) -> Numbers:
        """What the sensors see of colours, linear, 0 to 1."""
        seen = xyz_of(lab) @ TO_RGB.T @ self.crosstalk.T
        return np.clip(self.gain * (seen + self.flare) / (1 + self.flare), 0, 1)

    def codes(self, light: Numbers, seed: int = 1) -> Pixels:
        noise = np.random.Generator(np.random.PCG64(seed)).normal(0, self.noise, light.shape)
        most = 2**self.bits - 1
        made = np.rint(np.clip(self.curve(light) + noise, 0, 1) * most).astype(np.uint16)
        return made if self.bits == 16 else made.astype(np.uint8)


@dataclass(frozen=True)
class Chart:
    """How a chart looks and lies: its patches row by row, upright."""

    lab: Numbers  # (rows, columns, 3)
    patch: int = 40  # pixels of one step
    gap: float = 0.12  # of a step, between patches
    frame: tuple[float, float, float] = (18.0, 0.0, 0.0)  # CIELAB between and around the patches
    bed: tuple[float, float, float] = (88.0, 0.0, 1.0)
    skew: float = 0.0  # degrees counter-clockwise
    turns: int = 0  # quarters counter-clockwise
    size: tuple[int, int] | None = None  # of the bed: rows, columns

    def bed_size(self) -> tuple[int, int]:
        rows, columns = (np.array(self.lab.shape[:2]) + 1) * self.patch
        longest = int(np.hypot(rows, columns) * 1.15)
        return self.size or (longest, longest)

    def lab_of_bed(self) -> Numbers:
        """CIELAB of every pixel of the bed."""
        return self._colours()[0]

    def cell_of_pixel(self) -> NDArray[np.int64]:
        """The patch that lies at each pixel, -1 for none."""
        return self._colours()[1]

    def corners(self) -> Numbers:
        """x, y of the four corners of the patches, clockwise from the chart's own left upper one."""
        rows, columns = self.lab.shape[:2]
        square = np.array([[-0.5, -0.5], [0.5, -0.5], [0.5, 0.5], [-0.5, 0.5]]) * (columns, rows) * self.patch
        angle = np.radians(self.skew + 90 * self.turns)
        turn = np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
        height, width = self.bed_size()
        return square @ turn.T + (width / 2, height / 2)

    def _colours(self) -> tuple[Numbers, NDArray[np.int64]]:
        height, width = self.bed_size()
        rows, columns = self.lab.shape[:2]
        y, x = np.mgrid[0:height, 0:width] + 0.5
        angle = np.radians(self.skew + 90 * self.turns)
        dx, dy = x - width / 2, y - height / 2
        across = (dx * np.cos(angle) - dy * np.sin(angle)) / self.patch + columns / 2
        down = (dx * np.sin(angle) + dy * np.cos(angle)) / self.patch + rows / 2
        column, row = np.floor(across).astype(int), np.floor(down).astype(int)
        on_grid = (column >= 0) & (column < columns) & (row >= 0) & (row < rows)
        inner = (np.abs(across - column - 0.5) <= 0.5 - self.gap / 2) & (np.abs(down - row - 0.5) <= 0.5 - self.gap / 2)
        on_frame = (across > -0.4) & (across < columns + 0.4) & (down > -0.4) & (down < rows + 0.4)
        cell = np.where(on_grid & inner, row * columns + column, -1)
        lab = np.where(on_frame[..., None], np.array(self.frame), np.array(self.bed))
        flat = self.lab.reshape(-1, 3)
        return np.where((cell >= 0)[..., None], flat[cell.clip(0)], lab), cell


def scanned(chart: Chart, scanner: Scanner | None = None, seed: int = 1) -> Pixels:
    """A scan of a chart, (rows, columns, 3)."""
    scanner = scanner or Scanner()
    return scanner.codes(scanner.light(chart.lab_of_bed()), seed)


def turned(chart: Chart, **how: object) -> Chart:
    return replace(chart, **how)


def many_colours(rows: int, columns: int, seed: int = 7) -> Numbers:
    """Colours spread over what pigments reach, a grey ramp down the first two columns: (rows, columns, 3)."""
    random = np.random.Generator(np.random.PCG64(seed))
    count = rows * columns
    lightness = random.uniform(20, 93, count)
    hue = random.uniform(0, 2 * np.pi, count)
    # The most chroma that paints have lies at middle lightness (Pointer 1980, roughly).
    most = 75 * (1 - np.abs(lightness - 55) / 60)
    chroma = most * np.sqrt(random.uniform(0, 1, count))
    lab = np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], axis=1).reshape(rows, columns, 3)
    ramp = np.linspace(95, 12, 2 * rows)
    lab[:, 0] = np.c_[ramp[:rows], np.zeros((rows, 2))]
    lab[:, 1] = np.c_[ramp[rows:], np.zeros((rows, 2))]
    return lab


def reference_text(lab: Numbers, *, numbered: bool = False, xyz: bool = False) -> str:
    """The chart as its maker would describe it. Source of the form: ANSI CGATS.17, ISO 28178."""
    rows, columns = lab.shape[:2]
    names = [str(i + 1) if numbered else f"{chr(65 + i // columns)}{i % columns + 1}" for i in range(rows * columns)]
    values = xyz_of(lab).reshape(-1, 3) * 100 if xyz else lab.reshape(-1, 3)
    fields = "XYZ_X XYZ_Y XYZ_Z" if xyz else "LAB_L LAB_A LAB_B"
    lines = [f"{name} " + " ".join(f"{v:.4f}" for v in row) for name, row in zip(names, values, strict=True)]
    return "\n".join(
        ["CGATS.17", 'ORIGINATOR "a test"', "NUMBER_OF_FIELDS 4", "BEGIN_DATA_FORMAT", f"SAMPLE_ID {fields}",
         "END_DATA_FORMAT", f"NUMBER_OF_SETS {len(lines)}", "BEGIN_DATA", *lines, "END_DATA", ""]
    )  # fmt: skip


# Reflectances, and sensors that no matrix makes into an eye.

_NANOMETRES = np.arange(400, 701, 10.0)


def _bell(at: float, left: float, right: float) -> Numbers:
    return np.exp(-0.5 * ((_NANOMETRES - at) / np.where(at > _NANOMETRES, left, right)) ** 2)


def _eye() -> Numbers:
    """CIE 1931 colour matching functions. Source: Wyman, Sloan and Shirley (2013), JCGT 2(2), 1-11."""
    x = 1.056 * _bell(599.8, 37.9, 31.0) + 0.362 * _bell(442.0, 16.0, 26.7) - 0.065 * _bell(501.1, 20.4, 26.2)
    y = 0.821 * _bell(568.8, 46.9, 40.5) + 0.286 * _bell(530.9, 16.3, 31.1)
    z = 1.217 * _bell(437.0, 11.8, 36.0) + 0.681 * _bell(459.0, 26.0, 13.8)
    return np.stack([x, y, z], axis=1)


def pigments(count: int, seed: int = 11) -> Numbers:
    """Reflectances of made-up paints: a smooth edge or a bell, more or less of it, over more or less grey."""
    random = np.random.Generator(np.random.PCG64(seed))
    made = []
    for _ in range(count):
        at, width = random.uniform(430, 640), random.uniform(12, 40)
        edge = 1 / (1 + np.exp(-(_NANOMETRES - at) / width))
        shape = (edge, 1 - edge, _bell(at, 2 * width, 2 * width), 1 - _bell(at, 2 * width, 2 * width))[
            random.integers(4)
        ]
        low = random.uniform(0.03, 0.3)
        made.append(low + random.uniform(0.05, 0.9 - low) * shape)
    greys = np.geomspace(0.03, 0.9, max(6, count // 10))
    made[: len(greys)] = [np.full(len(_NANOMETRES), grey) for grey in greys]
    return np.array(made)


def seen_by_eye(reflectance: Numbers) -> Numbers:
    """CIELAB under light of equal energy, carried to D50 as it is."""
    eye = _eye()
    share = reflectance @ eye / eye.sum(axis=0)
    f = np.where(share > 216 / 24389, np.cbrt(share), (24389 / 27 * share + 16) / 116)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1)


def seen_by_sensors(reflectance: Numbers) -> Numbers:
    """Linear light of three sensors: narrower than an eye's and elsewhere, as filters and lamps of flatbeds are."""
    sensors = np.stack([_bell(605, 30, 30), _bell(538, 28, 32), _bell(455, 22, 24)], axis=1)
    return reflectance @ sensors / sensors.sum(axis=0)
