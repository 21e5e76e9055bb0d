"""How much dust is found and how much art is mistaken for it, on scans of known truth and drawn scenes, as a table.

    python bench/dust.py [FOLDER] [--strength thorough]

FOLDER holds scans and a truth.json; without it the few of the tests are used. Each sheet is turned and cut as its truth
says, so only its own surface counts. A speck counts from 0.15 mm across. It can be seen when the mean of 3 x 3 pixels
differs from its surroundings by 3 in 255 and by four robust standard deviations of such means: bright dust on white
paper cannot. A repair is false when no dirt lies in it. Drawn scenes have wash, grain, hatching, dots,
splatter and pencil, and four hairs each.
"""

import argparse
import json
import math
import time
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark import Picture, srgb
from platemark.testing import job_for, measure_and_apply
from platemark_stages.dust import Dust, DustParameters

DEFAULT = Path(__file__).parent.parent / "tests" / "data" / "scans"
LEAST_MM, INSET_MM, MM_PER_INCH = 0.15, 0.3, 25.4
A4_MM2 = 210 * 297
LEVELS = (-math.inf, 3, 5, 8, 15)
Floats = NDArray[np.float32]


@dataclass
class Score:
    """Counts of one sheet, or of many."""

    sheets: int = 0
    specks: int = 0
    found: int = 0
    seen: int = 0
    seen_found: int = 0
    by_contrast: Counter[int] = field(default_factory=Counter)
    by_contrast_found: Counter[int] = field(default_factory=Counter)
    hairs: int = 0
    hairs_found: int = 0
    false: int = 0
    area: float = 0.0
    seconds: float = 0.0

    def add(self, other: "Score") -> None:
        """Count another in."""
        for part in fields(self):
            setattr(self, part.name, getattr(self, part.name) + getattr(other, part.name))

    def line(self, name: str) -> str:
        """As one row of the table."""
        return (
            f"{name:<28} {self.sheets:>6} {self.found:>4} of {self.specks:<4} {self.seen_found:>4} of {self.seen:<4}"
            f" {self.hairs_found:>3} of {self.hairs:<3} {self.false:>5} {self.false * A4_MM2 / max(self.area, 1):>6.2f}"
            f" {self.seconds / max(self.sheets, 1):>6.2f}"
        )


HEAD = f"{'':<28} sheets  specks found  of visible      hairs false per A4 seconds"


@dataclass
class Case:
    """A picture whose dirt is known, in scan pixels."""

    name: str
    picture: Picture
    grey: Floats
    dirt: list[dict[str, Any]]
    ppi: float


def scans_in(folder: Path) -> Iterator[Case]:
    for truth in json.loads((folder / "truth.json").read_text())["scans"]:
        image = opened(folder / truth["file"])
        grey = image.numpy().reshape(image.height, image.width, -1).mean(axis=2, dtype=np.float32) / 257
        whole = Picture.of(image, srgb(), float(truth["dpi"]))
        for item in truth.get("items", []):
            cut = cut_to(whole, item["corners_px"], item["skew_deg"])
            yield Case(truth["file"], cut, grey, truth.get("dust") or [], float(truth["dpi"]))


def opened(path: Path) -> pyvips.Image:
    image = pyvips.Image.new_from_file(str(path)).autorot()
    if image.hasalpha():
        image = image.flatten(background=[255 if image.format == "uchar" else 65535])
    wide = (image.cast("ushort") * 257).cast("ushort") if image.format == "uchar" else image
    rgb = wide if wide.bands == 3 else wide.bandjoin([wide, wide])
    return rgb.copy(interpretation="rgb16").copy_memory()


def cut_to(whole: Picture, corners: list[list[float]], skew: float) -> Picture:
    turned = whole.rotated(-skew)
    (x1, y1), (x2, y2), (x3, y3), (x4, y4) = turned.placement.apply(corners).tolist()
    inset = INSET_MM / MM_PER_INCH * whole.ppi
    left, right = max((x1 + x4) / 2, 0) + inset, min((x2 + x3) / 2, whole.width) - inset
    top, bottom = max((y1 + y2) / 2, 0) + inset, min((y3 + y4) / 2, whole.height) - inset
    return turned.cropped(left, top, right - left, bottom - top)


