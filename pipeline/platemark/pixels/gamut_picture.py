"""A picture of a gamut: its outline on the plane of a* and b*, over the colours themselves, beside that of sRGB."""

from io import BytesIO

import numpy as np
import pyvips
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from platemark.pixels.colour import from_lab
from platemark.pixels.depth import to_eight_bits
from platemark.pixels.profile_facts import outline
from platemark.pixels.profiles import Profile, srgb

_SIDE, _REACH = 640, 140  # pixels; a* and b* from -140 to 140: CIELAB in profiles ends at 128
_LIGHTNESS = 65.0
_INK, _FADED, _FAINT, _PAPER = "#1a1a1a", "#505050", "#9a9a9a", (250, 250, 250)


def gamut_picture(profile: Profile) -> bytes:
    """A PNG: inside the profile's outline the colours at L* 65, as far as a screen can show them."""
    ours = _on_paper(outline(profile))
    mask = Image.new("L", (_SIDE, _SIDE))
    ImageDraw.Draw(mask).polygon(ours, fill=255)
    picture = Image.new("RGB", (_SIDE, _SIDE), _PAPER)
    picture.paste(Image.fromarray(_colours()), (0, 0), mask)
    draw = ImageDraw.Draw(picture)
    _axes(draw)
    draw.line(_closed(_on_paper(outline(srgb()))), fill=_FAINT, width=2)
    draw.line(_closed(ours), fill=_INK, width=3)
    _write(draw, (12, 10), profile.description, _INK)
    _write(draw, (12, 30), "dark line: its outline; grey line: sRGB", _INK)
    buffer = BytesIO()
    picture.save(buffer, "PNG", optimize=True)
    return buffer.getvalue()


def _colours() -> NDArray[np.uint8]:
    across = (np.arange(_SIDE) + 0.5) / _SIDE * 2 * _REACH - _REACH
    a, b = np.meshgrid(across, -across)
    lab = np.stack([np.full_like(a, _LIGHTNESS), a, b], axis=2).astype(np.float32)
    image = to_eight_bits(from_lab(pyvips.Image.new_from_memory(lab.tobytes(), _SIDE, _SIDE, 3, "float"), srgb()))
    return np.frombuffer(image.write_to_memory(), np.uint8).reshape(_SIDE, _SIDE, 3)


def _axes(draw: ImageDraw.ImageDraw) -> None:
    middle = _SIDE // 2
    for ring in (50, 100):
        radius = ring / _REACH * middle
        draw.ellipse((middle - radius, middle - radius, middle + radius, middle + radius), outline=_FAINT)
        _write(draw, (middle + radius * 0.72, middle - radius * 0.72), str(ring), _FADED)
    draw.line((0, middle, _SIDE, middle), fill=_FAINT)
    draw.line((middle, 0, middle, _SIDE), fill=_FAINT)
    for words, x, y in (("green", 6, middle + 4), ("red", _SIDE - 34, middle + 4),
                        ("blue", middle + 6, _SIDE - 22), ("yellow", middle + 6, 52)):  # fmt: skip
        _write(draw, (x, y), words, _FADED)


def _write(draw: ImageDraw.ImageDraw, at: tuple[float, float], words: str, colour: str) -> None:
    """With a light rim, so that it is read on any colour."""
    draw.text(at, words, fill=colour, font=ImageFont.load_default(15), stroke_width=2, stroke_fill=_PAPER)


def _on_paper(plane: NDArray[np.float64]) -> list[tuple[float, float]]:
    return [((a / _REACH + 1) * _SIDE / 2, (1 - b / _REACH) * _SIDE / 2) for a, b in plane.tolist()]


def _closed(points: list[tuple[float, float]]) -> list[tuple[float, float]]:
    return [*points, points[0]]
