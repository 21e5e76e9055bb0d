"""The outline: a small picture of a scan with what was found drawn on it."""

from io import BytesIO

from PIL import Image, ImageDraw, ImageFont

from platemark.contract.division import Division
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import srgb

_LONGEST = 1200
# Orange on blue-white papers and black lids alike; a dark line under it keeps it visible on orange art.
_LINE, _UNDER = "#ff7a00", "#202020"
_QUALITY = 88


def outlined(picture: Picture, division: Division) -> bytes:
    """A JPEG of the scan, at most 1200 pixels long, each item outlined and numbered."""
    small = picture.reduced(picture.ppi * min(1.0, _LONGEST / max(picture.size))).converted(srgb())
    image = Image.fromarray(small.eight_bits())
    scale = image.width / picture.width
    draw = ImageDraw.Draw(image)
    for number, item in enumerate(division.items, start=1):
        corners = [(x * scale, y * scale) for x, y in item.corners]
        for colour, width in ((_UNDER, 5), (_LINE, 2)):
            draw.line([*corners, corners[0]], fill=colour, width=width, joint="curve")
        at = (corners[0][0] + 12, corners[0][1] + 8)
        draw.text(at, str(number), fill=_LINE, stroke_width=3, stroke_fill=_UNDER, font=ImageFont.load_default(32))
    buffer = BytesIO()
    image.save(buffer, "JPEG", quality=_QUALITY)
    return buffer.getvalue()