def judged(case: Case, strength: str) -> Score:
    start = time.perf_counter()
    parameters, _ = measure_and_apply(Dust, case.picture, job_for(), strength=strength, picture=False)
    assert isinstance(parameters, DustParameters)
    mm = MM_PER_INCH / case.ppi
    score = Score(sheets=1, seconds=time.perf_counter() - start)
    score.area = case.picture.width * case.picture.height * mm * mm
    repairs = [np.array([spot]) for spot in parameters.spots]
    repairs += [np.array([(x, y, hair[0]) for x, y in between(pairs(hair[1:]))]) for hair in parameters.hairs]
    score.false = sum(not any(covers(repair, dirt) for dirt in case.dirt) for repair in repairs)
    for dirt in case.dirt:
        middle = points(dirt)[len(points(dirt)) // 2]
        if not shown(case.picture, middle):
            continue
        found = any(covers(repair, dirt) for repair in repairs)
        if dirt["kind"] != "speck":
            score.hairs, score.hairs_found = score.hairs + 1, score.hairs_found + found
        elif 2 * dirt["radius_px"] * mm >= LEAST_MM:
            difference, spread = contrast(case.grey, dirt)
            seen = difference >= max(3.0, 4 * spread)
            level = max(level for level in LEVELS if difference >= level)
            score.by_contrast[level] += 1
            score.by_contrast_found[level] += found
            score.specks, score.found = score.specks + 1, score.found + found
            score.seen, score.seen_found = score.seen + seen, score.seen_found + (seen and found)
    return score


def pairs(flat: list[float]) -> Floats:
    return np.array(flat, np.float32).reshape(-1, 2)


def between(path: Floats) -> Floats:
    """Points along a path, about a pixel apart."""
    steps = [max(1, round(float(np.hypot(*step)))) for step in np.diff(path, axis=0)]
    parts = [a + (b - a) * np.arange(n)[:, None] / n for a, b, n in zip(path, path[1:], steps, strict=False)]
    return np.concatenate([*parts, path[-1:]])


def points(dirt: dict[str, Any]) -> Floats:
    return np.array([dirt["xy"]], np.float32) if dirt["kind"] == "speck" else between(np.array(dirt["points_px"]))


def covers(repair: NDArray[Any], dirt: dict[str, Any]) -> bool:
    """Whether the dirt's middle, or half of a hair's length, lies in a repair."""
    away = np.hypot(*(points(dirt)[:, None] - repair[:, :2]).T)
    return bool((away <= repair[:, 2:3]).any(axis=0).mean() >= (1 if dirt["kind"] == "speck" else 0.5))


def shown(picture: Picture, at: Floats) -> bool:
    (x, y) = picture.placement.apply([tuple(at.tolist())])[0]
    return bool(0 <= x <= picture.width and 0 <= y <= picture.height)


def contrast(grey: Floats, dirt: dict[str, Any]) -> tuple[float, float]:
    """By how many levels a speck differs from its surroundings, and how much these vary."""
    (x, y), far = dirt["xy"], round(3 * dirt["radius_px"]) + 10
    top, left = max(0, int(y) - far), max(0, int(x) - far)
    around = grey[top : int(y) + far + 1, left : int(x) + far + 1]
    means = sum(around[i : len(around) - 2 + i, j : around.shape[1] - 2 + j] for i in range(3) for j in range(3)) / 9
    core = means[min(max(int(y) - top - 1, 0), len(means) - 1), min(max(int(x) - left - 1, 0), means.shape[1] - 1)]
    usual = float(np.median(means))
    spread = 1.4826 * float(np.median(np.abs(means - usual)))
    return float(usual - core if dirt["dark"] else core - usual), spread


# Drawn scenes.


def scenes(count: int, first: int = 0) -> Iterator[Case]:
    """Half sheets of A4 at 300 and 600 ppi, four kinds of art in turn."""
    for seed in range(first, first + count):
        random = np.random.Generator(np.random.PCG64(seed))
        kind = ("wash", "pen", "splatter", "pencil")[seed % 4]
        ppi = (300.0, 600.0)[(seed + seed // 4) % 2]
        light = Art(random, ppi).drawn(kind)
        dirt = [speck(random, light, ppi) for _ in range(30)] + [hair(random, light, ppi) for _ in range(4)]
        blurred = softened(light)
        noisy = blurred + random.normal(0, 0.8, blurred.shape).astype(np.float32)
        array = np.rint(np.clip(noisy, 0, 255) * 257).astype(np.uint16)
        image = pyvips.Image.new_from_memory(array.tobytes(), array.shape[1], array.shape[0], 3, "ushort")
        picture = Picture.of(image.copy(interpretation="rgb16"), srgb(), ppi)
        yield Case(f"drawn {kind} {ppi:.0f} ppi", picture, noisy.mean(axis=2), dirt, ppi)


class Art:
    """Art of known marks on grained paper."""

    def __init__(self, random: np.random.Generator, ppi: float) -> None:
        self.random, self.ppmm = random, ppi / MM_PER_INCH
        self.size = round(148 * self.ppmm), round(105 * self.ppmm)
        self.light = np.empty((*self.size, 3), np.float32)
        self.light[:] = (246, 244, 238)

    def drawn(self, kind: str) -> Floats:
        """Draw it: "wash", "pen", "splatter" or "pencil"."""
        if kind in ("wash", "splatter"):
            self.wash()
        if kind == "pencil":
            self.sketch()
        if kind == "splatter":
            self.dots(80, (0.1, 0.6), (70, 60, 120), spread_mm=18)
        if kind == "pen":
            self.dots(400, (0.15, 0.3), (30, 30, 32), spread_mm=12)
            self.hatch()
        rough = self.random.uniform(0.002, 0.008)  # from hot-pressed to cold-pressed
        self.light *= 1 + rough * (self.noise(0.25) + self.noise(0.1) / 2)[..., None]
        return self.light

    def noise(self, grain_mm: float) -> Floats:
        """Smooth noise of about unit deviation."""
        rows, columns = (max(4, round(side / (grain_mm * self.ppmm))) for side in self.size)
        coarse = self.random.normal(0, 1, (rows, columns)).astype(np.float32)
        image = pyvips.Image.new_from_memory(coarse.tobytes(), columns, rows, 1, "float")
        grown = image.resize(self.size[1] / columns, vscale=self.size[0] / rows, kernel="cubic").numpy()
        return grown.reshape(self.size) * 1.4

    def wash(self) -> None:
        """Lay three washes that granulate, over and beside each other."""
        for colour in ((196, 120, 96), (120, 150, 190), (210, 190, 90)):
            cover = np.clip(self.noise(14.0) * 3, 0, 1)[..., None] * 0.7 * (1 + 0.08 * self.noise(0.3)[..., None])
            self.light += (np.array(colour, np.float32) - self.light) * cover

    def dots(self, count: int, radii_mm: tuple[float, float], colour: tuple[int, ...], spread_mm: float) -> None:
        """Scatter dots about the middle."""
        middle = np.array(self.size) / 2
        for _ in range(count):
            y, x = middle + self.random.normal(0, spread_mm * self.ppmm, 2)
            blob(self.light, (x, y), self.random.uniform(*radii_mm) / 2 * self.ppmm, colour, 1.0)

    def hatch(self) -> None:
        """Draw short lines all over."""
        for _ in range(120):
            x, y = self.random.uniform(0.1, 0.9, 2) * self.size[::-1]
            length = self.random.uniform(3, 14) * self.ppmm
            for step in np.arange(0, length, 0.1 * self.ppmm):
                blob(self.light, (x + step, y - step * 0.7), 0.15 * self.ppmm, (30, 30, 32), 1.0)

    def sketch(self) -> None:
        """Draw forms in bundles of bent lines, thin and pale, and a few lines that stand alone."""
        for _ in range(25):
            middle = self.random.uniform(0.15, 0.85, 2) * self.size[::-1]
            turn, length = self.random.uniform(0, math.tau), self.random.uniform(4, 30)
            for _ in range(self.random.integers(1, 9)):
                at = middle + self.random.normal(0, 1.5, 2) * self.ppmm
                line = arc(at, turn + self.random.normal(0, 0.15), length, self.random.normal(0, 0.8), self.ppmm)
                width, grey = self.random.uniform(0.1, 0.3), self.random.uniform(90, 150)
                lay(self.light, line, width / 2 * self.ppmm, grey, self.random.uniform(0.1, 0.6))


def arc(middle: Floats, turn: float, length_mm: float, bend: float, ppmm: float) -> Floats:
    """Points half a pixel apart along an arc that turns by `bend` radians from end to end."""
    count = max(2, round(2 * length_mm * ppmm))
    along = turn + bend * np.linspace(-0.5, 0.5, count)
    steps = np.stack([np.cos(along), np.sin(along)], axis=1) * length_mm * ppmm / count
    return np.asarray(middle + steps.cumsum(axis=0) - steps.sum(axis=0) / 2, np.float32)


def lay(light: Floats, line: Floats, radius: float, grey: float, opacity: float) -> None:
    """A line of one thickness and cover over the picture."""
    cover, far = np.zeros(light.shape[:2], np.float32), math.ceil(radius) + 2
    for x, y in line.tolist():
        top, left = max(0, int(y) - far), max(0, int(x) - far)
        part = cover[top : max(0, int(y) + far + 1), left : max(0, int(x) + far + 1)]
        if part.size:
            down, across = np.ogrid[top : top + part.shape[0], left : left + part.shape[1]]
            away = np.hypot(down + 0.5 - y, across + 0.5 - x)
            # A line thinner than a pixel covers that much of it.
            np.maximum(part, np.clip(radius + 0.5 - away, 0, min(1, 2 * radius)), out=part)
    light += (grey - light) * (cover * opacity)[..., None]


def hair(random: np.random.Generator, light: Floats, ppi: float) -> dict[str, Any]:
    ppmm = ppi / MM_PER_INCH
    at = random.uniform(0.05, 0.95, 2) * light.shape[1::-1]
    line = arc(at, random.uniform(0, math.tau), random.uniform(2.5, 10), random.normal(0, 0.6), ppmm)
    dark, width = bool(random.random() < 0.7), random.uniform(0.04, 0.1)
    grey = random.uniform(40, 150) if dark else random.uniform(225, 250)
    lay(light, line, width / 2 * ppmm, grey, random.uniform(0.3, 0.9))
    return {"kind": "hair", "points_px": line[:: max(1, len(line) // 8)].tolist(), "dark": dark}


def blob(light: Floats, at: tuple[float, float], radius: float, colour: tuple[int, ...], opacity: float) -> None:
    """An antialiased disc over the picture."""
    far = math.ceil(radius) + 2
    row, column = int(at[1]), int(at[0])
    top, left = max(0, row - far), max(0, column - far)
    part = light[top : max(0, row + far + 1), left : max(0, column + far + 1)]
    if part.size:
        y, x = np.mgrid[top : top + part.shape[0], left : left + part.shape[1]] + 0.5
        cover = np.clip(radius + 0.5 - np.hypot(x - at[0], y - at[1]), 0, 1)[..., None].astype(np.float32) * opacity
        part += (np.array(colour, np.float32) - part) * cover


def speck(random: np.random.Generator, light: Floats, ppi: float) -> dict[str, Any]:
    rows, columns = light.shape[:2]
    at = float(random.uniform(20, columns - 20)), float(random.uniform(20, rows - 20))
    radius = float(random.uniform(0.15, 0.6) / 2 * ppi / MM_PER_INCH)
    dark = bool(random.random() < 0.8)
    value = random.uniform(60, 170) if dark else random.uniform(225, 250)
    blob(light, at, radius, (value, value, value), float(random.uniform(0.35, 0.9)))
    return {"kind": "speck", "xy": at, "radius_px": radius, "dark": dark}


def softened(light: Floats) -> Floats:
    """A sharp sensor's blur, sigma 0.6 pixels."""
    side = math.exp(-1 / (2 * 0.6**2))
    taps = np.array([side, 1, side], np.float32) / (1 + 2 * side)
    for axis in (0, 1):
        padded = np.pad(light, [(1, 1) if a == axis else (0, 0) for a in range(3)], mode="edge")
        length = light.shape[axis]
        light = sum(tap * np.take(padded, range(i, i + length), axis) for i, tap in enumerate(taps))  # type: ignore[assignment]
    return light


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("folder", nargs="?", type=Path, default=DEFAULT)
    asked.add_argument("--strength", default="careful", choices=["careful", "thorough"])
    asked.add_argument("--scenes", type=int, default=8)
    asked.add_argument("--first", type=int, default=0, help="seed of the first drawn scene")
    asked.add_argument("--verbose", action="store_true")
    told = asked.parse_args()
    print(HEAD)
    for name, cases in (("scans", scans_in(told.folder)), ("drawn scenes", scenes(told.scenes, told.first))):
        total, worst = Score(), 0.0
        for case in cases:
            score = judged(case, told.strength)
            total.add(score)
            worst = max(worst, score.false)
            if told.verbose:
                print(score.line(case.name))
        print(total.line(name), f" at most {worst:.0f} false on one sheet")
        found, there = total.by_contrast_found, total.by_contrast
        print("  by contrast:", "; ".join(f"from {level}: {found[level]} of {there[level]}" for level in LEVELS))


if __name__ == "__main__":
    main()
