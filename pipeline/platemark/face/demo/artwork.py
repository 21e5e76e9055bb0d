"""Three invented pictures: a heron in pen and watercolour, quinces in gouache, a pale moonrise."""

import numpy as np

from platemark.face.demo import Easel, Painting, curve, disc, path, placed, stroke

HERON = curve(
    "89,65 94,69 96.5,76 96,83 92,93 87.5,102 87,111 92,118.5 104,124 117,136 129,155 138,175 147.5,201 140,194 "
    "130,186.5 118,179 106,169.5 95,156 87,143 80,131 76,119 76,109 79,99 84,89 87.6,80.5 86.4,74.5 82,72 76,70.6 "
    "74,67.6 75.6,64 80,61.4 85.5,61.8",
    closed=True,
)
HERON_WING = "92,129,2 97,132,10 107,142,24 119,156,27 131,174,18 148,202,1"
HERON_QUILLS = curve("117,163 126,163 134,174 141,187 149,204 139,195 128,186 119,176", closed=True)
HERON_LEGS = (
    "109,172,1 110.5,176,5.5 111.6,185,2.6 110.6,203,1.7 109.9,206,2.8 110.4,209,1.7 112,238,1.5",
    "119,180,1 120.8,183,5 122,190,2.5 122.6,207,1.7 122.3,210,2.8 121.4,213,1.7 117.5,243,1.5",
)
HERON_LINES = (
    "74.3,64.8,0.3 66,66.9,0.6 56,70,0.5 43,74.8,0.15", "74.6,69.2,0.3 66,70.3,0.4 56,72.3,0.3 43,74.8,0.15",  # bill
    "73,67,0.2 68,68.2,0.5 60,70.3,0.2", "78.2,65.9,0.2 78.9,65.3,1.3 79.7,65.7,1.4 80.2,66.1,0.2",  # and eye
    "83,62,0.4 92,63.6,1.1 101,68,0.8 115,77.5,0.15", "84,63.5,0.3 93,66.5,0.8 103,74,0.5 110,80,0.1",  # crest
    ("75.6,64,0.3 80,61.4,0.6 85.5,61.8,0.8 89,65,0.6 94,69,0.35 96.5,76,0.6 96,83,0.7 92,93,0.4 87.5,102,0.5 "
     "87,111,0.7 92,118.5,0.3"),  # nape
    ("82,72,0.1 86.4,74.5,0.5 87.6,80.5,0.5 84,89,0.2 79,99,0.6 76,109,0.7 76,119,0.4 80,131,0.6 87,143,0.3 "
     "95,156,0.7 106,169.5,0.4"),  # throat and breast
    "94,119.5,0.2 104,124,0.8 117,136,0.9 129,155,0.5 138,175,0.8 147.5,201,0.2",  # back
    "76,67.6,0.2 78,69.4,0.35 83,70.4,0.1", "112,174,0.2 118,179,0.5 130,186.5,0.4 140,194,0.6 147.5,201,0.2",
)  # fmt: skip
# Fruit, leaves and petals are in units of their size; all else is in millimetres on the sheet.
QUINCE = (
    "0.03,-0.98 0.26,-1.04 0.46,-0.84 0.72,-0.58 0.97,-0.12 0.96,0.35 0.72,0.8 0.3,0.98 0.1,0.9 -0.12,0.97 -0.54,0.9 "
    "-0.9,0.56 -1.0,0.1 -0.88,-0.38 -0.6,-0.7 -0.42,-0.96 -0.2,-1.06"
)
QUINCE_SHADE = (
    "0.3,-1 0.46,-0.84 0.72,-0.58 0.97,-0.12 0.96,0.35 0.72,0.8 0.3,0.98 0.1,0.9 -0.12,0.97 -0.54,0.9 -0.1,0.78 "
    "0.3,0.5 0.5,0.1 0.42,-0.4"
)
QUINCE_DEEP = "0.86,-0.2 0.97,0.1 0.96,0.35 0.72,0.8 0.3,0.98 0.1,0.9 0.4,0.74 0.66,0.4"
QUINCE_LIGHT = "-0.5,-0.4 -0.28,-0.6 -0.12,-0.4 -0.22,0 -0.5,0.3 -0.68,0.2 -0.66,-0.1"
STALK = "0,-1 0.05,-1.2 0.2,-1.45 0.3,-1.45 0.16,-1.15 0.1,-1"
LEAF = "0,0 0.22,-0.24 0.55,-0.28 1,0 0.6,0.2 0.25,0.17"
LEAF_SHADE = "0,0 0.22,0 0.55,0 1,0 0.6,0.19 0.25,0.16"
PETAL = "0,0 0.4,-0.4 0.9,-0.34 1.05,0 0.9,0.34 0.4,0.4"


