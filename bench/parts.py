"""Drawn sets of parts with known truth: originals too large for the bed, scanned in two to six parts.

    python bench/parts.py FOLDER [--first 0] [--count 10] [--lossless]

FOLDER takes the scans, the whole originals and a truth.json for `joining.py` and `joining_whole.py`. A set follows
from its number alone. Each part has an angle, an exposure, a fall-off of the lamp, noise and a file of its own, the
whole set one carriage; the art is drawn at 8 pixels a millimetre and sampled once for each part. The whole original is
as the same lens sees it, without lamp, noise and file: what differs is what scanning and joining did.
"""

import argparse
import json
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pyvips
from art import PER_MM, paint
from laying import BED, LIDS, MM, PAPERS, PPI
from numpy.typing import NDArray
from PIL import Image

from platemark import Affine

Doubles = NDArray[np.float64]

_FINE = 2  # the art is drawn for a sheet twice as large, and taken as twice as fine
# Parts across and down, the art, and millimetres that neighbours share.
SETS = (
    (2, 1, "bleed", 45),
    (3, 1, "wash", 60),
    (2, 1, "ink", 35),
    (1, 2, "margin", 50),
    (2, 2, "wash", 45),
    (2, 1, "wash", 30),
    (3, 1, "border", 40),
    (2, 2, "bleed", 35),
    (2, 1, "lines", 60),
    (3, 2, "margin", 40),
)


@dataclass(frozen=True)
class Original:
    """A whole sheet: its size in millimetres and its light, linear, at `_FINE` x `PER_MM` pixels a millimetre."""

    size: tuple[float, float]
    light: Doubles

    def sampled(self, to_sheet: Affine, width: int, height: int) -> Doubles:
        """Light at the pixels of a scan; `to_sheet` takes their positions to millimetres."""
        fine = to_sheet.then(Affine.scaling(_FINE * PER_MM))
        data = (fine.a, fine.b, fine.tx, fine.c, fine.d, fine.ty)
        kind = {"method": Image.Transform.AFFINE, "data": data, "resample": Image.Resampling.BICUBIC}
        bands = [Image.fromarray(self.light[..., k]).transform((width, height), **kind) for k in range(3)]
        return np.stack([np.asarray(band) for band in bands], axis=-1)


