"""What stands in an exported JPEG around the picture, read from its bytes."""

import dataclasses
import struct
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np
import pytest

from platemark_stages.jpeg.encoders import encode
from platemark_stages.jpeg.segments import ICC_CHUNK, MAX_XMP, Metadata, assemble, identifier, scan_bytes

HERON = Metadata(
    title="Grey heron",
    artist="Mara Lindqvist",
    copyright="All rights reserved",
    description="Gouache on paper",
    ppi=360,
    document_id=identifier(b"print"),
    original_id=identifier(b"scan"),
)


def coded(channels: int = 3) -> bytes:
    pixels = np.random.default_rng(1).integers(0, 256, (32, 48, channels), dtype=np.uint8)
    return encode(pixels, 90)


def profile_of(size: int, space: bytes = b"RGB ") -> bytes:
    """Nothing but the header's colour space matters here, and how long a profile is."""
    body = bytes(range(251)) * (size // 251 + 1)  # a prime length, so no two chunks are alike
    return bytes(16) + space + body[: size - 20]


def segments_of(file: bytes) -> list[tuple[int, bytes]]:
    """List (marker, payload) up to and without the scan; written apart from the code under test."""
    at = 2
    found: list[tuple[int, bytes]] = []
    while file[at + 1] != 0xDA:
        length = int.from_bytes(file[at + 2 : at + 4], "big")
        found.append((file[at + 1], file[at + 4 : at + 2 + length]))
        at += 2 + length
    return found


def application_segments(file: bytes) -> list[tuple[int, bytes]]:
    return [(marker, payload) for marker, payload in segments_of(file) if 0xE0 <= marker <= 0xEF or marker == 0xFE]


def test_the_segments_stand_in_their_order() -> None:
    file = assemble(coded(), dataclasses.replace(HERON, profile=profile_of(3000)))
    names = [(marker, payload.split(b"\0")[0]) for marker, payload in application_segments(file)]
    assert names == [
        (0xE0, b"JFIF"),
        (0xE1, b"Exif"),
        (0xE1, b"http://ns.adobe.com/xap/1.0/"),
        (0xE2, b"ICC_PROFILE"),
    ]


def test_cmyk_has_no_jfif_and_an_adobe_segment_that_says_four_inks() -> None:
    file = assemble(coded(4), dataclasses.replace(HERON, profile=profile_of(3000, b"CMYK")))
    segments = application_segments(file)
    assert [marker for marker, _ in segments] == [0xE1, 0xE1, 0xE2, 0xEE]
    assert segments[-1][1] == b"Adobe" + struct.pack(">HHHB", 100, 0, 0, 0)


def test_the_coded_picture_and_its_tables_are_left_alone() -> None:
    encoded = coded()
    file = assemble(encoded, HERON)
    assert [part for part in segments_of(file) if part[0] < 0xE0] == [p for p in segments_of(encoded) if p[0] < 0xE0]
    assert file.endswith(encoded[-scan_bytes(encoded) :])


def test_what_an_encoder_said_about_itself_is_gone() -> None:
    loud = coded()
    loud = loud[:2] + b"\xff\xfe\0\7hello" + b"\xff\xed\0\6junk" + loud[2:]
    assert assemble(loud, HERON) == assemble(coded(), HERON)


@pytest.mark.parametrize(
    ("size", "lengths"),
    # From the reference table of APP2 chunks.
    [
        (564, [564]),
        (ICC_CHUNK, [65519]),
        (65520, [65519, 1]),
        (131038, [65519, 65519]),
        (131039, [65519, 65519, 1]),
        (431756, [65519] * 6 + [38642]),
    ],
)
def test_a_long_profile_is_cut_into_numbered_chunks(size: int, lengths: list[int]) -> None:
    profile = profile_of(size)
    file = assemble(coded(), dataclasses.replace(HERON, profile=profile))
    chunks = [payload for marker, payload in segments_of(file) if marker == 0xE2]
    assert [len(chunk) - 14 for chunk in chunks] == lengths
    assert [tuple(chunk[12:14]) for chunk in chunks] == [(n + 1, len(lengths)) for n in range(len(lengths))]
    assert b"".join(chunk[14:] for chunk in chunks) == profile


def test_a_profile_too_long_for_any_jpeg_is_refused() -> None:
    with pytest.raises(ValueError, match="16707346 bytes"):
        assemble(coded(), dataclasses.replace(HERON, profile=profile_of(16707346)))


def test_a_profile_for_other_channels_is_refused() -> None:
    with pytest.raises(ValueError, match="CMYK"):
        assemble(coded(), dataclasses.replace(HERON, profile=profile_of(3000, b"CMYK")))


@pytest.mark.parametrize("ppi", [0.2, 65536])
def test_a_resolution_that_does_not_fit_is_refused(ppi: float) -> None:
    with pytest.raises(ValueError, match="ppi"):
        assemble(coded(), dataclasses.replace(HERON, ppi=ppi))


def test_text_too_long_for_one_packet_is_refused_and_not_cut() -> None:
    with pytest.raises(ValueError, match=str(MAX_XMP)):
        assemble(coded(), dataclasses.replace(HERON, description="x" * 65000))


@pytest.mark.parametrize(
    "broken",
    [b"", b"\x89PNG\r\n\x1a\n", b"\xff\xd8", b"\xff\xd8\xff\xd9", coded()[:60], b"\xff\xd8\xff\xda\0\2"],
    ids=["nothing", "png", "only its start", "no picture", "cut off", "no frame"],
)
def test_bytes_that_are_no_whole_jpeg_are_refused(broken: bytes) -> None:
    with pytest.raises(ValueError, match="JPEG"):
        assemble(broken, HERON)


def test_cmyk_samples_of_unknown_meaning_are_refused() -> None:
    encoded = coded(4)
    at = encoded.index(b"Adobe")
    ycck = encoded[: at + 11] + b"\2" + encoded[at + 12 :]
    with pytest.raises(ValueError, match="transform 0"):
        assemble(ycck, HERON)


def test_the_same_export_has_the_same_bytes_and_names() -> None:
    assert assemble(coded(), HERON) == assemble(coded(), dataclasses.replace(HERON))


@pytest.mark.parametrize("change", [{"title": "Heron"}, {"artist": "M. L."}, {"ppi": 300.0}])
def test_whatever_is_said_differently_makes_another_instance(change: dict[str, Any]) -> None:
    def instance(metadata: Metadata) -> bytes:
        return assemble(coded(), metadata).split(b"<xmpMM:InstanceID>")[1][:41]

    assert instance(HERON) != instance(dataclasses.replace(HERON, **change))


def test_an_identifier_is_a_uuid_made_from_a_hash() -> None:
    # RFC 9562: the digit after the second hyphen is the version, the one after the third begins with binary 10.
    name = identifier(b"heron")
    assert name.startswith("uuid:")
    assert name[19] == "8"
    assert name[24] in "89ab"
    assert name != identifier(b"her", b"on")


def test_empty_text_leaves_no_empty_fields() -> None:
    file = assemble(coded(), Metadata())
    for absent in (b"dc:title", b"dc:creator", b"dc:rights", b"xmpMM:DocumentID", b"Iptc4xmpCore"):
        assert absent not in file


@pytest.mark.parametrize(
    ("contact", "field"),
    [
        ("mara@lindqvist.example", "CiEmailWork"),
        ("https://lindqvist.example", "CiUrlWork"),
        ("www.lindqvist.example/@mara", "CiUrlWork"),
        ("Quay 4 & 5, Nordhavn", "CiAdrExtadr"),
    ],
)
def test_contact_stands_in_the_field_that_the_schema_has_for_it(contact: str, field: str) -> None:
    # IPTC Photo Metadata Standard, Core schema: a structure with one field for each kind of address.
    file = assemble(coded(), dataclasses.replace(HERON, contact=contact))
    packet = next(segment for marker, segment in segments_of(file) if b"xpacket" in segment)
    packet = packet[packet.index(b"<x:xmpmeta") : packet.index(b"<?xpacket end")]
    schema = "{http://iptc.org/std/Iptc4xmpCore/1.0/xmlns/}"
    said = ET.fromstring(packet).find(f".//{schema}CreatorContactInfo//{schema}{field}")  # noqa: S314 - our own packet
    assert said is not None
    assert said.text == contact


def test_the_file_grows_by_exactly_what_the_picture_grows() -> None:
    # The search for a quality counts on it.
    small, large = coded(), encode(np.random.default_rng(1).integers(0, 256, (32, 48, 3), dtype=np.uint8), 98)
    assert len(assemble(large, HERON)) - len(assemble(small, HERON)) == len(large) - len(small)
