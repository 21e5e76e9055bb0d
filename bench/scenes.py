"""Random beds with known truth: sheets of many papers and arts under many lids, as a home flatbed reads them.

    python bench/scenes.py SEED OUT.png [MISHAP]

Every scene follows from its seed alone. Lengths are millimetres, colours 8-bit grey levels as displayed.
"""

import sys
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
import pyvips
from art import paint
from laying import BED, LAYOUTS, LIDS, MM, PAPERS, PPI, RARE, Laid
from mishaps import MISHAPS, Mishap
from numpy.typing import NDArray

from platemark.pixels.picture import overview_of

Doubles = NDArray[np.float64]
Pixels = NDArray[np.uint16]

ROUND = 4.0  # radius of rounded corners, millimetres


@dataclass
class Scene:
    """A scan and what is true of it.

    Attributes:
        preview: (rows, columns, 3), 16 bits.
        items: the sheets on it, in no order.
        expectation: "crop", "leave" or "held" (touching sheets: nobody could cut them apart by a rectangle).
        tags: conditions.
        ppi: of the preview; sheets are laid in pixels of `PPI`.
    """

    preview: Pixels
    items: list[Laid]
    expectation: str
    tags: list[str] = field(default_factory=list)
    ppi: float = PPI


def scene(seed: int, rare: str = "", mishap: str = "") -> Scene:
    """Compose one scene.

    Args:
        seed: all follows from it.
        rare: a layout of `RARE`, under a white lid; drawn by its share otherwise.
        mishap: one of `MISHAPS`, with one sheet that lies free.
    """
    random = np.random.default_rng([20, seed])
    if mishap:
        return _with_mishap(seed, mishap, MISHAPS[mishap], random)
    kind = rare or str(random.choice(list(LAYOUTS), p=[share for share, _ in LAYOUTS.values()]))
    lid = "white-lid" if rare else str(random.choice(list(LIDS), p=[0.55, 0.15, 0.15, 0.15]))
    items, expectation = (RARE[kind] if rare else LAYOUTS[kind][1])(random, lid)
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
    preview, made = _filed(_scanned(picture, random), random)
    tags = [kind, lid, *made, *sorted({f"{i.paper}-paper" for i in items} | {i.art for i in items})]
    return Scene(preview, items, expectation, [*tags, *sorted({item.edge for item in items})])


def _with_mishap(seed: int, name: str, mishap: Mishap, random: np.random.Generator) -> Scene:
    """One sheet on a bed, and what is odd about it."""
    own = np.random.default_rng([21, seed])
    lid = mishap.lid or str(random.choice(list(LIDS), p=[0.55, 0.15, 0.15, 0.15]))
    (item,), expectation = LAYOUTS["free"][1](random, lid)
    item = replace(item, **mishap.sheet)
    columns, rows = (round(side * MM * mishap.fine) for side in BED)
    y, x = ((grid.astype(np.float32) + 0.5) / mishap.fine for grid in np.mgrid[0:rows, 0:columns])
    picture = _bed(random, lid, x, y)
    light = (random.uniform(0, 360), float(np.exp(random.uniform(np.log(2.0), np.log(30.0)))))
    _lay(picture, item, (x, y), light, random, mishap.fine)
    _dust(picture, random)
    if mishap.before:
        mishap.before(picture, item, (x, y), own)
    noisy = _scanned(picture, random)
    if mishap.after:
        mishap.after(noisy, item, (x, y), own)
    if mishap.deep:
        pixels, made = np.rint(np.clip(noisy, 0, 255) * 257).astype(np.uint16), []
    else:
        pixels, made = _filed(noisy, random)
    ppi = PPI * mishap.fine
    small, factor = overview_of(pyvips.Image.new_from_array(pixels), ppi)
    tags = [name, lid, *made, f"{item.paper}-paper", item.art, item.edge]
    return Scene(small.numpy(), [item], expectation, tags, ppi / factor)


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
    fine: int = 1,
) -> None:
    """Lay a sheet with the shadow its edge throws: direction in degrees (0 right, 90 down) and depth in levels."""
    corners = item.corners()
    low, high = np.floor(corners.min(axis=0) - 4 * MM).astype(int), np.ceil(corners.max(axis=0) + 4 * MM).astype(int)
    low, high = np.maximum(low * fine, 0), np.maximum(high * fine, 0)
    part = (slice(low[1], high[1]), slice(low[0], high[0]))
    turn = np.radians(item.skew)
    u, v = item.places(grid[0][part], grid[1][part])
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
    cover = np.clip(0.5 - out * MM * fine, 0, 1)[..., None]
    colour = paint(item.art, u + item.size[0] / 2, v + item.size[1] / 2, item.size, PAPERS[item.paper], random)
    if item.edge == "torn":
        # Where paper is torn its white core lies bare, more or less of it.
        core = np.clip((out + 0.7 + 0.5 * np.sin(u / 7) * np.cos(v / 9)) * MM, 0, 1)[..., None]
        colour += (np.array([244.0, 243.0, 240.0]) - colour) * core
    picture[part] = (picture[part] - shadow[..., None]) * (1 - cover) + colour * cover


def _wander(edge: str, side: int, along: Doubles, random: np.random.Generator) -> Doubles | float:
    """How far the edge lies within its mean line; what a deckle does in a millimetre or in a centimetre."""
    if edge == "handcut":
        return along * float(np.tan(np.radians(random.normal(0, 0.15)))) if side in (1, 2) else 0.0
    if edge not in {"deckle", "torn"}:
        return 0.0
    height, longest = (0.12, 14) if edge == "deckle" else (0.2, 25)
    waves = [
        (random.normal(0, height), 2 * np.pi / random.uniform(1.5, longest), random.uniform(0, 6)) for _ in range(6)
    ]
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


def _scanned(picture: Doubles, random: np.random.Generator) -> Doubles:
    """What optics and sensor make of it."""
    image = pyvips.Image.new_from_array(picture).gaussblur(float(random.uniform(0.5, 0.8)), precision="float")
    noisy = image.numpy() + random.standard_normal(picture.shape, dtype=np.float32) * np.float32(
        np.exp(random.uniform(np.log(0.3), np.log(2.2)))
    )
    noisy += random.normal(0, random.uniform(0, 0.25), (1, picture.shape[1], 1))
    return np.asarray(noisy)


def _filed(noisy: Doubles, random: np.random.Generator) -> tuple[Pixels, list[str]]:
    """What the file makes of it, in 16 bits."""
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
    drawn = scene(int(sys.argv[1]), mishap=sys.argv[3] if len(sys.argv) > 3 else "")
    pyvips.Image.new_from_array((drawn.preview >> 8).astype(np.uint8)).write_to_file(str(Path(sys.argv[2])))
    print(drawn.expectation, drawn.tags, drawn.items)
