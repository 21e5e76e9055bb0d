"""What a scan says of itself: how dense it is and what its colours mean; or the question when it does not say."""

import struct
from pathlib import Path

import numpy as np
import pytest
import pyvips
from PIL import Image, ImageCms

from platemark.config.model import Scanner
from platemark.errors import Held
from platemark.flow.intake import Incomplete, Opening, examine, open_picture
from platemark.pixels.profiles import grey, srgb
from scan_files import cmyk_profile, iccp, jpeg, noise, phys, png, tiff

PLAIN = Scanner()


def told(path: Path, scanner: Scanner = PLAIN, ticket_ppi: int | None = None) -> tuple[float, str]:
    opening = examine(path, scanner, ticket_ppi)
    return opening.ppi, opening.ppi_from


def held(path: Path, scanner: Scanner = PLAIN) -> Held:
    with pytest.raises(Held) as caught:
        examine(path, scanner)
    assert not isinstance(caught.value, Incomplete)
    return caught.value


def jfif(path: Path, unit: int, across: int, down: int) -> Path:
    """A JPEG whose JFIF header says this. Source: JFIF 1.02 page 5, the bytes after the version."""
    data = bytearray(jpeg(path, noise()).read_bytes())
    assert data[6:11] == b"JFIF\0"
    data[13:18] = struct.pack(">BHH", unit, across, down)
    path.write_bytes(data)
    return path


def exif_only(path: Path, across: float, down: float, unit: int = 2) -> Path:
    """A JPEG that says nothing in JFIF and this in Exif."""
    exif = Image.Exif()
    exif[282], exif[283], exif[296] = across, down, unit
    return jpeg(path, noise(), exif=exif, dpi=(0, 0))


def by_nothing(path: Path, above: int) -> Path:
    """A TIFF that has a zero below the line of its resolution."""
    data = tiff(path, noise(), resolution=(331, 331)).read_bytes()
    assert data.count(struct.pack("<LL", 331, 1)) == 2
    path.write_bytes(data.replace(struct.pack("<LL", 331, 1), struct.pack("<LL", above, 0)))
    return path


# Resolution


@pytest.mark.parametrize("ppi", [100, 150, 300, 400, 600, 1200, 2400])
def test_f85_the_resolution_is_found_wherever_the_file_says_it(tmp_path: Path, ppi: int) -> None:
    per_cm, per_metre = ppi / 2.54, round(ppi / 0.0254)
    centimetres = {"resolution": (per_cm, per_cm), "resolutionunit": "CENTIMETER"}
    files = [
        tiff(tmp_path / "inch.tif", noise(), resolution=(ppi, ppi)),
        tiff(tmp_path / "cm.tif", noise(), **centimetres),
        tiff(tmp_path / "big.tif", noise(), resolution=(ppi, ppi), bigtiff=True, byteorder=">"),
        png(tmp_path / "a.png", noise(16), phys(per_metre, per_metre)),
        jfif(tmp_path / "inch.jpg", 1, ppi, ppi),
        exif_only(tmp_path / "exif.jpg", ppi, ppi),
        exif_only(tmp_path / "exif-cm.jpg", round(per_cm, 4), round(per_cm, 4), 3),
    ]
    assert [told(path) for path in files] == [(ppi, "file")] * len(files)


def test_f86_a_jfif_density_in_centimetres_is_converted(tmp_path: Path) -> None:
    assert told(jfif(tmp_path / "heron.jpg", 2, 120, 120)) == (304.8, "file")


def test_f85_a_jpeg_that_carries_its_resolution_in_exif_alone_is_read(tmp_path: Path) -> None:
    path, pixels = tmp_path / "heron.jpg", noise()
    image = pyvips.Image.new_from_memory(pixels.data, pixels.shape[1], pixels.shape[0], 3, "uchar")
    image.copy(interpretation="srgb", xres=600 / 25.4, yres=600 / 25.4).jpegsave(str(path))
    assert b"JFIF" not in path.read_bytes()[:30]
    assert told(path) == (600, "file")


NONSENSE = [0, 1, 72, 96, 20000]


