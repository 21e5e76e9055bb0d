"""Printer profiles for tests, made from numbers.

The RGB one is the built-in sRGB profile under the class of printers. The CMYK one is a made-up press: each ink takes
its own third of linear light, black takes all of what is there. Tables are lut16 as in ICC.1:2001-04 clause 6.5.9.
"""

from functools import cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from platemark import Profile, srgb
from platemark.pixels.profiles import read_profile

Numbers = NDArray[np.float64]

# D50, and linear sRGB to XYZ at D50: IEC 61966-2-1 primaries carried over by the Bradford transform.
_WHITE = np.array([0.9642, 1.0, 0.8249])
_TO_XYZ = np.array([[0.4360, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7139]])
_CURVE = np.linspace(0, 65535, 2).astype(">u2").tobytes()


@cache
def rgb_printer() -> Profile:
    return read_profile(_of_class(srgb().data, b"prtr"), "a printer for tests")


def _of_class(data: bytes, kind: bytes) -> bytes:
    return data[:12] + kind + data[16:]


@cache
def cmyk_printer() -> Profile:
    inks = np.array(list(product(np.linspace(0, 1, 5), repeat=4)))
    colours = np.array(list(product(np.linspace(0, 1, 13), repeat=3)))
    tags = {b"A2B0": _lut(4, 3, 5, _encoded_lab(_printed(inks))), b"B2A0": _lut(3, 4, 13, _separated(colours))}
    return read_profile(_profile(tags), "a press for tests")


@cache
def grey_paper() -> Profile:
    """The RGB printer on a paper that gives back four fifths of the light."""
    data = srgb().data
    at = data.index(b"wtpt", 128)
    start = int.from_bytes(data[at + 4 : at + 8], "big") + 8
    white = np.rint(_WHITE * 0.8 * 65536).astype(">i4").tobytes()
    return read_profile(_of_class(data[:start] + white + data[start + 12 :], b"prtr"), "a printer on grey paper")


@cache
def two_way_printer() -> Profile:
    """The press, by relative colorimetric as it is, by perceptual with all colours drawn together by 45 per cent."""
    inks = np.array(list(product(np.linspace(0, 1, 5), repeat=4)))
    colours = np.array(list(product(np.linspace(0, 1, 25), repeat=3)))
    there = _lut(4, 3, 5, _encoded_lab(_printed(inks)))
    drawn = (colours - (1, 0.5, 0.5)) * 0.55 + (1, 0.5, 0.5)
    back = {b"B2A0": _lut(3, 4, 25, _separated(drawn)), b"B2A1": _lut(3, 4, 25, _separated(colours))}
    return read_profile(_profile({b"A2B0": there, b"A2B1": there, **back}), "a press with two ways")


def _printed(inks: Numbers) -> Numbers:
    """CIELAB of inks: full cyan, magenta and yellow leave 4 per cent of their third, full black 2 per cent of all."""
    light = (1 - 0.96 * inks[:, :3]) * (1 - 0.98 * inks[:, 3:])
    share = light @ _TO_XYZ.T / _WHITE
    f = np.where(share > 216 / 24389, np.cbrt(share), (24389 / 27 * share + 16) / 116)
    return np.stack([116 * f[:, 1] - 16, 500 * (f[:, 0] - f[:, 1]), 200 * (f[:, 1] - f[:, 2])], axis=1)


def _separated(grid: Numbers) -> NDArray[np.uint16]:
    """Inks for the colours of an even grid of encoded CIELAB."""
    lightness, a, b = grid[:, 0] * 65535 / 65280 * 100, grid[:, 1] * 65535 / 256 - 128, grid[:, 2] * 65535 / 256 - 128
    fy = (lightness + 16) / 116
    f = np.stack([fy + a / 500, fy, fy - b / 200], axis=1)
    xyz = np.where(f > 6 / 29, f**3, (116 * f - 16) * 27 / 24389) * _WHITE
    wanted = np.clip((1 - np.clip(xyz @ np.linalg.inv(_TO_XYZ).T, 0, 1)) / 0.96, 0, 1)
    return np.rint(np.c_[wanted, np.zeros(len(wanted))] * 65535).astype(np.uint16)


def _encoded_lab(lab: Numbers) -> NDArray[np.uint16]:
    """ICC.1:2001-04 clause 6.5.9: 0xFF00 is L* 100, 0x8000 is a* 0."""
    return np.clip(np.rint(np.c_[lab[:, 0] * 652.8, (lab[:, 1:] + 128) * 256]), 0, 65535).astype(np.uint16)


def _lut(inputs: int, outputs: int, points: int, table: NDArray[np.uint16]) -> bytes:
    unit = np.eye(3, dtype=">i4") * 65536
    head = b"mft2" + bytes(4) + bytes([inputs, outputs, points, 0]) + unit.astype(">i4").tobytes()
    return head + b"\0\2\0\2" + _CURVE * inputs + table.astype(">u2").tobytes() + _CURVE * outputs


def _profile(tags: dict[bytes, bytes]) -> bytes:
    """The built-in profile's header, description, rights and white point, with these tables."""
    base = srgb().data
    count = int.from_bytes(base[128:132], "big")
    for entry in (base[132 + 12 * i : 144 + 12 * i] for i in range(count)):
        if entry[:4] in {b"desc", b"cprt", b"wtpt"}:
            start, size = int.from_bytes(entry[4:8], "big"), int.from_bytes(entry[8:12], "big")
            tags = {**tags, entry[:4]: base[start : start + size]}
    table, data, place = len(tags).to_bytes(4, "big"), b"", 132 + 12 * len(tags)
    for name, body in tags.items():
        table += name + (place + len(data)).to_bytes(4, "big") + len(body).to_bytes(4, "big")
        data += body + bytes(-len(body) % 4)
    header = _of_class(base, b"prtr")[4:128].replace(b"RGB XYZ ", b"CMYKLab ")
    return (128 + len(table) + len(data)).to_bytes(4, "big") + header + table + data
