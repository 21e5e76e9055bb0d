"""A small picture of a scan with the found sheets drawn on it."""

from io import BytesIO
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from platemark.flow.looking import Look
from platemark.pixels.profiles import srgb
from platemark.records.store import write_whole

_LONGEST = 1200
# Orange on blue-white papers and black lids alike; a dark line under it keeps it visible on orange art.
_LINE, _UNDER = "#ff7a00", "#202020"


def draw_found(look: Look, folder: Path) -> Path:
    """Write NAME.found.jpg into a folder; returns where.

    Raises:
        ValueError: the scan could not be opened.
        StoreError: the folder cannot be written.
    """
    if look.picture is None:
        raise ValueError(f"{look.scan.name} could not be opened")
    picture = look.picture
    small = picture.reduced(picture.ppi * min(1.0, _LONGEST / max(picture.size))).converted(srgb())
    image = Image.fromarray(small.eight_bits())
    scale = image.width / picture.width
    draw = ImageDraw.Draw(image)
    for number, item in enumerate(look.division.items, start=1):
        corners = [(x * scale, y * scale) for x, y in item.corners]
        for colour, width in ((_UNDER, 5), (_LINE, 2)):
            draw.line([*corners, corners[0]], fill=colour, width=width, joint="curve")
        at = (corners[0][0] + 12, corners[0][1] + 8)
        draw.text(at, str(number), fill=_LINE, stroke_width=3, stroke_fill=_UNDER, font=ImageFont.load_default(32))
    buffer = BytesIO()
    image.save(buffer, "JPEG", quality=88)
    folder.mkdir(parents=True, exist_ok=True)
    target = folder / f"{look.scan.stem}.found.jpg"
    write_whole(target, buffer.getvalue(), step="found", replace=True)
    return target
