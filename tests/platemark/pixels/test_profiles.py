"""Profiles: ours are what they say, and a bad one is refused by name before it touches a picture."""

import hashlib
import io
from pathlib import Path

import numpy as np
import pytest
from PIL import ImageCms

from platemark.pixels.icc_writer import table_profile
from platemark.pixels.profile_facts import facts_of, outline
from platemark.pixels.profiles import (
    LARGEST,
    ProfileError,
    built_in,
    grey,
    load_profile,
    oprgb,
    profile_by_hash,
    read_profile,
    romm,
    srgb,
)


def changed(at: int, by: bytes) -> bytes:
    data = srgb().data
    return data[:at] + by + data[at + len(by) :]


def test_our_profiles_open_elsewhere_and_say_what_they_are() -> None:
    for profile, space in ((srgb(), "RGB"), (grey(), "GRAY"), (oprgb(), "RGB"), (romm(), "RGB")):
        opened = ImageCms.ImageCmsProfile(io.BytesIO(profile.data)).profile
        assert opened.xcolor_space.strip() == space
        assert opened.device_class == "mntr"
        assert opened.profile_description == profile.description
        assert opened.version == pytest.approx(2.4)
        assert "CC0" in opened.copyright


def test_our_profiles_have_no_date_but_a_fixed_one() -> None:
    # ICC.1 clause 7.2.8, dateTimeNumber: a file that holds a profile must come out the same on any day.
    for profile in built_in():
        assert [int.from_bytes(profile.data[at : at + 2], "big") for at in range(24, 36, 2)] == [2026, 1, 1, 0, 0, 0]


def test_the_length_in_the_head_is_the_length_of_the_profile() -> None:
    for profile in built_in():
        assert int.from_bytes(profile.data[:4], "big") == len(profile.data)
        assert len(profile.data) % 4 == 0


def test_every_tag_lies_inside_the_profile_and_on_a_multiple_of_four() -> None:
    # ICC.1 clause 7.3, tag table.
    for data in (profile.data for profile in built_in()):
        count = int.from_bytes(data[128:132], "big")
        for entry in range(132, 132 + 12 * count, 12):
            start, size = (int.from_bytes(data[at : at + 4], "big") for at in (entry + 4, entry + 8))
            assert start % 4 == 0
            assert 132 + 12 * count <= start < start + size <= len(data)


def test_a_profile_is_known_by_its_content() -> None:
    assert srgb().sha256 == hashlib.sha256(srgb().data).hexdigest()
    assert profile_by_hash(srgb().sha256) == srgb()
    with pytest.raises(ProfileError, match="not at hand"):
        profile_by_hash("0" * 64)


def test_bare_paper_is_full_light_or_no_ink() -> None:
    assert srgb().blank == (65535, 65535, 65535)
    assert grey().blank == (65535,)


@pytest.mark.parametrize(
    ("data", "says"),
    [
        (b"", "damaged"),
        (bytes(200), "damaged"),
        (srgb().data[:-500], "not the whole"),
        (changed(36, b"junk"), "damaged"),
        (changed(128, b"\xff\xff\xff\xff"), "damaged"),
        (changed(12, b"link"), "class link"),
        (changed(12, b"abst"), "class abst"),
        (changed(12, b"nmcl"), "class nmcl"),
        (changed(16, b"HSV "), "damaged|colour space HSV"),
        (bytes(LARGEST + 1), "more than a JPEG can carry"),
    ],
    ids=["empty", "zeros", "cut", "no signature", "tags", "link", "abstract", "named", "hsv", "huge"],
)
def test_a_bad_profile_is_refused_with_its_origin(data: bytes, says: str) -> None:
    with pytest.raises(ProfileError, match=says) as caught:
        read_profile(data, "heron.tif")
    assert "heron.tif" in caught.value.what


def test_a_profile_without_its_curves_is_refused() -> None:
    # It opens, but gives no transform.
    at = srgb().data.index(b"gTRC")
    with pytest.raises(ProfileError, match="damaged"):
        read_profile(changed(at, b"none"), "heron.tif")


def test_a_profile_file_that_is_missing_is_named(tmp_path: Path) -> None:
    with pytest.raises(ProfileError, match=r"paper\.icc"):
        load_profile(tmp_path / "paper.icc")


def test_a_profile_file_is_kept_byte_for_byte(tmp_path: Path) -> None:
    (tmp_path / "mine.icc").write_bytes(srgb().data)
    assert load_profile(tmp_path / "mine.icc") == srgb()


# Profiles that loop and lie. Source of the layout: ICC.1 clause 7.3, tag table of 12-byte entries from byte 132.


def entry(name: bytes) -> int:
    return srgb().data.index(name, 132)


def number(value: int) -> bytes:
    return value.to_bytes(4, "big")


def placed(name: bytes, start: int, length: int | None = None) -> bytes:
    at = entry(name)
    return changed(at + 4, number(start) + (srgb().data[at + 8 : at + 12] if length is None else number(length)))


