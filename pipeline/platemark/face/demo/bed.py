"""The simulated scanner: paper that takes up paint, a sheet laid askew on a bed, and what a flatbed adds.

Everything is in linear light (16-bit libvips images, 65535 = a perfect white) until `digitise`. Scan positions are
pixels, x to the right and y down, with the centre of the first pixel at (0.5, 0.5).
"""

import math
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
import pyvips
from numpy.typing import NDArray
from PIL import Image, ImageDraw

from platemark.face.demo import WORK_STEP, Painting

Floats = NDArray[np.float32]
Corners = tuple[tuple[float, float], ...]

WHITE = 65535
PAPER = (0.862, 0.838, 0.775)  # linear reflectance of a natural white cotton paper, close to L* 93, b* 4
LID = (0.868, 0.877, 0.880)  # a lid is a cooler white than paper; this is all that parts them on the lit sides
DENSITY_STEPS = 6000  # steps per unit of (natural) optical density; 16 bits then reach density 10.9, blacker than ink
BLUR_PX = 0.6  # point spread of a flatbed's optics, standard deviation
NOISE_TILE = 509  # pixels; a prime, so that it falls in step with nothing
NOISE_CODES = 0.55  # sensor noise, standard deviation in 8-bit codes


@dataclass(frozen=True)
class Bed:
    """A scanner bed and how a sheet lies on it.

    Attributes:
        width_mm: width of the scanned area.
        height_mm: height of the scanned area.
        centre_mm: where the centre of the sheet lies, from the top left of the bed.
        skew: degrees, positive = the sheet is turned counter-clockwise on screen.
    """

    width_mm: float
    height_mm: float
    centre_mm: tuple[float, float]
    skew: float

    def size_px(self, ppi: int) -> tuple[int, int]:
        """Width and height of the scan in pixels."""
        return round(self.width_mm / 25.4 * ppi), round(self.height_mm / 25.4 * ppi)

    def axes(self) -> tuple[float, float]:
        """Cosine and sine of the skew: the sheet's own right is (cos, -sin) on the screen, its own down (sin, cos)."""
        return math.cos(math.radians(self.skew)), math.sin(math.radians(self.skew))

    def corners_px(self, sheet_mm: tuple[float, float], ppi: int) -> Corners:
        """Corners of the sheet in the scan, clockwise from the sheet's own top left."""
        cos, sin = self.axes()
        half_w, half_h = sheet_mm[0] / 2, sheet_mm[1] / 2
        turned = ((-half_w, -half_h), (half_w, -half_h), (half_w, half_h), (-half_w, half_h))
        return tuple(
            (
                (self.centre_mm[0] + cos * x + sin * y) / 25.4 * ppi,
                (self.centre_mm[1] - sin * x + cos * y) / 25.4 * ppi,
            )
            for x, y in turned
        )


def scan(painting: Painting, bed: Bed, ppi: int, seed: int) -> pyvips.Image:
    """Paint on paper, laid on the bed and read by the sensor.

    Args:
        painting: what was painted; its size is the size of the sheet.
        bed: the bed, and how the sheet lies on it.
        ppi: resolution of the scan and of the painting.
        seed: of paper, dust and noise.

    Returns:
        16 bits a channel, encoded with the sRGB curve.
    """
    random = np.random.Generator(np.random.PCG64(seed))
    sheet = painted_paper(painting, ppi, random)
    light = lay(sheet, painting.size_mm, bed, ppi)
    size = bed.size_px(ppi)
    light = light * fall_off(*size) * dust(*size, ppi, random)
    return digitise(light, random)


def painted_paper(painting: Painting, ppi: int, random: np.random.Generator) -> pyvips.Image:
    """The sheet in linear light: pigment settled in the relief of the paper, and the relief lit from one side."""
    rows, columns = painting.density.shape[:2]
    relief = paper_relief(rows, columns, ppi / WORK_STEP, random)
    # Pigment runs into the hollows, a fifth more there in a thin wash; thick paint fills the relief and hides it.
    thin = painting.density / (1 + 1.5 * painting.density)
    settled = enlarge(painting.density - 0.2 * np.clip(relief, -2, 2)[:, :, None] * thin)
    ink = pyvips.Image.new_from_array(painting.ink)
    # A pen skips where the paper is low, so the line breaks up along its edges.
    line = (ink * (1 / 255) - enlarge(np.clip(-relief, 0, 2) * 0.14)).clamp()
    density = settled + line * list(painting.ink_density)
    light = (density * DENSITY_STEPS).cast("ushort").maplut(transmittance())
    slope = np.diff(relief, axis=1, append=relief[:, -1:]) * np.float32(ppi / 150)
    lit = enlarge(1 + 0.011 * slope)
    return (light * [part * WHITE for part in PAPER] * lit).cast("ushort").copy_memory()


def paper_relief(rows: int, columns: int, ppi: float, random: np.random.Generator) -> Floats:
    """Height of cold-pressed paper, in standard deviations: bumps of about a millimetre, without long waves."""
    noise = pyvips.Image.new_from_array(random.standard_normal((rows, columns), dtype=np.float32))
    per_mm = ppi / 25.4
    wide, narrow, fine = (noise.gaussblur(max(sigma * per_mm, 0.3)) for sigma in (0.75, 0.3, 0.13))
    felt = 3.2 * (narrow - wide) + (fine - narrow)
    height: Floats = np.asarray(felt.numpy(), dtype=np.float32)
    return height / np.float32(felt.deviate())


