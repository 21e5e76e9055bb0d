"""A small writer of ICC profiles, so that none under another licence is shipped.

Version 2.4, matrix and curve or one table: what every reader understands. The creation date is fixed, since
a profile ends up in files that must come out the same (a library's own writer embeds the clock).
"""

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

# ICC.1 clause 7.2.16: the D50 white of the profile connection space, as s15Fixed16.
_D50 = bytes.fromhex("0000f6d6000100000000d32d")
_WHITE = np.frombuffer(_D50, ">i4") / 65536
_PERFECT = b"XYZ " + bytes(4) + _D50
# Cone responses by which a white is carried to another. Source: Bradford matrix, ICC.1 annex E.
_BRADFORD = np.array([[0.8951, 0.2664, -0.1614], [-0.7502, 1.7135, 0.0367], [0.0389, -0.0685, 1.0296]])
_D65_XY, _D50_XY = (0.3127, 0.3290), (0.3457, 0.3585)  # CIE 15
# The sRGB primaries carried to D50 by the Bradford transform, a column each: red, green, blue.
# Source: IEC 61966-2-1 primaries, matrix as in the CSS Color 4 sample code.
_SRGB_COLUMNS = (
    (0.43604125, 0.22248454, 0.01392019),
    (0.38511291, 0.71690508, 0.09706724),
    (0.14304584, 0.06061038, 0.71391257),
)
_CURVE_POINTS = 1024
_RIGHTS = "CC0: no rights reserved"

Numbers = NDArray[np.float64]
_STRAIGHT = (np.array([0.0, 1.0]),) * 3


def srgb_profile() -> bytes:
    """The sRGB profile.

    Source:
        IEC 61966-2-1:1999; layout by ICC.1:2001-04 (version 2.4).
    """
    return matrix_profile("sRGB (platemark)", b"mntr", _SRGB_COLUMNS, [_sampled(_srgb_light, _CURVE_POINTS)] * 3)


def oprgb_profile() -> bytes:
    """The opRGB profile.

    Source:
        IEC 61966-2-5:2007: primaries, white D65, and a curve of 563 / 256, which ICC holds exactly in one number.
    """
    columns = _columns(((0.64, 0.33), (0.21, 0.71), (0.15, 0.06)), _D65_XY)
    power = b"curv" + bytes(4) + (1).to_bytes(4, "big") + (563).to_bytes(2, "big")
    return matrix_profile("opRGB (platemark)", b"mntr", columns, [power] * 3)


def romm_profile() -> bytes:
    """The ROMM RGB profile.

    Source:
        ISO 22028-2:2013: primaries, white D50, a curve of 1.8 with a straight foot below code 1/32.
    """
    columns = _columns(((0.7347, 0.2653), (0.1596, 0.8404), (0.0366, 0.0001)), _D50_XY)
    # 4096 points, the most that lcms2 and others read everywhere: the foot is 128 of them.
    return matrix_profile("ROMM RGB (platemark)", b"mntr", columns, [_sampled(_romm_light, 4096)] * 3)


def exchanged_profile() -> bytes:
    """A profile to see whether profiles are honoured: sRGB with green and blue exchanged. Its greys are those of sRGB.

    Source:
        As `srgb_profile`.
    """
    red, green, blue = _SRGB_COLUMNS
    name = "Green and blue exchanged (platemark)"
    return matrix_profile(name, b"mntr", (red, blue, green), [_sampled(_srgb_light, _CURVE_POINTS)] * 3)


def grey_profile() -> bytes:
    """A grey profile with the tone curve of sRGB.

    Source:
        ICC.1 clause 8.3.4 (monochrome profiles); curve from IEC 61966-2-1.
    """
    curve = _sampled(_srgb_light, _CURVE_POINTS)
    return _profile("Grey, sRGB curve (platemark)", b"mntr", b"GRAY", b"XYZ ", [("kTRC", curve)])


