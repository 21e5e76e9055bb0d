"""Invented art for drawn scans: colour of a sheet at each place on it, from a random generator alone."""

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw

Doubles = NDArray[np.float64]
PER_MM = 4  # pixels a millimetre of what is drawn; the scan's own are 5.9


def paint(
    art: str,
    u: Doubles,
    v: Doubles,
    size: tuple[float, float],
    paper: tuple[float, float, float],
    random: np.random.Generator,
) -> Doubles:
    """Colour at places on a sheet.

    Args:
        art: blank, pencil, ink, wash, margin, bleed, lines, border, round or dark.
        u: millimetres from the left edge of the sheet.
        v: millimetres from its top edge.
        size: of the sheet.
        paper: its colour, 8-bit grey levels.
        random: what to draw.

    Returns:
        (rows, columns, 3) 8-bit grey levels.
    """
    columns, rows = (round(side * PER_MM) for side in size)
    canvas = np.broadcast_to(np.asarray(paper, dtype=np.float32), (rows, columns, 3)).copy()
    canvas += _grain(rows, columns, random)[..., None]
    ARTS[art](canvas, random)
    row = np.clip(v * PER_MM, 0, rows - 1).astype(int)
    column = np.clip(u * PER_MM, 0, columns - 1).astype(int)
    return canvas[row, column]


