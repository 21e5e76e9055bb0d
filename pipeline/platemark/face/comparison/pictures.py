"""The pictures of the page, as texts that a page can hold."""

import base64
from io import BytesIO

import numpy as np
from PIL import Image, ImageDraw

from platemark.face.comparison.scale import coloured
from platemark.flow.comparing.comparison import Comparison
from platemark.flow.comparing.laying import MM_PER_INCH, laid, overview_density, size_mm
from platemark.pixels.affine import Affine
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import srgb

_LONGEST = 900  # pixels: three stand side by side on a screen, and the page stays below a megabyte
_CLOSE_MM = 25.0  # what a close look shows: grain and brushwork at twice their size and more
_QUALITY = 88


def both(compared: Comparison) -> tuple[str, str]:
    """The two sheets in one frame, as JPEGs."""
    frame = size_mm(compared.first.picture)
    ppi = min(_LONGEST / max(frame) * MM_PER_INCH, _density(compared))
    first, second = (_image(laid(picture, placement, frame, ppi)) for picture, placement in _laid(compared))
    return _jpeg(first), _jpeg(second)


def difference(compared: Comparison) -> str:
    """The map as a PNG, with a frame about the largest area that is off."""
    colours = compared.colours
    image = Image.fromarray(coloured(colours))
    factor = max(1, round(_LONGEST / max(image.size)))
    image = image.resize((image.width * factor, image.height * factor), Image.Resampling.NEAREST)
    if colours.area:
        unit = colours.ppi / MM_PER_INCH * factor
        x, y, width, height = (side * unit for side in colours.area.box)
        draw = ImageDraw.Draw(image)
        for colour, line, out in (("#ffffff", 6, 6), ("#101418", 2, 4)):
            draw.rectangle((x - out, y - out, x + width + out, y + height + out), outline=colour, width=line)
    buffer = BytesIO()
    image.quantize(16).save(buffer, "PNG", optimize=True)
    return _text(buffer, "image/png")


def close(compared: Comparison) -> tuple[str, str] | None:
    """Where the largest area is furthest off, seen close, in both; None where nothing is off."""
    area = compared.colours.area
    if area is None:
        return None
    frame, ppi = size_mm(compared.first.picture), _density(compared)
    side = min(_CLOSE_MM, *frame)
    x, y = (min(max(0.0, at - side / 2), whole - side) for at, whole in zip(area.worst, frame, strict=True))
    shift = Affine.translation(-x, -y)
    ppi = min(ppi, _LONGEST / side * MM_PER_INCH)
    first, second = (_image(laid(p, placement.then(shift), (side, side), ppi)) for p, placement in _laid(compared))
    return _jpeg(first), _jpeg(second)


def _laid(compared: Comparison) -> tuple[tuple[Picture, Affine], tuple[Picture, Affine]]:
    return (compared.first.picture, Affine.identity()), (compared.second.picture, compared.registered.placement)


def _density(compared: Comparison) -> float:
    return min(overview_density(*sheet) for sheet in _laid(compared))


def _image(picture: Picture) -> Image.Image:
    return Image.fromarray(np.ascontiguousarray(picture.converted(srgb()).eight_bits()))


def _jpeg(image: Image.Image) -> str:
    buffer = BytesIO()
    image.save(buffer, "JPEG", quality=_QUALITY)
    return _text(buffer, "image/jpeg")


def _text(buffer: BytesIO, kind: str) -> str:
    return f"data:{kind};base64,{base64.b64encode(buffer.getvalue()).decode()}"
