"""Profiles: ours are what they say, and a bad one is refused by name before it touches a picture."""

import hashlib
import io
from pathlib import Path

import pytest
from PIL import ImageCms

from platemark.pixels.profiles import LARGEST, ProfileError, grey, load_profile, profile_by_hash, read_profile, srgb


def changed(at: int, by: bytes) -> bytes:
    data = srgb().data
    return data[:at] + by + data[at + len(by) :]


def test_our_profiles_open_elsewhere_and_say_what_they_are() -> None:
    for profile, space in ((srgb(), "RGB"), (grey(), "GRAY")):
        opened = ImageCms.ImageCmsProfile(io.BytesIO(profile.data)).profile
        assert opened.xcolor_space.strip() == space
        assert opened.device_class == "mntr"
        assert opened.profile_description == profile.description
        assert opened.version == pytest.approx(2.4)
        assert "CC0" in opened.copyright


def test_our_profiles_have_no_date_but_a_fixed_one() -> None:
    # ICC.1 clause 7.2.8, dateTimeNumber: a file that holds a profile must come out the same on any day.
    for profile in (srgb(), grey()):
        assert [int.from_bytes(profile.data[at : at + 2], "big") for at in range(24, 36, 2)] == [2026, 1, 1, 0, 0, 0]


def test_the_length_in_the_head_is_the_length_of_the_profile() -> None:
    for profile in (srgb(), grey()):
        assert int.from_bytes(profile.data[:4], "big") == len(profile.data)
        assert len(profile.data) % 4 == 0


def test_every_tag_lies_inside_the_profile_and_on_a_multiple_of_four() -> None:
    # ICC.1 clause 7.3, tag table.
    for data in (srgb().data, grey().data):
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
