"""Mishaps: what lies on a bed beside the sheet, happens to it, or is odd about the file; one to a drawn bed.

Each follows from the generator it is given alone. Lengths are millimetres, colours 8-bit grey levels.
"""

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from laying import BED, MM, Laid
from numpy.typing import NDArray
from PIL import Image, ImageDraw

Doubles = NDArray[np.float64]
Spoil = Callable[[Doubles, Laid, tuple[Doubles, Doubles], np.random.Generator], None]

TAPES = ((236.0, 226.0, 196.0), (244.0, 243.0, 238.0), (92.0, 124.0, 160.0))
# From linear sRGB to the linear RGB of 1998 primaries, both D65. Source: the product of their matrices, from memory.
WIDE = np.array([[0.7152, 0.2848, 0.0], [0.0, 1.0, 0.0], [0.0, 0.0412, 0.9588]])


def tape(picture: Doubles, item: Laid, grid: tuple[Doubles, Doubles], random: np.random.Generator) -> None:
    """Strips of paper tape over two to four corners, at about half a right angle."""
    u, v = item.places(*grid)
    colour = np.array(TAPES[random.integers(len(TAPES))])
    corners = [(-1, -1), (1, -1), (1, 1), (-1, 1)]
    for corner in random.permutation(4)[: random.integers(2, 5)]:
        at = np.array(corners[corner]) * np.array(item.size) / 2 * (1 - 6 / min(item.size))
        lean = np.radians(45 * corners[corner][0] * corners[corner][1] + random.normal(0, 8))
        across = (u - at[0]) * np.cos(lean) + (v - at[1]) * np.sin(lean)
        along = (v - at[1]) * np.cos(lean) - (u - at[0]) * np.sin(lean)
        width, length = random.uniform(12, 25) / 2, random.uniform(25, 50) / 2
        out = np.maximum(np.abs(across) - width, np.abs(along) - length)
        cover = (np.clip(0.5 - out * MM, 0, 1) * random.uniform(0.75, 0.97))[..., None]
        picture += (colour - picture) * cover


def lifted(picture: Doubles, item: Laid, grid: tuple[Doubles, Doubles], random: np.random.Generator) -> None:
    """One corner stands off the glass: it is darker, and its shadow wide and soft."""
    u, v = item.places(*grid)
    corner = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)][random.integers(4)])
    away = np.hypot(u - corner[0] * item.size[0] / 2, v - corner[1] * item.size[1] / 2)
    height = np.exp(-away / random.uniform(15, 40))
    out = np.maximum(np.abs(u) - item.size[0] / 2, np.abs(v) - item.size[1] / 2)
    beyond = np.exp(-np.maximum(out, 0) / (0.3 + 4 * height)) * random.uniform(0.1, 0.3)
    picture *= (1 - height * np.where(out > 0, beyond, random.uniform(0.02, 0.08)))[..., None]


def hairs(picture: Doubles, _item: Laid, _grid: tuple[Doubles, Doubles], random: np.random.Generator) -> None:
    """Hairs of half a centimetre to five, and some hundred specks, dark or bright."""
    rows, columns = picture.shape[:2]
    fine = columns / BED[0]
    for _ in range(random.integers(8, 30)):
        layer = Image.new("L", (columns, rows), 0)
        heading = random.uniform(0, 2 * np.pi) + np.cumsum(random.normal(0, 0.25, 30))
        steps = np.stack([np.cos(heading), np.sin(heading)], axis=1) * random.uniform(5, 50) / 30 * fine
        places = random.uniform(0, 1, 2) * (columns, rows) + np.cumsum(steps, axis=0)
        ImageDraw.Draw(layer).line([tuple(p) for p in places.tolist()], fill=255, width=1)
        low, high = np.clip(np.floor(places.min(axis=0)), 0, None), np.ceil(places.max(axis=0)) + 1
        part = (slice(int(low[1]), int(max(0, high[1]))), slice(int(low[0]), int(max(0, high[0]))))
        picture[part] -= np.asarray(layer, dtype=np.float32)[part][..., None] / 255 * random.uniform(-40, 110)
    for _ in range(random.integers(60, 300)):
        row, column = (random.integers(2, side - 8) for side in (rows, columns))
        size = max(1, round(random.uniform(0.08, 0.5) * fine))
        picture[row : row + size, column : column + size] -= random.uniform(-30, 80)


def frame(picture: Doubles, _item: Laid, grid: tuple[Doubles, Doubles], random: np.random.Generator) -> None:
    """The dark frame of the glass along one to three rims, up to 3 mm wide, askew by a tenth of a degree at most."""
    x, y = grid[0] / MM, grid[1] / MM
    level = random.uniform(15, 80)
    for rim in random.permutation(4)[: random.integers(1, 4)]:
        into, along = ((y, x), (BED[0] - x, y), (BED[1] - y, x), (x, y))[rim]
        edge = random.uniform(0.8, 3) + along * np.tan(np.radians(random.normal(0, 0.03)))
        picture += (level - picture) * np.clip((edge - into) * MM / 2 + 0.5, 0, 1)[..., None]


def wide(picture: Doubles, _item: Laid, _grid: tuple[Doubles, Doubles], _random: np.random.Generator) -> None:
    """The same colours as numbers of a wide RGB space: 1998 primaries, gamma 2.2."""
    value = np.clip(picture, 0, 255) / 255
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)  # IEC 61966-2-1
    picture[:] = 255 * np.clip(light @ WIDE.T, 0, 1) ** (1 / 2.2)


def streak(noisy: Doubles, _item: Laid, _grid: tuple[Doubles, Doubles], random: np.random.Generator) -> None:
    """Dirt on the white reference or the sensor: one to four columns lighter or darker from rim to rim."""
    for _ in range(random.integers(1, 5)):
        column, width = random.integers(5, noisy.shape[1] - 9), random.integers(1, 4)
        noisy[:, column : column + width] *= 1 + random.choice([-1, 1]) * random.uniform(0.01, 0.12)


@dataclass(frozen=True)
class Mishap:
    """What is odd about a bed.

    Attributes:
        sheet: what it sets of the sheet: art, edge, paper.
        lid: the lid, drawn by its share where it is empty.
        fine: pixels of the scan along one of 150 ppi.
        deep: the file has 16 bits a channel.
        before: what happens before the optics, `after` before the file is written.
    """

    sheet: dict[str, str] = field(default_factory=dict)
    lid: str = ""
    fine: int = 1
    deep: bool = False
    before: Spoil | None = None
    after: Spoil | None = None


MISHAPS = {
    "16-bit": Mishap(deep=True),
    "wide": Mishap(before=wide),
    "300-ppi": Mishap(fine=2),
    "600-ppi": Mishap(fine=4),
    "torn": Mishap(sheet={"edge": "torn"}),
    "tape": Mishap(before=tape),
    "lifted": Mishap(before=lifted),
    "hairs": Mishap(before=hairs),
    "streak": Mishap(after=streak),
    "frame": Mishap(before=frame),
    "round": Mishap(sheet={"art": "round"}),
    "dark": Mishap(sheet={"art": "dark", "paper": "white"}, lid="black-lid"),
}
