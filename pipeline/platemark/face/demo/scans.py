"""Write the demo scans: three files as scanners write them, each with the ticket the artist put beside it."""

from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path

import pyvips
import tomli_w
from PIL import Image

from platemark.face.demo import Painting
from platemark.face.demo.artwork import heron, moonrise, quince
from platemark.face.demo.bed import Bed, Corners, scan

SIXTEEN = 16
ARTIST = "Orla Fenwright"  # invented, as the pictures are


@dataclass(frozen=True)
class DemoScan:
    """One demo scan and the truth about it.

    Attributes:
        path: the file.
        skew: degrees by which the sheet lies turned, positive = counter-clockwise on screen.
        corners_px: the sheet's corners in the scan, clockwise from its own top left; x right, y down, the centre of the
            first pixel at (0.5, 0.5).
        sheet_mm: width and height of the sheet.
    """

    path: Path
    skew: float
    corners_px: Corners
    sheet_mm: tuple[float, float]


@dataclass(frozen=True)
class _Original:
    """An original, how it lies on the bed, and how its scan is saved."""

    file: str
    paint: Callable[[int], Painting]
    bed: Bed
    bits: int
    seed: int
    ticket: dict[str, str | int]


ORIGINALS = (
    _Original(
        "heron.tif",
        heron,
        Bed(210, 297, centre_mm=(103.6, 146.2), skew=1.37),
        bits=8,
        seed=1,
        ticket={"title": "Heron, first light", "year": 2023, "medium": "ink and watercolour on cold-pressed paper"},
    ),
    _Original(
        "quince.tif",
        quince,
        Bed(176, 240, centre_mm=(86.9, 118.4), skew=-2.15),
        bits=16,
        seed=2,
        ticket={"title": "Quinces and a blue jug", "year": 2024, "medium": "gouache"},
    ),
    _Original(
        "moonrise.jpg",
        moonrise,
        Bed(236, 176, centre_mm=(117.2, 88.9), skew=0.64),
        bits=8,
        seed=3,
        ticket={"title": "Moonrise over the lake", "year": 2024, "medium": "watercolour"},
    ),
)


def write_demo_scans(folder: Path, ppi: int = 300) -> list[DemoScan]:
    """Write the demo scans and their tickets.

    One is an 8-bit TIFF, one a 16-bit TIFF with its profile, one a JPEG. The same call writes the same bytes.

    Args:
        folder: where to; it is made if it is missing. Files of the same names are overwritten.
        ppi: resolution of the scans.

    Returns:
        The scans, each with where its sheet really lies.
    """
    folder.mkdir(parents=True, exist_ok=True)
    # Painting keeps one core busy, scanning all of them; two at a time fill two cores.
    with ThreadPoolExecutor(2) as pool:
        return list(pool.map(lambda original: _write(original, folder, ppi), ORIGINALS))


def _write(original: _Original, folder: Path, ppi: int) -> DemoScan:
    """Paint, scan and save one original."""
    path = folder / original.file
    painting = original.paint(ppi)
    _save(scan(painting, original.bed, ppi, original.seed), path, original.bits, ppi)
    ticket = {"artist": ARTIST, **original.ticket}
    path.with_suffix(".toml").write_bytes(tomli_w.dumps(ticket).encode())
    corners = original.bed.corners_px(painting.size_mm, ppi)
    return DemoScan(path, original.bed.skew, corners, painting.size_mm)


def _save(picture: pyvips.Image, path: Path, bits: int, ppi: int) -> None:
    """Save as a scanner would: the resolution always, a profile only with 16 bits.

    The profile is the sRGB that libvips carries: one made on the spot would have the time of day in it.
    """
    if bits == SIXTEEN:
        _with_resolution(picture, ppi).tiffsave(str(path), resunit="inch", compression="none", profile="srgb")
        return
    narrow = (picture / 257).rint().cast("uchar").copy(interpretation="srgb")
    if path.suffix == ".jpg":
        Image.fromarray(narrow.numpy()).save(path, quality=95, dpi=(ppi, ppi))
    else:
        _with_resolution(narrow, ppi).tiffsave(str(path), resunit="inch", compression="lzw", predictor="horizontal")


def _with_resolution(picture: pyvips.Image, ppi: int) -> pyvips.Image:
    """The picture, saying its resolution; libvips counts in pixels per millimetre."""
    return picture.copy(xres=ppi / 25.4, yres=ppi / 25.4)