def drawn(number: int, folder: Path, *, lossless: bool) -> dict[str, Any]:
    """Draw one set into the folder and tell its truth."""
    across, down, art, shared = SETS[number % len(SETS)]
    random = np.random.default_rng([30, number])
    margin = float(random.uniform(4, 9))
    step = np.array(BED) - shared
    whole = np.array([across - 1, down - 1]) * step + np.array(BED) - 2 * margin
    original = _original(art, (float(whole[0]), float(whole[1])), random)
    name = f"p{number:02d}-{across}x{down}-{art}"
    reference = f"{name}-reference.png"
    width, height = (round(side * MM) for side in whole)
    original = _seen(original, 0.9)  # two thirds of a pixel of the scan, so that sampling folds little back
    _write(_encoded(original.sampled(Affine.scaling(1 / MM), width, height)), folder / reference)
    stretch = 1 + float(random.choice([0.0, random.normal(0, 0.002)]))
    parts = []
    for place in range(across * down):
        corner = np.array([place % across, place // across]) * step - margin + random.uniform(-2, 2, 2)
        parts.append(_part(original, corner, (stretch, lossless), folder / f"{name}-{place + 1}", random))
    files = [part["file"] for part in parts]
    return {"set": name, "files": files, "reference": reference, "dpi": PPI, "parts": parts, "stretch": stretch}


def _original(art: str, size: tuple[float, float], random: np.random.Generator) -> Original:
    large = (size[0] * _FINE, size[1] * _FINE)
    columns, rows = (round(side * PER_MM) for side in large)
    v, u = np.mgrid[0:rows, 0:columns] / PER_MM
    paper = PAPERS[str(random.choice(["white", "natural", "cream"]))]
    levels = paint(art, u, v, large, paper, random)
    return Original(size, _light(levels / 255))


def _seen(original: Original, blur: float) -> Original:
    """Through a lens: soft by `blur` pixels of the drawing, before it is sampled."""
    smooth = pyvips.Image.new_from_array(original.light).gaussblur(blur, precision="float")
    return Original(original.size, smooth.numpy())


def _part(
    original: Original, corner: Doubles, made: tuple[float, bool], path: Path, random: np.random.Generator
) -> dict[str, Any]:
    """Scan one part whose top left corner lies at `corner` of the sheet, mm; `made`: stretched, and without loss."""
    stretch, lossless = made
    width, height = (round(side * MM) for side in BED)
    turn = Affine.rotation(float(random.normal(0, 0.5)), about=(width / 2, height / 2))
    to_sheet = Affine.scaling(1, stretch).then(turn).then(Affine.scaling(1 / MM)).then(Affine.translation(*corner))
    y, x = np.mgrid[0:height, 0:width] + 0.5
    light = _on_bed(original, to_sheet, x, y)
    blurred = pyvips.Image.new_from_array(light).gaussblur(float(random.uniform(0.2, 0.4)), precision="float").numpy()
    exposure = np.exp(random.normal(0, 0.015) + random.normal(0, 0.005, 3))
    scan = _encoded(blurred * exposure * _lamp(x / width - 0.5, y / height - 0.5, random)[..., None])
    scan += random.standard_normal(scan.shape, dtype=np.float32) * random.uniform(0.3, 0.9) / 255
    scan += random.normal(0, 0.15 / 255, (1, width, 1))
    _dust(scan, random)
    quality = int(random.choice([0, 85, 90, 93, 95])) * (not lossless)
    path = path.with_name(path.name + (".jpg" if quality else ".tif"))
    _write(scan, path, quality)
    a = to_sheet.then(Affine.scaling(MM))
    rows = [[a.a, a.b, a.tx], [a.c, a.d, a.ty]]
    told = {"exposure": exposure.tolist(), "jpeg_quality": quality or None}
    return {"file": path.name, "to_reference": rows, "size_px": [width, height], **told}


def _on_bed(original: Original, to_sheet: Affine, x: Doubles, y: Doubles) -> Doubles:
    """The sheet where it covers the glass, with the shadow of its edge, and the lid beside it."""
    u, v = to_sheet.a * x + to_sheet.b * y + to_sheet.tx, to_sheet.c * x + to_sheet.d * y + to_sheet.ty
    outside = np.maximum(np.maximum(-u, u - original.size[0]), np.maximum(-v, v - original.size[1]))
    cover = np.clip(0.5 - outside * MM, 0, 1)[..., None]
    shade = 1 - 0.15 * np.exp(-np.maximum(outside, 0) / 0.4)
    lid = _light(np.array(LIDS["white-lid"]) / 255) * shade[..., None]
    return original.sampled(to_sheet, x.shape[1], x.shape[0]) * cover + lid * (1 - cover)


def _lamp(across: Doubles, down: Doubles, random: np.random.Generator) -> Doubles:
    """A lamp is up to two percent weaker at its ends and warms up by half a percent; places from -0.5 to 0.5."""
    return 1 - random.uniform(0, 0.02) * (2 * across) ** 2 - random.normal(0, 0.0025) * down


def _dust(scan: Doubles, random: np.random.Generator) -> None:
    for _ in range(random.integers(0, 12)):
        row, column = (random.integers(2, side - 8) for side in scan.shape[:2])
        scan[row : row + random.integers(1, 3), column : column + random.integers(1, 3)] += random.normal(0, 0.1)


def _light(encoded: Doubles) -> Doubles:
    """Linear light of sRGB. Source: IEC 61966-2-1."""
    light = np.where(encoded <= 0.04045, encoded / 12.92, ((np.maximum(encoded, 0) + 0.055) / 1.055) ** 2.4)
    return np.asarray(light.astype(np.float32))


def _encoded(light: Doubles) -> Doubles:
    """The other way."""
    light = np.clip(light, 0, 1)
    encoded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)
    return np.asarray(encoded.astype(np.float32))


def _write(encoded: Doubles, path: Path, quality: int = 0) -> None:
    """A JPEG of this quality, or 16 bits."""
    full = 255 if quality else 65535
    pixels = np.rint(np.clip(encoded, 0, 1) * full).astype(np.uint8 if quality else np.uint16)
    image = pyvips.Image.new_from_array(pixels).copy(xres=PPI / 25.4, yres=PPI / 25.4)
    image.write_to_file(str(path), **({"Q": quality} if quality else {}))


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--count", type=int, default=len(SETS))
    parser.add_argument("--lossless", action="store_true", help="16 bits for all, no JPEG")
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    numbers = range(asked.first, asked.first + asked.count)
    joins = [drawn(number, asked.folder, lossless=asked.lossless) for number in numbers]
    (asked.folder / "truth.json").write_text(json.dumps({"joins": joins}, indent=1))


if __name__ == "__main__":
    main()