@pytest.mark.parametrize("ppi", NONSENSE)
def test_f86_a_resolution_that_no_flatbed_has_counts_as_none(tmp_path: Path, ppi: int) -> None:
    per_metre = round(ppi / 0.0254)
    for path in (
        tiff(tmp_path / "a.tif", noise(), resolution=(ppi, ppi)),
        png(tmp_path / "a.png", noise(), phys(per_metre, per_metre)),
        jfif(tmp_path / "a.jpg", 1, ppi, ppi),
        exif_only(tmp_path / "b.jpg", ppi, ppi),
    ):
        assert "resolution" in held(path).reason
        assert "ticket" in held(path).remedy
        assert told(path, Scanner(ppi=400)) == (400, "config")
        assert told(path, Scanner(ppi=400), 240) == (240, "ticket")


def test_f85_a_file_that_says_nothing_of_its_resolution_is_held_with_the_question(tmp_path: Path) -> None:
    for path in (
        tiff(tmp_path / "a.tif", noise(), resolution=None, resolutionunit=None),
        tiff(tmp_path / "b.tif", noise(), resolutionunit="NONE"),
        by_nothing(tmp_path / "c.tif", 0),
        by_nothing(tmp_path / "d.tif", 300),
        png(tmp_path / "a.png", noise(), phys(1, 1, 0)),
        jfif(tmp_path / "a.jpg", 0, 1, 1),
    ):
        assert "does not say at what resolution" in held(path).reason
        assert told(path, Scanner(ppi=400)) == (400, "config")


@pytest.mark.parametrize("unit", [0, 4, 65535])
def test_f86_a_unit_of_length_that_does_not_exist_counts_as_none(tmp_path: Path, unit: int) -> None:
    path = tiff(tmp_path / "a.tif", noise())
    data = path.read_bytes()
    entry = struct.pack("<HHLH", 296, 3, 1, 2)
    assert data.count(entry) == 1
    path.write_bytes(data.replace(entry, struct.pack("<HHLH", 296, 3, 1, unit)))
    assert "resolution" in held(path).reason
    opening = examine(path, Scanner(ppi=400))
    assert np.array_equal(open_picture(path, opening).array(), noise().astype(np.uint16) * 257)


def test_f85_what_the_file_says_counts_before_the_config_and_after_the_ticket(tmp_path: Path) -> None:
    path = tiff(tmp_path / "heron.tif", noise())
    assert told(path, Scanner(ppi=400)) == (300, "file")
    assert told(path, Scanner(ppi=400), 240) == (240, "ticket")


def test_f86_pixels_that_are_not_square_are_held_unless_the_ticket_knows_better(tmp_path: Path) -> None:
    for path in (
        tiff(tmp_path / "a.tif", noise(), resolution=(300, 600)),
        png(tmp_path / "a.png", noise(), phys(11811, 23622)),
        png(tmp_path / "b.png", noise(), phys(1, 2, 0)),
        jfif(tmp_path / "a.jpg", 1, 300, 200),
        jfif(tmp_path / "b.jpg", 0, 2, 1),
        exif_only(tmp_path / "c.jpg", 300, 150),
    ):
        assert "not square" in held(path, Scanner(ppi=300)).reason
        assert told(path, PLAIN, 300) == (300, "ticket")