def _grain(rows: int, columns: int, random: np.random.Generator) -> Doubles:
    """Texture of paper, 0.2 to 1.2 levels."""
    grain = random.standard_normal((rows // 2 + 1, columns // 2 + 1), dtype=np.float32) * random.uniform(0.2, 1.2)
    return grain.repeat(2, axis=0).repeat(2, axis=1)[:rows, :columns]


def _clouds(rows: int, columns: int, random: np.random.Generator, coarse: int) -> Doubles:
    """Soft random fields, 0 to 1, (rows, columns, 3)."""
    small = random.random((rows // coarse + 3, columns // coarse + 3, 3)) * 255
    picture = Image.fromarray(small.astype(np.uint8)).resize((columns, rows), Image.Resampling.BICUBIC)
    return np.asarray(picture, dtype=np.float32) / 255


def _painted(rows: int, columns: int, random: np.random.Generator) -> Doubles:
    """An opaque painting: fields of colour with borders, brush marks."""
    fields = _clouds(rows, columns, random, 120)
    steps = np.floor(fields * 5) / 5
    brush = random.standard_normal((rows, 1, 1), dtype=np.float32) * 4
    return 30 + 190 * (0.7 * steps + 0.3 * _clouds(rows, columns, random, 30)) + brush


def _blank(canvas: Doubles, random: np.random.Generator) -> None:
    """A signature and nothing else."""
    rows, columns = canvas.shape[:2]
    _strokes(canvas, random, 3, (60, 60, 70), (int(columns * 0.7), int(rows * 0.85)), 20)


def _pencil(canvas: Doubles, random: np.random.Generator) -> None:
    _strokes(canvas, random, 120, (150, 150, 152), None, 60)


def _ink(canvas: Doubles, random: np.random.Generator) -> None:
    _strokes(canvas, random, 90, (25, 25, 30), None, 120)


def _strokes(
    canvas: Doubles,
    random: np.random.Generator,
    count: int,
    colour: tuple[int, int, int],
    around: tuple[int, int] | None,
    length: float,
) -> None:
    """Wandering strokes, within the middle eight tenths of the sheet unless `around` a place."""
    rows, columns = canvas.shape[:2]
    layer = Image.new("L", (columns, rows), 0)
    draw = ImageDraw.Draw(layer)
    for _ in range(count):
        start = np.array(around) + random.normal(0, 12, 2) if around else random.uniform(0.1, 0.9, 2) * (columns, rows)
        heading = random.uniform(0, 2 * np.pi) + np.cumsum(random.normal(0, 0.25, 12))
        steps = np.stack([np.cos(heading), np.sin(heading)], axis=1) * length / 12 * random.uniform(0.5, 1.5)
        places = np.clip(start + np.cumsum(steps, axis=0), 12, np.array([columns, rows]) - 12)
        draw.line([tuple(p) for p in places.tolist()], fill=int(random.uniform(120, 255)), width=random.integers(1, 4))
    share = np.asarray(layer, dtype=np.float32)[..., None] / 255
    canvas += (np.minimum(np.asarray(colour), canvas) - canvas) * share


def _wash(canvas: Doubles, random: np.random.Generator) -> None:
    """Pale transparent fields, now and then to the edge of the sheet."""
    rows, columns = canvas.shape[:2]
    clouds = _clouds(rows, columns, random, 100)
    cover = np.clip((clouds[..., :1] - random.uniform(0.3, 0.6)) * 6, 0, 1)
    if random.random() < 0.7:
        margin = round(random.uniform(5, 20) * PER_MM)
        cover[:margin] = cover[-margin:] = cover[:, :margin] = cover[:, -margin:] = 0
    canvas *= 1 - cover * random.uniform(0.05, 0.6) * _clouds(rows, columns, random, 160)


def _bleed(canvas: Doubles, random: np.random.Generator) -> None:
    canvas[:] = _painted(*canvas.shape[:2], random)


def _dark(canvas: Doubles, random: np.random.Generator) -> None:
    """A night scene to every edge."""
    canvas[:] = 8 + 0.25 * (_painted(*canvas.shape[:2], random) - 30)


def _round(canvas: Doubles, random: np.random.Generator) -> None:
    """A round painting on its sheet."""
    rows, columns = canvas.shape[:2]
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    radius = min(rows, columns) * random.uniform(0.35, 0.47)
    inside = np.clip(radius - np.hypot(x - columns / 2, y - rows / 2), 0, 1)[..., None]
    canvas += (_painted(rows, columns, random) - canvas) * inside


def _margin(canvas: Doubles, random: np.random.Generator) -> None:
    """A painting within margins, up to a degree and a half askew on its sheet."""
    rows, columns = canvas.shape[:2]
    turn, margin = np.tan(np.radians(random.normal(0, 0.7))), random.uniform(5, 20) * PER_MM
    y, x = np.mgrid[0:rows, 0:columns].astype(np.float32)
    across, down = np.abs(x - columns / 2 + turn * (y - rows / 2)), np.abs(y - rows / 2 - turn * (x - columns / 2))
    inside = np.clip(np.minimum(columns / 2 - margin - across, rows / 2 - margin - down), 0, 1)[..., None]
    canvas += (_painted(rows, columns, random) - canvas) * inside


def _lines(canvas: Doubles, random: np.random.Generator) -> None:
    """Long straight lines, a few degrees off the sheet, as of buildings."""
    rows, columns = canvas.shape[:2]
    layer = Image.new("L", (columns, rows), 0)
    draw = ImageDraw.Draw(layer)
    lean = np.tan(np.radians(random.uniform(1, 4)))
    for _ in range(14):
        x, y = random.uniform(0.15, 0.85) * columns, random.uniform(0.15, 0.85) * rows
        if random.random() < 0.5:
            draw.line([(x, rows * 0.1), (x + lean * rows * 0.8, rows * 0.9)], fill=255, width=2)
        else:
            draw.line([(columns * 0.1, y), (columns * 0.9, y - lean * columns * 0.8)], fill=255, width=2)
    canvas += (np.minimum(40, canvas) - canvas) * (np.asarray(layer, dtype=np.float32)[..., None] / 255)


def _border(canvas: Doubles, random: np.random.Generator) -> None:
    """A ruled border a centimetre within the edge, around a drawing."""
    rows, columns = canvas.shape[:2]
    layer = Image.new("L", (columns, rows), 0)
    inset = round(random.uniform(8, 18) * PER_MM)
    ImageDraw.Draw(layer).rectangle((inset, inset, columns - inset, rows - inset), outline=255, width=4)
    canvas += (np.minimum(50, canvas) - canvas) * (np.asarray(layer, dtype=np.float32)[..., None] / 255)
    _ink(canvas, random)


ARTS = {
    "blank": _blank,
    "pencil": _pencil,
    "ink": _ink,
    "wash": _wash,
    "margin": _margin,
    "bleed": _bleed,
    "lines": _lines,
    "border": _border,
    "round": _round,
    "dark": _dark,
}
