"""Random beds with known truth: sheets of many papers and arts under many lids, as a home flatbed reads them.

    python bench/scenes.py SEED OUT.png

Every scene follows from its seed alone. Lengths are millimetres, colours 8-bit grey levels as displayed.
"""

import sys
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pyvips
from art import paint
from numpy.typing import NDArray

Doubles = NDArray[np.float64]
Pixels = NDArray[np.uint16]

PPI = 150.0
MM = PPI / 25.4
BED = (216.0, 297.0)  # width and height of the glass of an A4 scanner
LIDS = {
    "white-lid": (246.0, 247.0, 246.0),
    "dull-lid": (231.0, 232.0, 229.0),
    "grey-lid": (142.0, 143.0, 145.0),
    "black-lid": (21.0, 21.0, 23.0),
}
PAPERS = {
    "white": (246.0, 245.5, 242.0),
    "natural": (243.0, 240.0, 230.0),
    "cream": (236.0, 229.0, 208.0),
    "grey": (186.0, 184.0, 180.0),
    "kraft": (176.0, 146.0, 112.0),
    "black": (34.0, 33.0, 34.0),
}
SIZES = [(105, 148), (148, 210), (100, 150), (120, 120), (180, 240), (130, 180), (76, 127), (160, 200), (90, 200)]
ROUND = 4.0  # radius of rounded corners
EDGES = ("cut", "cut", "cut", "cut", "deckle", "rounded", "handcut")


@dataclass(frozen=True)
class Laid:
    """A sheet as it lies: centre and size, skew counter-clockwise in degrees, and how its edge is made."""

    centre: tuple[float, float]
    size: tuple[float, float]
    skew: float
    paper: str
    art: str
    edge: str = "cut"

    def corners(self) -> Doubles:
        """In pixels, clockwise from its top left."""
        turn = np.radians(self.skew)
        half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * np.array(self.size) / 2
        turned = half @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        return np.asarray((turned + np.array(self.centre)) * MM)


@dataclass
class Scene:
    """A scan and what is true of it.

    Attributes:
        preview: (rows, columns, 3), 16 bits.
        items: the sheets on it, in no order.
        expectation: "crop", "leave" or "held" (touching sheets: nobody could cut them apart by a rectangle).
        tags: conditions.
    """

    preview: Pixels
    items: list[Laid]
    expectation: str
    tags: list[str] = field(default_factory=list)


def scene(seed: int) -> Scene:
    """Compose one scene."""
    random = np.random.default_rng([20, seed])
    kind = str(random.choice(list(LAYOUTS), p=[share for share, _ in LAYOUTS.values()]))
    lid = str(random.choice(list(LIDS), p=[0.55, 0.15, 0.15, 0.15]))
    items, expectation = LAYOUTS[kind][1](random, lid)
    columns, rows = (round(side * MM) for side in BED)
    y, x = (grid.astype(np.float32) for grid in np.mgrid[0.5:rows, 0.5:columns])
    picture = _bed(random, lid, x, y)
    light = random.uniform(0, 360)
    depth = float(np.exp(random.uniform(np.log(2.0), np.log(30.0)))) * (0.3 if lid == "black-lid" else 1.0)
    for item in items:
        _lay(picture, item, (x, y), (light, depth), random)
    if kind == "strip":
        _strip(picture, items[0], random)
    _dust(picture, random)
    preview, made = _scanned(picture, random)
    tags = [kind, lid, *made, *sorted({f"{i.paper}-paper" for i in items} | {i.art for i in items})]
    return Scene(preview, items, expectation, [*tags, *sorted({item.edge for item in items})])


def _sheet(random: np.random.Generator, lid: str, **fixed: object) -> Laid:
    """A sheet anywhere wholly on the bed."""
    size = tuple(float(side) for side in SIZES[random.integers(len(SIZES))])
    size = size if random.random() < 0.7 else size[::-1]
    skew = float(random.choice([0.0, random.normal(0, 1.2), random.uniform(-9, 9)], p=[0.1, 0.6, 0.3]))
    papers = ["white", "natural", "cream", "grey", "kraft", "black"]
    paper = str(random.choice(papers, p=[0.4, 0.25, 0.15, 0.08, 0.07, 0.05]))
    # Black on black shows no edge to anybody.
    paper = "white" if paper == "black" and lid == "black-lid" else paper
    arts = ["blank", "pencil", "ink", "wash", "margin", "bleed", "lines", "border"]
    art = str(random.choice(arts, p=[0.06, 0.12, 0.18, 0.16, 0.18, 0.12, 0.1, 0.08]))
    size = tuple(min(side, most) for side, most in zip(size, (195, 270), strict=True))
    turn = np.radians(abs(skew))
    half = (
        (size[0] * np.cos(turn) + size[1] * np.sin(turn)) / 2,
        (size[1] * np.cos(turn) + size[0] * np.sin(turn)) / 2,
    )
    room = [max(0.0, side / 2 - reach - 4) for side, reach in zip(BED, half, strict=True)]
    centre = tuple(side / 2 + float(random.uniform(-r, r)) for side, r in zip(BED, room, strict=True))
    laid = {"centre": centre, "size": size, "skew": skew, "paper": paper, "art": art}
    laid["edge"] = str(random.choice(EDGES)) if size[0] > 90 else "cut"
    return Laid(**{**laid, **fixed})  # type: ignore[arg-type] # one value of its own kind a name


