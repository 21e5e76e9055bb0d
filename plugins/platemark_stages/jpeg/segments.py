"""Segments: what stands in a JPEG file around the coded picture.

The encoder's own APPn and COM segments are thrown away and ours written, always the same and in this order: SOI, JFIF,
Exif, XMP, ICC, Adobe, and then the tables and the scan as they were encoded. No clock, no thumbnail, no program name:
the same export has the same bytes in any year.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from fractions import Fraction
from hashlib import sha256
from html import escape
from typing import TYPE_CHECKING, Final
from uuid import UUID

if TYPE_CHECKING:
    from collections.abc import Iterator

SOI: Final = b"\xff\xd8"
SOS: Final = 0xDA
COM: Final = 0xFE
APP0: Final = 0xE0
APP1: Final = 0xE1
APP2: Final = 0xE2
APP14: Final = 0xEE
APPLICATION: Final = range(0xE0, 0xF0)
# SOF0 to SOF15 without DHT, JPG and DAC, which lie in the same range.
FRAMES: Final = frozenset(range(0xC0, 0xD0)) - {0xC4, 0xC8, 0xCC}

MAX_DENSITY: Final = 65535  # 16 bits
MAX_PAYLOAD: Final = 65533  # the length field counts itself
ICC_CHUNK: Final = 65519  # 14 bytes less: the name, the number of the chunk and how many there are
ICC_CHUNKS: Final = 255
MAX_XMP: Final = 65502  # ISO 16684-3; two bytes less than arithmetic would allow

_IPTC: Final = ' xmlns:Iptc4xmpCore="http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/"'
_GREY, _RGB, _CMYK = 1, 3, 4
_COLOUR_SPACES: Final = {_GREY: b"GRAY", _RGB: b"RGB ", _CMYK: b"CMYK"}
_ASCII, _SHORT, _LONG, _RATIONAL, _UNDEFINED = 2, 3, 4, 5, 7  # TIFF field types


@dataclass(frozen=True)
class Metadata:
    """What a file says about itself; empty text and an absent profile are left out.

    Attributes:
        title: of the work.
        artist: who made it.
        copyright: the notice, as the artist words it.
        contact: how to reach the artist: a mail or web address, or anything else.
        description: for a reader who does not see the picture; the title stands in where only one line is read.
        ppi: pixels per inch, as printed.
        profile: the ICC profile of the pixels.
        is_srgb: whether these are sRGB pixels. Exif knows only "sRGB" and "something else".
        document_id: names the print of this work, see `identifier`.
        original_id: names the scan it was made from.
    """

    title: str = ""
    artist: str = ""
    copyright: str = ""
    contact: str = ""
    description: str = ""
    ppi: float = 300.0
    profile: bytes | None = None
    is_srgb: bool = False
    document_id: str = ""
    original_id: str = ""


def assemble(encoded: bytes, metadata: Metadata) -> bytes:
    """Make the whole file from the encoder's JPEG.

    For one `metadata` and picture size the file is longer or shorter than another by exactly what the coded picture is.

    Args:
        encoded: a JPEG with one, three or four components; four as inverted CMYK with an Adobe segment.
        metadata: what to say in it.

    Raises:
        ValueError: `encoded` is no such JPEG, the profile is for other channels, or a segment would be too long.
    """
    parts = list(_parts(encoded))
    columns, rows, channels = _frame(parts)
    _check_profile(metadata.profile, channels)
    if channels == _CMYK:
        _check_adobe(parts)
    ours = _segment(APP0, _jfif(metadata.ppi)) if channels != _CMYK else b""
    ours += _segment(APP1, b"Exif\0\0" + _exif(metadata, columns, rows, channels))
    tables = b"".join(part for marker, part in parts if marker != COM and marker not in APPLICATION)
    # Any change to the picture or to what is said about it is a new instance of the same document.
    instance = identifier(ours, _xmp(metadata, ""), metadata.profile or b"", tables)
    ours += _segment(APP1, b"http://ns.adobe.com/xap/1.0/\0" + _xmp(metadata, instance))
    ours += b"".join(_segment(APP2, chunk) for chunk in _icc_chunks(metadata.profile or b""))
    if channels == _CMYK:
        # Version 100, no flags, transform 0: four inks as they are. With this segment readers invert the samples back.
        ours += _segment(APP14, b"Adobe" + struct.pack(">HHHB", 100, 0, 0, 0))
    return SOI + ours + tables


def identifier(*parts: bytes) -> str:
    """Name something by its content: the same name on any machine, in any year.

    Source:
        RFC 9562, 5.8 and B.2: a version 8 UUID from SHA-256.
    """
    # Each part is hashed by itself first, so that moving a byte from one part to the next makes another name.
    digest = bytearray(sha256(b"".join(sha256(part).digest() for part in parts)).digest()[:16])
    digest[6] = digest[6] & 0x0F | 0x80
    digest[8] = digest[8] & 0x3F | 0x80
    return f"uuid:{UUID(bytes=bytes(digest))}"


def scan_bytes(encoded: bytes) -> int:
    """Count the bytes of the coded picture, without the tables and segments that stand before it."""
    return len(list(_parts(encoded))[-1][1])


def _parts(encoded: bytes) -> Iterator[tuple[int, bytes]]:
    """Yield marker and bytes, marker included, of each segment; the first scan comes with all that follows it."""
    if encoded[:2] != SOI:
        message = f"not a JPEG: it begins with {encoded[:2].hex(' ') or 'nothing'} instead of ff d8"
        raise ValueError(message)
    at = 2
    while at + 4 <= len(encoded):
        lead, marker, length = struct.unpack_from(">BBH", encoded, at)
        if lead != 0xFF or marker in {0x00, 0xFF}:
            break
        end = len(encoded) if marker == SOS else at + 2 + length
        yield marker, encoded[at:end]
        if marker == SOS:
            return
        at = end
    message = f"not a whole JPEG: no scan was found, the segments end at byte {at} of {len(encoded)}"
    raise ValueError(message)


def _segment(marker: int, payload: bytes) -> bytes:
    if len(payload) > MAX_PAYLOAD:
        message = f"segment {marker:#x} would hold {len(payload)} bytes, more than {MAX_PAYLOAD}"
        raise ValueError(message)
    return struct.pack(">BBH", 0xFF, marker, len(payload) + 2) + payload


def _frame(parts: list[tuple[int, bytes]]) -> tuple[int, int, int]:
    """Read columns, rows and the number of components from the frame header."""
    for marker, part in parts:
        if marker in FRAMES:
            rows, columns, channels = struct.unpack_from(">HHB", part, 5)
            if channels in _COLOUR_SPACES:
                return columns, rows, channels
            message = f"the JPEG has {channels} components, wanted 1, 3 or 4"
            raise ValueError(message)
    message = "not a whole JPEG: it has no frame header"
    raise ValueError(message)


def _check_profile(profile: bytes | None, channels: int) -> None:
    """Refuse a profile for other channels: most readers would ignore it without a word and print wrong colours."""
    if profile is not None and profile[16:20] != _COLOUR_SPACES[channels]:
        message = f"the profile is for {profile[16:20]!r} pixels, the picture has {_COLOUR_SPACES[channels]!r}"
        raise ValueError(message)


def _check_adobe(parts: list[tuple[int, bytes]]) -> None:
    """Refuse a CMYK scan whose samples are not what our Adobe segment will say of them."""
    adobe = [part for marker, part in parts if marker == APP14 and part[4:9] == b"Adobe"]
    if not adobe or adobe[-1][15] != 0:
        message = "the CMYK JPEG has no Adobe segment with transform 0, so its samples could be anything"
        raise ValueError(message)


def _jfif(ppi: float) -> bytes:
    """JFIF 1.02, density in dots per inch, no thumbnail. Per centimetre would round 300 ppi to 299.72."""
    density = round(ppi)
    if not 1 <= density <= MAX_DENSITY:
        message = f"a resolution of {ppi:g} ppi does not fit a JPEG, which holds 1 to {MAX_DENSITY}"
        raise ValueError(message)
    return b"JFIF\0" + struct.pack(">HBHHBB", 0x0102, 1, density, density, 0, 0)


def _icc_chunks(profile: bytes) -> Iterator[bytes]:
    """Cut a profile into numbered chunks.

    Source:
        ICC.1:2022, annex B.4.
    """
    count = -(-len(profile) // ICC_CHUNK)
    if count > ICC_CHUNKS:
        message = f"the profile has {len(profile)} bytes, a JPEG holds at most {ICC_CHUNKS * ICC_CHUNK}"
        raise ValueError(message)
    for number in range(count):
        chunk = profile[number * ICC_CHUNK : (number + 1) * ICC_CHUNK]
        yield b"ICC_PROFILE\0" + bytes([number + 1, count]) + chunk


def _exif(metadata: Metadata, columns: int, rows: int, channels: int) -> bytes:
    """Build a little-endian TIFF with one main directory and the Exif directory.

    Source:
        CIPA DC-008 (Exif 2.32): the fields it demands of a compressed picture, with those of `Metadata`.
    """
    resolution = Fraction(metadata.ppi).limit_denominator(1000)
    ratio = struct.pack("<II", resolution.numerator, resolution.denominator)
    main = [
        (0x010E, _ASCII, _text(metadata.description or metadata.title)),
        (0x011A, _RATIONAL, ratio),
        (0x011B, _RATIONAL, ratio),
        (0x0128, _SHORT, struct.pack("<H", 2)),  # inch
        (0x013B, _ASCII, _text(metadata.artist)),
        # Exif has no words for CMYK, so the two fields on colour that it demands are left out there.
        (0x0213, _SHORT, struct.pack("<H", 1) if channels != _CMYK else b""),  # chroma lies between the pixels
        (0x8298, _ASCII, _text(metadata.copyright)),
        (0x8769, _LONG, bytes(4)),
    ]
    exif = [
        (0x9000, _UNDEFINED, b"0232"),
        (0x9101, _UNDEFINED, {_GREY: b"\1\0\0\0", _RGB: b"\1\2\3\0"}.get(channels, b"")),  # Y, or Y, Cb, Cr
        (0xA000, _UNDEFINED, b"0100"),
        (0xA001, _SHORT, struct.pack("<H", 1 if metadata.is_srgb else 0xFFFF)),
        (0xA002, _LONG, struct.pack("<I", columns)),
        (0xA003, _LONG, struct.pack("<I", rows)),
    ]
    # The Exif directory lies behind the main one, whose length does not depend on the value of the pointer.
    start = 8 + len(_directory(main, 8))
    main[-1] = (0x8769, _LONG, struct.pack("<I", start))
    return b"II*\0" + struct.pack("<I", 8) + _directory(main, 8) + _directory(exif, start)


def _directory(fields: list[tuple[int, int, bytes]], start: int) -> bytes:
    """Write one TIFF directory that begins at byte `start`, followed by the values that do not fit their fields."""
    sizes = {_ASCII: 1, _SHORT: 2, _LONG: 4, _RATIONAL: 8, _UNDEFINED: 1}
    present = [field for field in fields if field[2]]
    entries, values = b"", b""
    behind = start + 2 + 12 * len(present) + 4
    for tag, kind, value in present:
        entries += struct.pack("<HHI", tag, kind, len(value) // sizes[kind])
        if len(value) <= 4:
            entries += value.ljust(4, b"\0")
        else:
            entries += struct.pack("<I", behind + len(values))
            values += value + bytes(len(value) % 2)
    return struct.pack("<H", len(present)) + entries + bytes(4) + values


def _text(text: str) -> bytes:
    """Encode text for an Exif ASCII field: what is not ASCII goes in as UTF-8, which is what readers try."""
    return _legible(text).encode() + b"\0" if text else b""


def _legible(text: str) -> str:
    """Replace what XML 1.0 cannot hold, not even escaped: control codes and halves of surrogate pairs."""
    return "".join(
        c if c in "\t\n\r" or " " <= c <= "\ud7ff" or "\ue000" <= c <= "\ufffd" or c > "\uffff" else "\ufffd"
        for c in text
    )


def _xmp(metadata: Metadata, instance: str) -> bytes:
    """Write a read-only XMP packet.

    Source:
        ISO 16684-1 (packet, Dublin Core and xmpMM properties), ISO 16684-3 (in a JPEG); IPTC Photo Metadata Standard,
        Core schema (Creator's Contact Info).
    """
    alternative = '<rdf:Alt><rdf:li xml:lang="x-default">{}</rdf:li></rdf:Alt>'
    properties = [
        ("dc:format", "image/jpeg", "{}"),
        ("dc:title", metadata.title, alternative),
        ("dc:creator", metadata.artist, "<rdf:Seq><rdf:li>{}</rdf:li></rdf:Seq>"),
        ("dc:rights", metadata.copyright, alternative),
        ("dc:description", metadata.description, alternative),
        ("Iptc4xmpCore:CreatorContactInfo", metadata.contact, _reached_by(metadata.contact)),
        ("xmpMM:DocumentID", metadata.document_id, "{}"),
        ("xmpMM:InstanceID", instance, "{}"),
        ("xmpMM:OriginalDocumentID", metadata.original_id, "{}"),
    ]
    lines = [f"<{n}>{form.format(escape(_legible(text), quote=False))}</{n}>\n" for n, text, form in properties if text]
    packet = (
        '<?xpacket begin="\ufeff" id="W5M0MpCehiHzreSzNTczkc9d"?>\n'
        '<x:xmpmeta xmlns:x="adobe:ns:meta/">\n'
        '<rdf:RDF xmlns:rdf="http://www.w3.org/1999/02/22-rdf-syntax-ns#">\n'
        '<rdf:Description rdf:about="" xmlns:dc="http://purl.org/dc/elements/1.1/"'
        f' xmlns:xmpMM="http://ns.adobe.com/xap/1.0/mm/"{_IPTC if metadata.contact else ""}>\n'
        f"{''.join(lines)}"
        '</rdf:Description>\n</rdf:RDF>\n</x:xmpmeta>\n<?xpacket end="r"?>'
    ).encode()
    if len(packet) > MAX_XMP:
        message = (
            f"title, artist, copyright, contact and description make {len(packet)} bytes of XMP, more than {MAX_XMP}"
        )
        raise ValueError(message)
    return packet


def _reached_by(contact: str) -> str:
    """The form of an address: the schema has one field for mail, one for the web, one for anything else."""
    is_web = "://" in contact or contact.startswith("www.")
    field = "CiUrlWork" if is_web else "CiEmailWork" if "@" in contact else "CiAdrExtadr"
    tag = f"Iptc4xmpCore:{field}"
    return f"<rdf:Description><{tag}>{{}}</{tag}></rdf:Description>"