def test_f86_two_resolutions_in_one_file_are_held(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[282], exif[283], exif[296] = 600.0, 600.0, 2
    caught = held(jpeg(tmp_path / "heron.jpg", noise(), exif=exif, dpi=(300, 300)))
    assert "300 ppi in one place and 600 ppi in another" in caught.reason


def test_f86_a_default_in_one_place_does_not_speak_against_the_other(tmp_path: Path) -> None:
    exif = Image.Exif()
    exif[282], exif[283], exif[296] = 72.0, 72.0, 2
    assert told(jpeg(tmp_path / "heron.jpg", noise(), exif=exif, dpi=(300, 300))) == (300, "file")


def test_f86_broken_exif_does_not_hold_a_scan(tmp_path: Path) -> None:
    path = jpeg(tmp_path / "heron.jpg", noise(), exif=b"Exif\0\0II*\0\xff\xff\xff\0")
    assert told(path) == (300, "file")


# Colour profile


def scanner_profile(path: Path) -> Path:
    """A profile as a scanner may come with: ours for sRGB, with class `scnr` (ICC.1, header bytes 12 to 15)."""
    data = bytearray(srgb().data)
    data[12:16] = b"scnr"
    path.write_bytes(data)
    return path


def each_kind(folder: Path, profile: bytes, channels: int = 3) -> list[Path]:
    """The same scan with an embedded profile as TIFF, PNG and JPEG."""
    return [
        tiff(folder / "a.tif", noise(8, channels), iccprofile=profile),
        png(folder / "a.png", noise(16, channels), phys(11811, 11811), iccp(profile)),
        jpeg(folder / "a.jpg", noise(8, channels), icc_profile=profile),
    ]


def test_f89_an_embedded_profile_is_kept_byte_for_byte(tmp_path: Path) -> None:
    data = scanner_profile(tmp_path / "mine.icc").read_bytes()
    for path in each_kind(tmp_path, data):
        opening = examine(path, Scanner(profile=tmp_path / "mine.icc"))
        assert (opening.profile.data, opening.profile_from) == (data, "file")


def test_f89_an_embedded_grey_profile_is_kept_byte_for_byte(tmp_path: Path) -> None:
    for path in each_kind(tmp_path, grey().data, 1):
        assert (examine(path, PLAIN).profile.data, examine(path, PLAIN).profile_from) == (grey().data, "file")


def test_f89_a_scan_without_a_profile_has_that_of_the_config(tmp_path: Path) -> None:
    profile = scanner_profile(tmp_path / "mine.icc")
    opening = examine(tiff(tmp_path / "heron.tif", noise()), Scanner(profile=profile))
    assert (opening.profile.data, opening.profile_from) == (profile.read_bytes(), "config")


def test_f89_a_scan_without_any_profile_is_srgb_and_said_to_be_assumed_so(tmp_path: Path) -> None:
    opening = examine(tiff(tmp_path / "heron.tif", noise()), PLAIN)
    assert (opening.profile, opening.profile_from) == (srgb(), "assumed sRGB")


def test_f89_a_grey_scan_without_a_profile_is_said_to_be_assumed_so(tmp_path: Path) -> None:
    for scanner in (PLAIN, Scanner(profile=scanner_profile(tmp_path / "mine.icc"))):
        opening = examine(tiff(tmp_path / "heron.tif", noise(8, 1)), scanner)
        assert (opening.profile, opening.profile_from) == (grey(), "assumed grey with the sRGB curve")


def test_f88_a_grey_profile_in_the_config_serves_grey_scans_and_holds_others(tmp_path: Path) -> None:
    (tmp_path / "grey.icc").write_bytes(grey().data)
    scanner = Scanner(profile=tmp_path / "grey.icc")
    assert examine(tiff(tmp_path / "a.tif", noise(8, 1)), scanner).profile_from == "config"
    assert "GRAY" in held(tiff(tmp_path / "b.tif", noise()), scanner).reason


def damaged() -> dict[str, bytes]:
    data = srgb().data
    return {
        "junk": bytes(range(200)),
        "cut": data[: len(data) // 2],
        "header-only": data[:128],
        "no-signature": data[:36] + b"nope" + data[40:],
        "tags-lost": data[:4] + data[4:128] + bytes(4) + data[132:],
        "device-link": data[:12] + b"link" + data[16:],
    }


@pytest.mark.parametrize("how", damaged())
def test_f87_a_damaged_profile_is_held_never_passed_over(tmp_path: Path, how: str) -> None:
    for path in each_kind(tmp_path, damaged()[how]):
        assert "profile" in held(path).reason


def test_f87_a_profile_that_lost_one_of_its_parts_is_held(tmp_path: Path) -> None:
    # A profile above 65519 bytes goes into several JPEG segments (ICC.1 annex B). The tail is no harm to ours.
    data = srgb().data + bytes(70_000 - len(srgb().data))
    data = len(data).to_bytes(4, "big") + data[4:]
    path = jpeg(tmp_path / "heron.jpg", noise(), icc_profile=data)
    assert examine(path, PLAIN).profile_from == "file"
    whole = path.read_bytes()
    second = whole.index(b"ICC_PROFILE\0\x02\x02") - 4
    length = int.from_bytes(whole[second + 2 : second + 4], "big") + 2
    path.write_bytes(whole[:second] + whole[second + length :])
    assert "profile" in held(path).reason


def test_f87_a_profile_whose_packing_is_broken_is_held(tmp_path: Path) -> None:
    whole = bytearray(png(tmp_path / "a.png", noise(), phys(11811, 11811), iccp(srgb().data)).read_bytes())
    at = whole.index(b"iCCP") + 60
    for damage in (bytes(40), whole[at : at + 40][::-1]):
        path = tmp_path / "b.png"
        path.write_bytes(whole[:at] + damage + whole[at + 40 :])
        with pytest.raises(Held):
            examine(path, PLAIN)


def lab_profile() -> bytes:
    data = ImageCms.ImageCmsProfile(ImageCms.createProfile("LAB")).tobytes()
    return data[:12] + b"spac" + data[16:]  # else it would be an abstract profile, and be held for that


@pytest.mark.parametrize(("profile", "says"), [(grey().data, "GRAY"), (lab_profile(), "Lab"), (cmyk_profile(), "CMYK")])
def test_f88_a_profile_for_other_pixels_is_held(tmp_path: Path, profile: bytes, says: str) -> None:
    for path in each_kind(tmp_path, profile):
        # A PNG reader may drop such a profile by itself: held it is all the same.
        assert says in held(path).reason or "damaged" in held(path).reason


def test_f87_a_damaged_profile_in_the_config_is_held_and_named(tmp_path: Path) -> None:
    (tmp_path / "mine.icc").write_bytes(b"no profile")
    caught = held(tiff(tmp_path / "heron.tif", noise()), Scanner(profile=tmp_path / "mine.icc"))
    assert "mine.icc" in caught.reason
    assert "[scanner]" in caught.remedy


def test_f88_a_profile_of_inks_in_the_config_holds_a_scan_in_rgb(tmp_path: Path) -> None:
    (tmp_path / "press.icc").write_bytes(cmyk_profile()[:12] + b"scnr" + cmyk_profile()[16:])
    caught = held(tiff(tmp_path / "heron.tif", noise()), Scanner(profile=tmp_path / "press.icc"))
    assert "is for CMYK, and heron.tif is RGB" in caught.reason


def test_f88_a_printers_profile_in_the_place_of_the_scanners_holds(tmp_path: Path) -> None:
    (tmp_path / "rag.icc").write_bytes(srgb().data[:12] + b"prtr" + srgb().data[16:])
    caught = held(tiff(tmp_path / "heron.tif", noise()), Scanner(profile=tmp_path / "rag.icc"))
    assert "that of a printer" in caught.reason
    assert "[paper.NAME]" in caught.remedy


def lying() -> dict[str, bytes]:
    data = srgb().data
    at = data.index(b"rTRC", 132)
    return {
        "points-into-header": data[: at + 4] + bytes(4) + data[at + 8 :],
        "points-at-itself": data[: at + 4] + at.to_bytes(4, "big") + data[at + 8 :],
        "inks-in-name": data[:16] + b"CMYK" + data[20:],
        "size": (2**31).to_bytes(4, "big") + data[4:],
    }


@pytest.mark.parametrize("how", lying())
def test_f87_a_profile_that_loops_or_lies_holds_its_scan(tmp_path: Path, how: str) -> None:
    for path in each_kind(tmp_path, lying()[how]):
        assert "profile" in held(path).reason


# The opening


def test_an_opening_is_all_that_is_needed_to_open_a_scan_so_again(tmp_path: Path) -> None:
    path = tiff(tmp_path / "heron.tif", noise(16), extratags=[(274, "H", 1, 6, True)])
    opening = examine(path, PLAIN)
    again = Opening(page=0, orientation=6, width=40, height=60, bits=16, ppi=300.0, ppi_from="file", profile=srgb(),
                    profile_from="assumed sRGB", alpha="none")  # fmt: skip
    assert opening == again
    assert np.array_equal(open_picture(path, again).array(), np.rot90(noise(16), -1))