def _free(random: np.random.Generator, lid: str) -> tuple[list[Laid], str]:
    return [_sheet(random, lid)], "crop"


def _corner(random: np.random.Generator, lid: str) -> tuple[list[Laid], str]:
    """Pushed into the top left corner of the bed."""
    size = (float(random.uniform(110, 190)), float(random.uniform(120, 260)))
    return [_sheet(random, lid, centre=(size[0] / 2, size[1] / 2), size=size, skew=0.0, edge="cut")], "crop"


def _oversize(random: np.random.Generator, lid: str) -> tuple[list[Laid], str]:
    """Runs out of the picture at the right."""
    size, skew = (260.0, float(random.uniform(180, 260))), float(random.normal(0, 0.6))
    return [_sheet(random, lid, centre=(150.0, 148.0), size=size, skew=skew, edge="cut")], "crop"


def _several(random: np.random.Generator, lid: str, gap: float | None = None) -> tuple[list[Laid], str]:
    """A sheet in each field of a grid, with lid between."""
    across, down = [(1, 2), (2, 1), (2, 2), (2, 3), (1, 3)][random.integers(5)]
    field_mm = (BED[0] / across, BED[1] / down)
    clear = float(random.uniform(3, 12)) if gap is None else gap
    items = []
    for row in range(down):
        for column in range(across):
            skew = float(random.normal(0, 0.8))
            lean = np.radians(abs(skew)) * max(field_mm)
            room = [side - clear - lean - 1 for side in field_mm]
            size = tuple(float(r * random.uniform(0.75, 1)) for r in room)
            free = [(r - s) / 2 for r, s in zip(room, size, strict=True)]
            centre = tuple(
                (i + 0.5) * side + float(random.uniform(-f, f))
                for i, side, f in zip((column, row), field_mm, free, strict=True)
            )
            items.append(_sheet(random, lid, centre=centre, size=size, skew=skew, edge="cut"))
    keep = max(2, random.integers(2, len(items) + 1))
    return [items[i] for i in sorted(random.permutation(len(items))[:keep].tolist())], "crop"


def _touching(random: np.random.Generator, lid: str) -> tuple[list[Laid], str]:
    """Two sheets of which one lies upon the edge of the other."""
    over = float(random.uniform(0, 8))
    first = _sheet(random, lid, centre=(108.0, 75.0), size=(150.0, 120.0), skew=0.4, edge="cut")
    skew = float(random.normal(0, 0.6))
    second = _sheet(random, lid, centre=(108.0, 195.0 - over), size=(140.0, 120.0), skew=skew, edge="cut")
    return [first, second], "held"


def _empty(_random: np.random.Generator, _lid: str) -> tuple[list[Laid], str]:
    return [], "leave"


def _covered(random: np.random.Generator, lid: str) -> tuple[list[Laid], str]:
    sheet = _sheet(random, lid, centre=(108.0, 148.0), size=(300.0, 400.0), skew=1.0, edge="cut", art="bleed")
    return [sheet], "leave"


LAYOUTS = {
    "free": (0.52, _free),
    "corner": (0.06, _corner),
    "oversize": (0.05, _oversize),
    "several": (0.2, _several),
    "touching": (0.04, _touching),
    "empty": (0.03, _empty),
    "covered": (0.03, _covered),
    "strip": (0.07, _free),
}


def _bed(random: np.random.Generator, lid: str, x: Doubles, y: Doubles) -> Doubles:
    """The lid: uneven by a level or three, brighter or darker within a centimetre of the rim."""
    wave = random.uniform(0, 2.5) * np.sin(x / MM / random.uniform(60, 200) + random.uniform(0, 6))
    wave += random.uniform(0, 1.5) * np.cos(y / MM / random.uniform(60, 200))
    near = np.minimum(np.minimum(x, BED[0] * MM - x), np.minimum(y, BED[1] * MM - y)) / MM
    wave += random.normal(0, 1.5) * np.exp(-near / 3)
    bright = LIDS[lid][0] / 246
    return np.asarray((np.asarray(LIDS[lid]) + (bright * wave)[..., None]).astype(np.float32))