def matrix_profile(
    name: str, kind: bytes, columns: Sequence[Sequence[float]] | Numbers, curves: Sequence[bytes]
) -> bytes:
    """An RGB profile of three curves and a matrix.

    Args:
        name: ASCII.
        kind: class: `mntr`, `scnr`.
        columns: XYZ of red, green and blue at full light, relative to the D50 of ICC.
        curves: three, as `curve` makes them.

    Source:
        ICC.1:2001-04 clauses 6.3.1.2 and 6.3.2.2 (three-component matrix-based profiles).
    """
    names = "rgb"
    colorants = [(f"{c}XYZ", _xyz(column)) for c, column in zip(names, np.asarray(columns), strict=True)]
    tones = [(f"{c}TRC", body) for c, body in zip(names, curves, strict=True)]
    return _profile(name, kind, b"RGB ", b"XYZ ", [*colorants, *tones])


def table_profile(name: str, kind: bytes, entries: Sequence[Numbers], lab: Numbers) -> bytes:
    """An RGB profile of one table to CIELAB.

    Args:
        name: ASCII.
        kind: class: `scnr`.
        entries: three curves by which a channel enters the table, 0 to 1, of one length (2 to 4096).
        lab: CIELAB at the points of an even grid, shape (n, n, n, 3), red slowest; D50.

    Source:
        ICC.1:2001-04 clause 6.5.9 (lut16Type), with CIELAB as 0xFF00 for L* 100 and 0x8000 for a* 0 (clause 6.3.4.2).
    """
    body = _table(_encoded(lab), entries)
    # Under both names, stored once: who asks for relative colours must not be given perceptual ones in their place.
    return _profile(name, kind, b"RGB ", b"Lab ", [("A2B0", body), ("A2B1", body)])


def printer_profile(name: str, white: Numbers, lab: Numbers, perceptual: Numbers, relative: Numbers) -> bytes:
    """An RGB profile of a printer with its ink and paper.

    Args:
        name: ASCII.
        white: XYZ of the bare paper, relative to a perfect white; shape (3,).
        lab: CIELAB of the print, relative to the bare paper, at the points of an even grid of codes: (n, n, n, 3).
        perceptual: codes 0 to 1 at the points of an even grid of `lab_grid(n)`, (n, n, n, 3).
        relative: as `perceptual`, for relative colorimetric rendering.

    Source:
        ICC.1:2001-04 clauses 6.3.2.1 (output profiles), 6.5.9 (lut16Type), 6.3.4.2 (CIELAB of 16 bits).
    """
    to_lab = _table(_encoded(lab))
    # Lightness enters stretched, so that the grid ends at L* 100: bare paper then takes no ink, to the last digit.
    even = np.linspace(0, 1, 257)
    entries = (np.minimum(even * 65535 / 65280, 1), even, even)
    smooth, exact = (_table(np.rint(np.clip(codes, 0, 1) * 65535), entries) for codes in (perceptual, relative))
    there = [("A2B0", to_lab), ("A2B1", to_lab), ("A2B2", to_lab)]
    back = [("B2A0", smooth), ("B2A1", exact), ("B2A2", smooth)]
    return _profile(name, b"prtr", b"RGB ", b"Lab ", [*there, *back], _xyz(white))


def lab_grid(points: int) -> Numbers:
    """CIELAB of an even grid, L* 0 to 100 and all a*, b* that ICC can write; see `printer_profile`."""
    colour = (np.linspace(0, 65535, points) - 32768) / 256
    return np.stack(np.meshgrid(np.linspace(0, 100, points), colour, colour, indexing="ij"), axis=-1)


def _encoded(lab: Numbers) -> Numbers:
    """0xFF00 is L* 100, 0x8000 is a* 0 (ICC.1:2001-04 clause 6.3.4.2)."""
    return np.rint(np.clip(lab * (652.8, 256, 256) + (0, 32768, 32768), 0, 65535))


def _table(codes: Numbers, entries: Sequence[Numbers] = _STRAIGHT) -> bytes:
    """The lut16Type: a grid of three channels to three, (n, n, n, 3), behind a curve for each channel."""
    unit = (np.eye(3) * 65536).astype(">i4").tobytes()
    straight = np.array([0, 65535], ">u2").tobytes()
    return (
        b"mft2" + bytes(4) + bytes([3, 3, codes.shape[0], 0]) + unit
        + len(entries[0]).to_bytes(2, "big") + (2).to_bytes(2, "big")
        + b"".join(_codes(entry) for entry in entries) + codes.astype(">u2").tobytes() + straight * 3
    )  # fmt: skip