def heron(ppi: int) -> Painting:
    """A heron in reeds before a low sun: pen and watercolour."""
    easel = Easel((185, 265), ppi, seed=1201)
    _morning(easel)
    _evening_water(easel)
    _reeds(easel)
    _heron_in_wash(easel)
    _heron_in_ink(easel)
    easel.sign(128, 255)
    return easel.finished()


def quince(ppi: int) -> Painting:
    """Quinces beside a blue jug: gouache inside a margin of paper."""
    easel = Easel((148, 210), ppi, seed=1202)
    _room(easel)
    _sprig(easel)
    _jug(easel)
    _fruit(easel, 107, 112, 20, -8)
    _fruit(easel, 80, 145, 20, 16)
    _half_fruit(easel, 115, 153)
    easel.sign(106, 188)
    return easel.finished(ink="#4d4a4c")


def moonrise(ppi: int) -> Painting:
    """The moon over a lake, pale, with much bare paper."""
    easel = Easel((210, 148), ppi, seed=1203)
    _night_sky(easel)
    for y, height, colour, strength in ((74, 15, "#8799b3", 0.3), (81, 12, "#6d83a3", 0.42), (88, 8, "#4f6889", 0.55)):
        _hills(easel, y, height, colour, strength)
    for side in ("14,60,16 14,108,16", "198,60,26 198,108,26"):
        easel.lift(side, 0.9, edge=6)
    _lake(easel)
    _shore(easel)
    easel.sign(164, 136)
    return easel.finished(ink="#26334a")


def _morning(easel: Easel) -> None:
    """Sky, far bank and sun; the heron keeps most of its paper."""
    sky = "16,52 40,30 80,36 112,22 150,34 172,60 166,110 172,150 150,196 90,204 24,198 14,150 22,100"
    easel.wash(curve(sky, closed=True), "#5a7088", 0.30, edge=1.2, wobble=0.6, cloud=0.38, fade=(125, 10, 70, 200))
    easel.wash("20,150,10 80,158,40 140,152,20", "#e9b48a", 0.25, edge=9, rim=0, cloud=0.5)
    easel.lift(HERON, 0.75)
    easel.wash(disc(53, 86, 25), "#e4683f", 0.72, rim=0.8, cloud=0.2, fade=(50, 50, 60, 190))
    easel.wash("12,197,1 40,194,5 90,197,3 140,192,8 176,196,2", "#6f7f6c", 0.5, edge=1.8, wobble=1, rim=0.2)


def _evening_water(easel: Easel) -> None:
    """Ripples, closer together far off, with the sun and the heron in them."""
    random = easel.random
    for _ in range(34):
        near, half, strength = random.uniform(0, 1), random.uniform(10, 34), random.uniform(0.15, 0.42)
        easel.ripple(random.uniform(20, 165), 201 + 50 * near, half, 1.2 + 2.6 * near, "#3f7480", strength)
    for y, half in ((206, 22), (211, 15), (216, 18), (222, 9), (228, 12), (235, 5)):
        easel.ripple(53 + random.normal(0, 1.5), y, half, 2.4, "#e4683f", 0.5)
    for y, half in ((240, 13), (244, 20), (248, 12), (252, 16)):
        easel.ripple(115 + random.normal(0, 2), y, half, 2.6, "#2b3d55", 0.5)


def _reeds(easel: Easel) -> None:
    """Two stands of reeds: leaves in wash, some with a pen line, five in seed."""
    random = easel.random
    for middle, count, highest in ((158, 24, 55), (21, 15, 128)):
        for index in range(count):
            foot, top = middle + random.normal(0, 8), highest + random.uniform(0, 95)
            _reed(easel, index, min(max(foot, 12), 172), top, abs(random.normal(0, 8)) * (1 if middle < 90 else -1))
    for foot, top, lean in ((146, 74, -7), (161, 46, 4), (171, 92, 3), (15, 152, -3), (27, 126, 5)):
        _seed_head(easel, foot, top, lean)