def _lay(
    picture: Doubles,
    item: Laid,
    grid: tuple[Doubles, Doubles],
    light: tuple[float, float],
    random: np.random.Generator,
) -> None:
    """Lay a sheet with the shadow its edge throws: direction in degrees (0 right, 90 down) and depth in levels."""
    corners = item.corners()
    low, high = np.floor(corners.min(axis=0) - 4 * MM).astype(int), np.ceil(corners.max(axis=0) + 4 * MM).astype(int)
    part = (slice(max(0, low[1]), max(0, high[1])), slice(max(0, low[0]), max(0, high[0])))
    right, down = grid[0][part] / MM - item.centre[0], grid[1][part] / MM - item.centre[1]
    turn = np.radians(item.skew)
    u, v = right * np.cos(turn) - down * np.sin(turn), right * np.sin(turn) + down * np.cos(turn)
    outside = [-v - item.size[1] / 2, u - item.size[0] / 2, v - item.size[1] / 2, -u - item.size[0] / 2]
    outside = [
        o + _wander(item.edge, k, along, random) for k, (o, along) in enumerate(zip(outside, (u, v, u, v), strict=True))
    ]
    out = np.maximum.reduce(outside)
    if item.edge == "rounded":
        within = [np.maximum(np.abs(a) - side / 2 + ROUND, 0) for a, side in zip((u, v), item.size, strict=True)]
        out = np.maximum(out, np.hypot(*within) - ROUND)
    shadow = np.zeros_like(out)
    for k, o in enumerate(outside):
        facing = np.cos(np.radians(light[0] - (k * 90 - 90)) + turn)
        fall = np.exp(-np.maximum(o, 0) / (0.35 if facing > 0 else 0.2)) * (o > -0.3) * (out - o < 0.5)
        shadow += (light[1] * facing if facing > 0 else light[1] * 0.25 * facing) * fall
    cover = np.clip(0.5 - out * MM, 0, 1)[..., None]
    colour = paint(item.art, u + item.size[0] / 2, v + item.size[1] / 2, item.size, PAPERS[item.paper], random)
    picture[part] = (picture[part] - shadow[..., None]) * (1 - cover) + colour * cover


def _wander(edge: str, side: int, along: Doubles, random: np.random.Generator) -> Doubles | float:
    """How far the edge lies within its mean line; what a deckle does in a millimetre or in a centimetre."""
    if edge == "handcut":
        return along * float(np.tan(np.radians(random.normal(0, 0.15)))) if side in (1, 2) else 0.0
    if edge != "deckle":
        return 0.0
    waves = [(random.normal(0, 0.12), 2 * np.pi / random.uniform(1.5, 14), random.uniform(0, 6)) for _ in range(6)]
    return np.asarray(sum(a * np.sin(along * w + p) for a, w, p in waves))


def _strip(picture: Doubles, item: Laid, random: np.random.Generator) -> None:
    """A strip of colour patches beside the sheet, where there is room for it."""
    room = BED[0] - item.corners()[:, 0].max() / MM
    width = float(random.uniform(12, 26))
    if room < width + 5:
        return
    left, top = round((BED[0] - width - 2) * MM), round(20 * MM)
    for patch in range(12):
        rows = slice(top + round(patch * 18 * MM), top + round((patch * 18 + 18) * MM))
        picture[rows, left : left + round(width * MM)] = random.uniform(20, 240, 3)


def _dust(picture: Doubles, random: np.random.Generator) -> None:
    for _ in range(random.integers(0, 60)):
        row, column = (random.integers(2, side - 8) for side in picture.shape[:2])
        picture[row : row + random.integers(1, 4), column : column + random.integers(1, 4)] -= random.uniform(5, 60)


def _scanned(picture: Doubles, random: np.random.Generator) -> tuple[Pixels, list[str]]:
    """What optics, sensor and file make of it."""
    image = pyvips.Image.new_from_array(picture).gaussblur(float(random.uniform(0.5, 0.8)), precision="float")
    noisy = image.numpy() + random.standard_normal(picture.shape, dtype=np.float32) * np.float32(
        np.exp(random.uniform(np.log(0.3), np.log(2.2)))
    )
    noisy += random.normal(0, random.uniform(0, 0.25), (1, picture.shape[1], 1))
    grey = random.random() < 0.15
    if grey:
        noisy = np.repeat(noisy @ np.array([[0.3], [0.59], [0.11]]), 3, axis=2)
    pixels = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    tags = ["grey"] if grey else []
    if random.random() < 0.6:
        quality = int(random.choice([75, 80, 85, 90, 95]))
        file = pyvips.Image.new_from_array(pixels).jpegsave_buffer(Q=quality)
        pixels = pyvips.Image.new_from_buffer(file, "").numpy()
        tags.append(f"jpeg-{quality}")
    return pixels.astype(np.uint16) * 257, tags


if __name__ == "__main__":
    drawn = scene(int(sys.argv[1]))
    pyvips.Image.new_from_array((drawn.preview >> 8).astype(np.uint8)).write_to_file(str(Path(sys.argv[2])))
    print(drawn.expectation, drawn.tags, drawn.items)