def table() -> bytes:
    """A table from RGB to CIELAB; its grid is 2 points a side."""
    return table_profile("made up", b"scnr", [np.linspace(0, 1, 16)] * 3, np.full((2, 2, 2, 3), (50.0, 0.0, 0.0)))


def in_table(at: int, by: bytes) -> bytes:
    """Other bytes in the lut16Type of that table (ICC.1:2001-04 clause 6.5.9)."""
    data = table()
    start = data.index(b"mft2") + at
    return data[:start] + by + data[start + len(by) :]


@pytest.mark.parametrize(
    "data",
    [
        placed(b"rTRC", 0),
        placed(b"rTRC", 132),
        placed(b"rXYZ", entry(b"rXYZ")),
        placed(b"rTRC", len(srgb().data) - 40),
        placed(b"rTRC", 0xFFFFFFF0),
        placed(b"rTRC", 4000, 0xFFFFFFFF),
        placed(b"wtpt", int.from_bytes(srgb().data[entry(b"rTRC") + 4 : entry(b"rTRC") + 8], "big") + 16),
        placed(b"wtpt", 0, 4),
        changed(128, number(0)),
        changed(128, number(101)),
        changed(0, number(300)),
        changed(0, number(0)),
        changed(16, b"CMYK"),
        changed(16, b"GRAY"),
        table()[:16] + b"CMYK" + table()[20:],
        in_table(8, bytes([4])),
        in_table(9, bytes([1])),
        in_table(10, bytes([255])),
        in_table(48, b"\xff\xff"),
        in_table(0, b"junk"),
    ],
    ids=[
        "a tag in the header", "a tag in the table of tags", "a tag that points at itself", "a tag past the end",
        "a tag at the end of the world", "a tag without end", "tags that overlap", "a tag of nothing", "no tags",
        "too many tags", "a size that is less", "a size of nothing", "inks in name only", "grey in name only",
        "a table of inks in name only", "a table with a channel more",
        "a table with one channel out", "a table of 16 million points", "curves of 65535 points", "no table",
    ],
)  # fmt: skip
def test_a_profile_that_loops_or_lies_is_refused(data: bytes) -> None:
    with pytest.raises(ProfileError, match="damaged"):
        read_profile(data, "heron.tif")


def test_tags_may_share_their_data() -> None:
    # ICC.1 clause 7.3.1 allows it, and ours do: one curve for three channels.
    assert len({srgb().data[entry(name) + 4 : entry(name) + 12] for name in (b"rTRC", b"gTRC", b"bTRC")}) == 1


def test_a_file_without_end_is_refused_without_being_read(tmp_path: Path) -> None:
    with (tmp_path / "huge.icc").open("wb") as file:
        file.truncate(40 * LARGEST)  # a file with a hole: it fills no disk
    with pytest.raises(ProfileError, match=r"huge\.icc has \d+ bytes"):
        load_profile(tmp_path / "huge.icc")


# What a profile says of itself.


def test_a_working_space_is_explained() -> None:
    facts = facts_of(oprgb())
    assert (facts.kind, facts.space, facts.version) == ("screen or working space", "RGB", "2.4")
    assert (facts.intents, facts.prints) == (("matrix",), ("matrix",))
    assert facts.media_white == (100, 0, 0)
    assert facts.black == (0, 0, 0)


def test_a_table_that_only_reads_is_said_to_print_nothing() -> None:
    facts = facts_of(read_profile(table(), "made up"))
    assert (facts.kind, facts.intents, facts.prints) == ("scanner", ("perceptual", "relative"), ())
    assert facts.black == (50, 0, 0)


def test_a_printers_white_is_that_of_its_paper() -> None:
    paper = tuple(share * white for share, white in zip((0.8, 0.8, 0.7), (0.9642, 1.0, 0.8249), strict=True))
    data = changed(12, b"prtr")
    at = int.from_bytes(data[entry(b"wtpt") + 4 : entry(b"wtpt") + 8], "big") + 8
    data = data[:at] + b"".join(number(round(value * 65536)) for value in paper) + data[at + 12 :]
    # CIE 15:2004 by hand: cube roots 0.92832 and 0.88790; L* = 116 f - 16, b* = 200 (fy - fz).
    assert facts_of(read_profile(data, "rag")).media_white == pytest.approx((91.7, 0.0, 8.1), abs=0.05)


def test_a_larger_space_has_the_larger_outline() -> None:
    reach = [np.hypot(*outline(profile).T) for profile in (srgb(), oprgb(), romm())]
    assert (reach[1] >= reach[0] - 0.5).mean() > 0.95
    assert reach[1].max() > reach[0].max()
    assert reach[2].sum() > 1.3 * reach[0].sum()
    # The most colourful of sRGB is its blue: CIELAB 29.57, 68.29, -112.03 (CSS Color 4), chroma 131.2.
    assert reach[0].max() == pytest.approx(131.2, abs=0.3)