def _reed(easel: Easel, index: int, foot: float, top: float, lean: float) -> None:
    """One leaf, leaning by `lean` mm at its tip; every fourth is broken and hangs over."""
    random = easel.random
    leaf = [(foot, random.uniform(238, 251), 0.4), (foot + 0.1 * lean, 225, 2.2)]
    leaf += [(foot + 0.3 * lean, (215 + top) / 2, random.uniform(1.4, 3)), (foot + lean, top, 0.2)]
    if index % 4 == 0:
        leaf += [(foot + 1.9 * lean, top + 9, 1.4), (foot + 2.4 * lean, top + 26, 0.1)]
    colour = ("#7f8244", "#b98a3a", "#55683f", "#8f9a5c")[index % 4]
    easel.wash(leaf, colour, random.uniform(0.3, 0.75), edge=(0.9, 0.2, 0.2)[index % 3], rim=0.7)
    if index % 3 == 1:
        easel.ink([(x + 0.45 * width, y, 0.1 + 0.13 * width) for x, y, width in leaf])


def _seed_head(easel: Easel, foot: float, top: float, lean: float) -> None:
    """A stem with its brown cylinder, hatched with the pen."""
    random = easel.random
    easel.ink([(foot, 249, 1), (foot + 0.15 * lean, 190, 0.8), (foot + 0.6 * lean, top / 2 + 80, 0.6),
               (foot + lean, top - 11, 0.2)])  # fmt: skip
    easel.wash([(foot + 0.8 * lean, top + 23, 0.6), (foot + 0.82 * lean, top + 20, 4.6),
                (foot + 0.94 * lean, top + 3, 4.4), (foot + 0.95 * lean, top, 0.6)],
               "#6b4023", 0.95, edge=0.2, rim=0.8, cloud=0.4)  # fmt: skip
    for _ in range(46):
        low, side = random.uniform(0, 1), random.uniform(-0.4, 2.1)
        x, y = foot + (0.94 - 0.12 * low) * lean + side, top + 4 + 17 * low
        easel.ink([(x, y, 0.08), (x + 0.1, y - 1, 0.28), (x + 0.2, y - 2.2, 0.08)], steps=3)


def _heron_in_wash(easel: Easel) -> None:
    """The bird in blues, light from the left, its bill in ochre."""
    easel.wash(HERON, "#7f92a6", 0.45, edge=0.2, rim=0.8, fade=(128, 130, 74, 122))
    easel.wash("93,72,1 94,80,4 89,93,4 84.5,104,4 84,113,4 92,122,5 99,126,1", "#46607f", 0.35, edge=0.7)
    easel.wash(HERON_WING, "#46607f", 0.75, rim=0.9, cloud=0.35)
    easel.wash("100,133,1 111,140,7 124,157,8 133,174,3", "#46607f", 0.4, edge=1.4, rim=0)
    easel.wash(HERON_QUILLS, "#22304a", 0.8, rim=0.7)
    easel.wash("78,62.5,0.5 84,62.2,3 92,65,2.6 102,70,1.6 114,77.5,0.2", "#22304a", 0.9, edge=0.2)
    easel.wash("77,66.6,1 75.6,66.8,4.6 66,68.6,3.6 56,71.2,2.2 43,74.8,0.2", "#dca03c", 0.95, edge=0.15, rim=0.8)
    for leg in HERON_LEGS:
        easel.wash(leg, "#7a6c48", 0.75, edge=0.2, rim=0.8)


