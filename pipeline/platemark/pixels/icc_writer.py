"""A small writer of ICC profiles, so that none under another licence is shipped.

Version 2.4, matrix and curve: what every reader understands. The creation date is fixed, since
a profile ends up in files that must come out the same (a library's own writer embeds the clock).
"""

from collections.abc import Sequence

# ICC.1 clause 7.2.16: the D50 white of the profile connection space, as s15Fixed16.
_D50 = bytes.fromhex("0000f6d6000100000000d32d")
# The sRGB primaries carried to D50 by the Bradford transform, a column each: red, green, blue.
# Source: IEC 61966-2-1 primaries, matrix as in the CSS Color 4 sample code.
_SRGB_COLUMNS = (
    (0.43604125, 0.22248454, 0.01392019),
    (0.38511291, 0.71690508, 0.09706724),
    (0.14304584, 0.06061038, 0.71391257),
)
_CURVE_POINTS = 1024
_RIGHTS = "CC0: no rights reserved"


def srgb_profile() -> bytes:
    """The sRGB profile.

    Source:
        IEC 61966-2-1:1999; layout by ICC.1:2001-04 (version 2.4).
    """
    curve = _curve()
    red, green, blue = (_xyz(column) for column in _SRGB_COLUMNS)
    colorants = [("rXYZ", red), ("gXYZ", green), ("bXYZ", blue)]
    curves = [("rTRC", curve), ("gTRC", curve), ("bTRC", curve)]
    return _profile("sRGB (platemark)", b"mntr", b"RGB ", [*colorants, *curves])


def grey_profile() -> bytes:
    """A grey profile with the tone curve of sRGB.

    Source:
        ICC.1 clause 8.3.4 (monochrome profiles); curve from IEC 61966-2-1.
    """
    return _profile("Grey, sRGB curve (platemark)", b"mntr", b"GRAY", [("kTRC", _curve())])


def _decoded(code: float) -> float:
    """Linear light of an sRGB value in [0, 1]. Source: IEC 61966-2-1."""
    return code / 12.92 if code <= 0.04045 else ((code + 0.055) / 1.055) ** 2.4


def _curve() -> bytes:
    points = [round(65535 * _decoded(i / (_CURVE_POINTS - 1))) for i in range(_CURVE_POINTS)]
    body = b"".join(point.to_bytes(2, "big") for point in points)
    return b"curv" + bytes(4) + _CURVE_POINTS.to_bytes(4, "big") + body


def _xyz(values: Sequence[float]) -> bytes:
    return b"XYZ " + bytes(4) + b"".join(round(v * 65536).to_bytes(4, "big", signed=True) for v in values)


def _text(text: str) -> bytes:
    return b"text" + bytes(4) + text.encode("ascii") + b"\0"


def _description(text: str) -> bytes:
    """The textDescriptionType of version 2, with its empty Unicode and Macintosh parts."""
    ascii_part = text.encode("ascii") + b"\0"
    return b"desc" + bytes(4) + len(ascii_part).to_bytes(4, "big") + ascii_part + bytes(4 + 4 + 2 + 1 + 67)


def _profile(name: str, kind: bytes, space: bytes, tags: list[tuple[str, bytes]]) -> bytes:
    """Lay out header, tag table and tag data; equal data is stored once."""
    white = b"XYZ " + bytes(4) + _D50
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
        (start + len(data)).to_bytes(4, "big") + bytes(4) + bytes.fromhex("02400000") + kind + space + b"XYZ "
        + date + b"acsp" + bytes(4) + bytes(4) + bytes(4) + bytes(4) + bytes(8) + bytes(4) + _D50
    )  # fmt: skip
    return header.ljust(128, b"\0") + table + data
