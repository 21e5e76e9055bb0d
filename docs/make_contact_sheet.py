"""Makes a contact sheet of scans: what was found drawn on each, and beside it what comes out of it.

    python docs/make_contact_sheet.py FOLDER [NAME ...]

FOLDER holds scans; NAME picks some of them by the beginning of their names. Without names the first twelve are shown.
"""

import sys
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from platemark import Held, Picture
from platemark.config.model import Scanner
from platemark.contract.plugins import load_plugins
from platemark.flow.looking import Look, look_at
from platemark.pixels.depth import to_eight_bits
from platemark.testing import measure_and_apply
from platemark_stages.crop import Crop
from platemark_stages.deskew import Deskew

OUT = Path(__file__).parent / "found.jpg"
CELL, GAP, LABEL, COLUMNS = 260, 12, 34, 3
GREY, PAPER, INK = (120, 120, 120), (245, 245, 245), (200, 30, 40)
SUFFIXES = {".tif", ".tiff", ".jpg", ".jpeg", ".png"}


def main() -> None:
    """Look at the scans and lay them out."""
    folder, names = Path(sys.argv[1]), sys.argv[2:]
    files = [path for path in sorted(folder.iterdir()) if path.suffix.lower() in SUFFIXES]
    if names:
        files = [next(path for path in files if path.name.startswith(name)) for name in names]
    plugins = load_plugins(None)
    cells = [cell(look_at(path, Scanner(), plugins)) for path in files[:12]]
    width, height = cells[0].size
    rows = -(-len(cells) // COLUMNS)
    sheet = Image.new("RGB", (COLUMNS * (width + GAP) + GAP, rows * (height + GAP) + GAP), GREY)
    for number, picture in enumerate(cells):
        row, column = divmod(number, COLUMNS)
        sheet.paste(picture, (GAP + column * (width + GAP), GAP + row * (height + GAP)))
    sheet.save(OUT, quality=82)


def cell(look: Look) -> Image.Image:
    """One scan: as found, as cropped, and a line of words."""
    canvas = Image.new("RGB", (2 * CELL + GAP, CELL + LABEL), GREY)
    for place, picture in enumerate([_drawn(look), _cropped(look)]):
        if picture is not None:
            canvas.paste(picture, (place * (CELL + GAP) + (CELL - picture.width) // 2, (CELL - picture.height) // 2))
    draw, font = ImageDraw.Draw(canvas), ImageFont.load_default(13)
    division, first = look.division, (look.division.items or (None,))[0]
    said = division.decision if first is None else f"{division.decision}, {first.skew:+.2f}°, {first.confidence:.0%}"
    if len(division.items) > 1:
        said = f"{len(division.items)} sheets found, the first: {said}"
    draw.text((2, CELL + 2), f"{look.scan.stem}: {said}", PAPER, font)
    if division.decision != "found":
        draw.text((2, CELL + 17), division.reason.partition(":")[0][:84], PAPER, font)
    return canvas


def _small(picture: Picture, longest: int) -> Image.Image:
    reduced = picture.reduced(picture.ppi * longest / max(picture.size))
    image = to_eight_bits(reduced.pixels())
    mode = "L" if image.bands == 1 else "RGB"
    small = Image.frombytes(mode, (image.width, image.height), image.write_to_memory()).convert("RGB")
    small.thumbnail((longest, longest))
    return small


def _drawn(look: Look) -> Image.Image | None:
    """The scan with its sheets outlined."""
    if look.picture is None:
        return None
    twice = _small(look.picture, 2 * CELL)
    scale = twice.width / look.picture.width
    draw = ImageDraw.Draw(twice)
    for item in look.division.items:
        corners = [(x * scale, y * scale) for x, y in item.corners]
        draw.line([*corners, corners[0], corners[1]], fill=INK, width=4, joint="curve")
        x, y = corners[0]
        draw.ellipse((x - 7, y - 7, x + 7, y + 7), fill=INK)  # the sheet's own top left
    return twice.resize((twice.width // 2, twice.height // 2), Image.Resampling.LANCZOS)


def _cropped(look: Look) -> Image.Image | None:
    """What comes out: the first sheet of several stands for all."""
    if look.picture is None or look.division.decision == "held":
        return None
    picture = look.picture
    if len(look.division.items) > 1:
        picture.facts.update(look.division.items[0].facts)
    try:
        _, straight = measure_and_apply(Deskew, picture)
        _, cropped = measure_and_apply(Crop, straight)
    except Held:
        return None
    return _small(cropped, CELL)


if __name__ == "__main__":
    main()