def enlarge(field: NDArray[np.floating[Any]]) -> pyvips.Image:
    """From the grid of paint to the grid of the scan."""
    return pyvips.Image.new_from_array(np.ascontiguousarray(field, dtype=np.float32)).resize(WORK_STEP, kernel="linear")


@cache
def transmittance() -> pyvips.Image:
    """Table from optical density to the share of light that comes back, in 16 bits."""
    table = [round(WHITE * math.exp(-step / DENSITY_STEPS)) for step in range(WHITE + 1)]
    return pyvips.Image.new_from_array(np.array([table], dtype=np.uint16)) * (1 / WHITE)


def lay(sheet: pyvips.Image, sheet_mm: tuple[float, float], bed: Bed, ppi: int) -> pyvips.Image:
    """Lay the sheet on the bed, under the lid, with exact coverage along its edges and a soft shadow on two sides."""
    width, height = bed.size_px(ppi)
    cos, sin = bed.axes()
    centre = [mm / 25.4 * ppi for mm in bed.centre_mm]
    middle = [mm / 25.4 * ppi / 2 - 0.5 for mm in sheet_mm]
    turned = sheet.affine(
        [cos, sin, -sin, cos],
        interpolate=pyvips.Interpolate.new("bicubic"),
        oarea=[0, 0, width, height],
        odx=centre[0] - 0.5 - cos * middle[0] - sin * middle[1],
        ody=centre[1] - 0.5 + sin * middle[0] - cos * middle[1],
        extend="copy",
    )
    cover = coverage(sheet_mm, bed, ppi)
    lid = shadow(cover, ppi) * [part * WHITE for part in LID]
    return lid + (turned - lid) * cover


def coverage(sheet_mm: tuple[float, float], bed: Bed, ppi: int) -> pyvips.Image:
    """Share of each scan pixel that lies on the sheet: for an edge, the distance of the centre from it plus a half."""
    cos, sin = bed.axes()
    grid = pyvips.Image.xyz(*bed.size_px(ppi)) + [0.5 - mm / 25.4 * ppi for mm in bed.centre_mm]
    across, along = grid[0] * cos - grid[1] * sin, grid[0] * sin + grid[1] * cos
    inside = [
        (half.abs() * -1 + (mm / 50.8 * ppi + 0.5)).clamp() for half, mm in zip((across, along), sheet_mm, strict=True)
    ]
    return (inside[0] * inside[1]).copy_memory()


def shadow(cover: pyvips.Image, ppi: int) -> pyvips.Image:
    """The light that is left on the lid: the lamp stands at the top left, so paper darkens it at right and below."""
    width, height, per_mm = cover.width, cover.height, ppi / 25.4
    near = cover.embed(round(0.35 * per_mm), round(0.5 * per_mm), width, height, extend="copy")
    # A shadow this soft needs no more than a quarter of the resolution, and a sixteenth of the time.
    small = near.resize(1 / 4, kernel="linear")
    soft = small.gaussblur(0.22 * per_mm / 4) * 0.17 + small.gaussblur(0.9 * per_mm / 4) * 0.06
    return 1 - soft.resize(width / soft.width, vscale=height / soft.height, kernel="linear")


def fall_off(width: int, height: int) -> pyvips.Image:
    """The lamp is weaker towards its ends."""
    x = np.linspace(-1, 1, width, dtype=np.float32)[None, :]
    return pyvips.Image.new_from_array(1 - 0.022 * x * x - 0.006 * x).replicate(1, height)


def dust(width: int, height: int, ppi: int, random: np.random.Generator) -> pyvips.Image:
    """Specks and two short hairs on the glass, as the share of the light they let through."""
    glass = Image.new("L", (width, height), 255)
    draw = ImageDraw.Draw(glass)
    per_mm = ppi / 25.4
    for _ in range(26):
        x, y = random.uniform(0, width), random.uniform(0, height)
        radius = random.uniform(0.03, 0.11) * per_mm
        draw.ellipse((x - radius, y - radius, x + radius, y + radius), fill=int(random.integers(120, 225)))
    for _ in range(2):
        start = random.uniform(0.1, 0.9, 2) * (width, height)
        hair = start + np.cumsum(random.uniform(-0.5, 0.9, (7, 2)) * per_mm, axis=0)
        draw.line(hair.ravel().tolist(), fill=205, width=max(1, round(0.06 * per_mm)), joint="curve")
    return pyvips.Image.new_from_array(np.asarray(glass)) * (1 / 255)


def digitise(light: pyvips.Image, random: np.random.Generator) -> pyvips.Image:
    """Optics, sensor noise and the sRGB curve."""
    soft = light.cast("ushort").gaussblur(BLUR_PX).maplut(srgb_curve())
    # Noise for every pixel took most of this step, so one tile of it covers the bed; the repeat cannot be seen.
    tile = random.standard_normal((NOISE_TILE, NOISE_TILE, 3), dtype=np.float32) * np.float32(NOISE_CODES * 257)
    across, down = soft.width // NOISE_TILE + 1, soft.height // NOISE_TILE + 1
    noise = pyvips.Image.new_from_array(tile).replicate(across, down).crop(0, 0, soft.width, soft.height)
    codes = (soft + noise).rint().cast("ushort")
    return codes.copy(interpretation="rgb16")


@cache
def srgb_curve() -> pyvips.Image:
    """Table from linear light to sRGB, both 16 bits.

    Source: IEC 61966-2-1.
    """
    light = [step / WHITE for step in range(WHITE + 1)]
    codes = [12.92 * part if part <= 0.0031308 else 1.055 * part ** (1 / 2.4) - 0.055 for part in light]
    return pyvips.Image.new_from_array(np.array([[round(WHITE * code) for code in codes]], dtype=np.uint16))