def curve(points: Numbers) -> bytes:
    """A tone curve from its values at even steps, 0 to 1. Source: ICC.1:2001-04 clause 6.5.3 (curveType)."""
    return b"curv" + bytes(4) + len(points).to_bytes(4, "big") + _codes(points)


def _codes(points: Numbers) -> bytes:
    return np.rint(np.clip(points, 0, 1) * 65535).astype(">u2").tobytes()


def _columns(primaries: Sequence[tuple[float, float]], white: tuple[float, float]) -> Numbers:
    """XYZ of red, green and blue, a row each, at the D50 of ICC.

    Source:
        Grassmann's law (SMPTE RP 177); chromatic adaptation by Bradford, ICC.1 annex E.
    """
    corners = np.array([_xyz_of(*xy) for xy in primaries])
    white_xyz = np.array(_xyz_of(*white))
    light = np.linalg.solve(corners.T, white_xyz)[:, None] * corners
    gain = (_BRADFORD @ _WHITE) / (_BRADFORD @ white_xyz)
    adapt = np.linalg.solve(_BRADFORD, gain[:, None] * _BRADFORD)
    carried: Numbers = light @ adapt.T
    return carried


def _xyz_of(x: float, y: float) -> tuple[float, float, float]:
    return x / y, 1.0, (1 - x - y) / y


def _srgb_light(code: float) -> float:
    """Linear light of an sRGB value in [0, 1]. Source: IEC 61966-2-1."""
    return code / 12.92 if code <= 0.04045 else ((code + 0.055) / 1.055) ** 2.4


def _romm_light(code: float) -> float:
    """Linear light of a ROMM RGB value in [0, 1]. Source: ISO 22028-2: 16 times below 1/512 of light."""
    return code / 16 if code < 16 / 512 else code**1.8


def _sampled(light: Callable[[float], float], points: int) -> bytes:
    """A curve from its formula."""
    return curve(np.array([light(i / (points - 1)) for i in range(points)]))


def _xyz(values: Sequence[float] | Numbers) -> bytes:
    return b"XYZ " + bytes(4) + b"".join(round(v * 65536).to_bytes(4, "big", signed=True) for v in values)


def _text(text: str) -> bytes:
    return b"text" + bytes(4) + text.encode("ascii") + b"\0"


def _description(text: str) -> bytes:
    """The textDescriptionType of version 2, with its empty Unicode and Macintosh parts."""
    ascii_part = text.encode("ascii") + b"\0"
    return b"desc" + bytes(4) + len(ascii_part).to_bytes(4, "big") + ascii_part + bytes(4 + 4 + 2 + 1 + 67)


def _profile(
    name: str, kind: bytes, space: bytes, connection: bytes, tags: list[tuple[str, bytes]], white: bytes = _PERFECT
) -> bytes:
    """Lay out header, tag table and tag data; equal data is stored once."""
    every = [("desc", _description(name)), ("cprt", _text(_RIGHTS)), ("wtpt", white), *tags]
    start = 128 + 4 + 12 * len(every)
    data, table, places = b"", len(every).to_bytes(4, "big"), {}
    for signature, body in every:
        if body not in places:
            places[body] = start + len(data)
            data += body + bytes(-len(body) % 4)
        table += signature.encode() + places[body].to_bytes(4, "big") + len(body).to_bytes(4, "big")
    date = b"".join(n.to_bytes(2, "big") for n in (2026, 1, 1, 0, 0, 0))
    header = (
        (start + len(data)).to_bytes(4, "big") + bytes(4) + bytes.fromhex("02400000") + kind + space + connection
        + date + b"acsp" + bytes(4) + bytes(4) + bytes(4) + bytes(4) + bytes(8) + bytes(4) + _D50
    )  # fmt: skip
    return header.ljust(128, b"\0") + table + data