def _heron_in_ink(easel: Easel) -> None:
    """Contours, legs, feathers, the spots of the throat and the plumes of the breast."""
    random, spine = easel.random, curve(HERON_WING)
    for line in HERON_LINES:
        easel.ink(line)
    for leg in HERON_LEGS:
        outline = stroke(path(leg)[1:])
        easel.ink(np.insert(outline[: len(outline) // 2], 2, 0.35, axis=1))
    for _ in range(70):
        start, across, reach = random.integers(8, len(spine) - 18), random.uniform(-0.46, 0.46), random.integers(7, 14)
        feather = spine[[start, start + reach // 2, start + reach]]
        feather[:, :2] += across * feather[:, 2:] * (0.83, -0.56)
        feather[:, 2] = (0.1, random.uniform(0.25, 0.7), 0.08)
        easel.ink(feather)
    for x, y in curve("85.8,86 82,94 79.2,102 78.2,110 78.6,120 80.4,127", steps=3):
        easel.ink([(x + 1.7, y, 0.1), (x + 1.3, y + 1, 0.45), (x + 1.2, y + 2.4, 0.1)])
    for k in range(6):
        x, y = 80 + 1.2 * k, 131 + 2 * k
        easel.ink([(x, y, 0.1), (x + 2 + 0.7 * k, y + 9, 0.4), (x + 8 + k, y + 23 - 0.8 * k, 0.08)])


def _room(easel: Easel) -> None:
    """Wall, a pane of light on it, the table with its cloth and shadows."""
    easel.gouache("15,16 74,15.4 133,16.3 133.4,70 133,124 70,122 15.2,125 14.6,70", "#17545f", streak=0.05)
    easel.gouache("84,16 120,16 104,122 62,123", "#2a7378", dry=0.35)
    easel.gouache("15,123 70,120 133,122 133.3,150 132.8,176.5 74,177.2 15.3,176.4 14.8,150", "#e2785a", streak=0.05)
    easel.gouache("15,150 60,168 76,177 15.3,176.4", "#f0c9a6", dry=0.2)
    for stripe in ("15,156 52,171 51,172.5 15,158", "15,161 42,173.5 41,175 15,163"):
        easel.gouache(stripe, "#2b4fa8")
    for x, y, wide in ((66, 134, 26), (114, 132, 17), (95, 165, 24), (118, 167, 13)):
        easel.gouache(disc(x, y, wide, 0.2), "#a8434a", dry=0.15)


def _sprig(easel: Easel) -> None:
    """Three twigs of quince in flower."""
    random = easel.random
    for twig in ("50,70,1.6 56,52,1.4 70,36,1.1 88,27,0.6", "48,70,1.6 45,50,1.3 36,36,0.9 28,28,0.5",
                 "53,60,1.2 66,58,1 80,62,0.5"):  # fmt: skip
        easel.gouache(twig, "#6b4a32")
        for index, (x, y, _) in enumerate(curve(twig)[8::4]):
            _leaf(easel, x, y, random.uniform(10, 15), random.uniform(-60, 80) + 180 * (index % 2))
    for x, y in ((86, 30), (62, 44), (33, 34), (77, 60)):
        for petal, turn in enumerate(random.uniform(0, 72) + np.arange(0, 360, 72)):
            easel.gouache(placed(PETAL, x, y, 5.4, turn), ("#f7e3dc", "#f0c4bf")[petal % 2])
        easel.gouache(disc(x, y, 1.4), "#e3a52c")


def _jug(easel: Easel) -> None:
    """A cobalt jug with a band of leaves."""
    body = "36,66 38,72 39,80 33,90 28,104 29,120 37,131 50,134 63,131 71,120 72,104 67,90 60,80 60,72 63,65 50,68"
    easel.gouache("38,76,3 28,74.5,4 20.5,82,4.2 21,95,4 29,108,3.4", "#1c3a8c")
    easel.gouache(curve(body, closed=True), "#2450b4")
    easel.gouache(curve("60,82 67,90 72,104 71,120 63,131 50,134 40,132 54,126 61,112 60,96", closed=True), "#16317c")
    easel.gouache("37,92,0.3 33.5,104,3.4 36,117,0.3", "#7fa5ea", dry=0.3)
    for x in range(36, 70, 6):
        y = 104.2 - 0.011 * (x - 50) ** 2
        easel.gouache(placed(LEAF, x, y, 6, 50), "#f1ead8")
        easel.gouache(placed(LEAF, x, y, 6, -50), "#f1ead8")
    easel.gouache("36,67,0.6 43,69,1.6 50,69.5,1.8 57,68.6,1.6 63,66,0.6", "#0f2256")


def _leaf(easel: Easel, x: float, y: float, size: float, tilt: float) -> None:
    """A leaf in two greens, growing from (x, y) towards `tilt`."""
    easel.gouache(placed(LEAF, x, y, size, tilt), "#86a84a", streak=0.1)
    easel.gouache(placed(LEAF_SHADE, x, y, size, tilt), "#3f7a3c", streak=0.1)


def _fruit(easel: Easel, x: float, y: float, size: float, tilt: float) -> None:
    """A quince in four flat tones, with a leaf."""
    tones = ((QUINCE, "#f2b91f", 0), (QUINCE_SHADE, "#d08a1a", 0.2), (QUINCE_DEEP, "#9a5a1c", 0.3),
             (QUINCE_LIGHT, "#fbe276", 0.3), (STALK, "#5a3a20", 0))  # fmt: skip
    for shape, colour, dry in tones:
        easel.gouache(placed(shape, x, y, size, tilt), colour, dry=dry)
    leaf_x, leaf_y, *_ = placed(STALK, x, y, size, tilt)[24]
    _leaf(easel, leaf_x, leaf_y, 0.75 * size, tilt + 10)


def _half_fruit(easel: Easel, x: float, y: float) -> None:
    """Half a quince, its cut face towards us."""
    for size, colour in ((15, "#c98a1c"), (14, "#f6e3a6"), (6, "#e5c274")):
        easel.gouache(placed(QUINCE, x, y, size, 75), colour, streak=0.04)
    for dx, dy, tilt in ((-2.5, -1.6, 20), (2, -2, 160), (-1.5, 2, -30), (2.2, 1.8, 200)):
        easel.gouache(placed(LEAF, x + dx, y + dy, 3.4, tilt), "#4a2a18")


def _night_sky(easel: Easel) -> None:
    """A thin wash, a breath of warmth on the horizon, and the moon kept white."""
    sky = curve("18,30 50,16 100,20 150,13 192,24 196,60 188,84 100,88 26,84 14,60", closed=True)
    easel.wash(sky, "#5f7698", 0.36, edge=2.6, wobble=0.45, rim=0.3, cloud=0.4, fade=(105, 8, 105, 88))
    easel.wash("24,82,8 90,78,16 186,82,10", "#e8b9a0", 0.3, edge=6, rim=0, cloud=0.5)
    easel.lift(disc(138, 45, 19), 0.55, edge=5)
    easel.lift(disc(138, 45, 10.5), 0.95, edge=0.12)
    easel.wash(disc(137, 46, 9), "#e9cf9a", 0.13, edge=1.5, rim=0, cloud=0.8)


def _hills(easel: Easel, y: float, height: float, colour: str, strength: float) -> None:
    """One range, crisp above and lost in mist below."""
    ridge = curve([(x, y - height * easel.random.uniform(0.1, 1)) for x in range(22, 192, 13)])
    shape = np.concatenate([[(16, y + 4)], ridge, [(196, y + 8), (190, y + 16), (20, y + 16)]])
    easel.wash(shape, colour, strength, edge=0.4, wobble=0.7, cloud=0.35, fade=(105, y - height, 105, y + 11))


def _lake(easel: Easel) -> None:
    """Ripples, fewer where the moon shines on the water, and a boat."""
    random = easel.random
    for _ in range(30):
        near, x = random.uniform(0, 1), random.uniform(24, 186)
        strength = random.uniform(0.12, 0.34) * (0.25 if abs(x - 138) < 16 else 1)
        easel.ripple(x, 99 + 34 * near, random.uniform(8, 26), 0.7 + 1.5 * near, "#6d86a6", strength)
    for k in range(7):
        easel.ripple(138 + random.normal(0, 2), 99 + 4 * k, 9 - 0.8 * k, 1.1, "#e0b070", 0.3)
    easel.ink("98,112.6,0.3 101,113.8,2 108,114.2,2.6 115,113.8,2 118.5,112.2,0.3")
    easel.ink("107,113,1.6 107.4,110.5,2.4 107.2,108.4,1.2")
    easel.ink("106.8,107.6,0.6 107.2,107,1.6 107.6,106.4,0.6")
    easel.ink("109,110.5,0.3 103,113,0.35 95,117,0.5")
    for y, half in ((116.4, 9), (118.4, 6), (120.6, 3)):
        easel.ripple(108, y, half, 0.9, "#3b4d69", 0.6)


def _shore(easel: Easel) -> None:
    """A dark spit on the left with spruces, and both in the water."""
    random, dark = easel.random, "#2b3d56"
    easel.wash("13,108,2 30,106,8 52,108,5 78,111,0.4", dark, 0.85, edge=0.4, wobble=0.9, cloud=0.35)
    for x, height in ((20, 34), (27, 46), (33, 30), (41, 38), (48, 22), (54, 15), (60, 10)):
        _spruce(easel, x + random.normal(0, 0.7), 107.5, height)
    for _ in range(9):
        left, down, half = random.uniform(24, 56), random.uniform(113, 124), random.uniform(5, 16)
        easel.ripple(left, down, half, 1.2, dark, random.uniform(0.2, 0.5))


def _spruce(easel: Easel, x: float, foot: float, height: float) -> None:
    """A spruce in brush and pen: boughs that lengthen downwards, ragged on both sides."""
    random, boughs = easel.random, int(height)
    easel.wash([(x, foot - height, 0.4), (x, foot - 1, 0.24 * height)], "#2f455c", 0.6, wobble=1)
    easel.ink([(x, foot, 0.9), (x + 0.2, foot - height / 2, 0.6), (x, foot - height, 0.15)])
    for bough in range(boughs):
        low = (bough + 0.5) / boughs
        y = foot - height * (1 - low * 0.93) + random.uniform(-0.4, 0.4)
        for side in (-1, 1):
            reach = (0.4 + 0.19 * height * low) * random.uniform(0.45, 1.15)
            tip = (x + side * reach, y + random.uniform(0.1, 0.4) * reach, 0.15)
            easel.ink([(x, y - 0.3, 0.6), (x + side * reach / 2, y + 0.3, 1.1), tip], steps=4)
