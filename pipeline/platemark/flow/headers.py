"""What a file says of itself before any pixel is decoded: its kind and its resolution."""

import io
import warnings
from dataclasses import dataclass
from pathlib import Path

from PIL import Image

from platemark.errors import Held

# Our own limit (config, max_megapixels) is checked before decoding; Pillow's would refuse an honest
# 170 megapixel scan. Pillow only reads headers here.
Image.MAX_IMAGE_PIXELS = None

_MAGIC = {
    b"II*\0": "TIFF",
    b"MM\0*": "TIFF",
    b"II+\0": "TIFF",
    b"MM\0+": "TIFF",
    b"\x89PNG\r\n\x1a\n": "PNG",
    b"\xff\xd8\xff": "JPEG",
}
# 72 and below is what programs write when they do not know; above 4800 no flatbed resolves anything.
# Common practice.
_LOWEST, _HIGHEST = 73.0, 4800.0
# Axes may differ by rounding to whole pixels per metre, never by more than this.
_AXES_AGREE = 0.01


@dataclass(frozen=True)
class Header:
    """Facts of the file's head.

    Attributes:
        kind: TIFF, PNG or JPEG.
        ppi: resolution, or None where the file says none, or nonsense.
        has_profile: the file carries something in the place of a colour profile.
    """

    kind: str
    ppi: float | None
    has_profile: bool


def kind_of(path: Path) -> str | None:
    """TIFF, PNG or JPEG by content; the name is not asked. None for anything else."""
    with path.open("rb") as file:
        start = file.read(8)
    return next((kind for magic, kind in _MAGIC.items() if start.startswith(magic)), None)


def read_header(path: Path, kind: str) -> Header:
    """Read what the head of a file says.

    Raises:
        Held: the two axes have different resolutions.
    """
    info = _info(path, kind)
    dpi = info.get("dpi")
    return Header(kind, _plausible(dpi, path.name), bool(info.get("icc_profile")))


def _info(path: Path, kind: str) -> dict[str, object]:
    """Pillow's reading of the header; whatever it chokes on, libvips will judge later."""
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with path.open("rb") as file, Image.open(io.BufferedReader(file), formats=[kind]) as image:
                return {str(key): value for key, value in image.info.items()}
    except Exception:  # noqa: BLE001 - a crafted header may raise anything, ValueError among it
        return {}


def _plausible(dpi: object, name: str) -> float | None:
    if not isinstance(dpi, tuple) or len(dpi) != 2:  # noqa: PLR2004 - across and down
        return None
    try:
        across, down = float(dpi[0]), float(dpi[1])
    except (TypeError, ValueError, ZeroDivisionError):
        return None
    if not (_LOWEST <= across <= _HIGHEST and _LOWEST <= down <= _HIGHEST):
        return None
    if abs(across - down) > _AXES_AGREE * max(across, down):
        raise Held(
            f"{name} says {across:g} ppi across and {down:g} ppi down: its pixels are not square",
            remedy="scan again with one resolution, or say `ppi` in its ticket after making them square",
        )
    # Whole numbers come back from pixels per metre as 299.9994; scanners know whole numbers only.
    return float(round(across)) if abs(across - round(across)) < 0.05 else round(across, 2)  # noqa: PLR2004
