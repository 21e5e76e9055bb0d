"""Laying: where sheets lie on a drawn bed, and how large, askew and of what paper they are; millimetres."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Doubles = NDArray[np.float64]

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
    "alike": (245.0, 246.0, 245.0),
    "white": (246.0, 245.5, 242.0),
    "natural": (243.0, 240.0, 230.0),
    "cream": (236.0, 229.0, 208.0),
    "grey": (186.0, 184.0, 180.0),
    "kraft": (176.0, 146.0, 112.0),
    "black": (34.0, 33.0, 34.0),
}
SIZES = [(105, 148), (148, 210), (100, 150), (120, 120), (180, 240), (130, 180), (76, 127), (160, 200), (90, 200)]
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

    def places(self, x: Doubles, y: Doubles) -> tuple[Doubles, Doubles]:
        """Pixels of the bed as millimetres from the middle of the sheet, along its width and along its height."""
        right, down = x / MM - self.centre[0], y / MM - self.centre[1]
        turn = np.radians(self.skew)
        return right * np.cos(turn) - down * np.sin(turn), right * np.sin(turn) + down * np.cos(turn)

    def corners(self) -> Doubles:
        """In pixels, clockwise from its top left."""
        turn = np.radians(self.skew)
        half = np.array([(-1, -1), (1, -1), (1, 1), (-1, 1)]) * np.array(self.size) / 2
        turned = half @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        return np.asarray((turned + np.array(self.centre)) * MM)


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


def _alike(random: np.random.Generator, _lid: str) -> tuple[list[Laid], str]:
    """A sheet one level off a white lid, with a drawing or a signature on it."""
    art = str(random.choice(["blank", "pencil", "ink", "wash"]))
    return [_sheet(random, "white-lid", paper="alike", art=art, edge="cut")], "crop"


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
# Layouts drawn only when asked for by name.
RARE = {"alike": _alike}
