"""Section C of the faults: broken and hostile images are held with a reason, or come in exactly; see README.md."""

import struct
import subprocess
import sys
import zlib
from pathlib import Path

import numpy as np
import pytest
import pyvips
import tifffile
from PIL import Image

from conftest import Bench
from platemark.config.model import Scanner
from platemark.flow.intake import Incomplete, examine
from scan_files import (
    DENSITY_300,
    PLAIN,
    TURNS,
    by_lcms2,
    cmyk_profile,
    cmyk_tiff,
    held,
    jpeg,
    noise,
    opened,
    png,
    png_chunk,
    png_of,
    tiff,
    whole,
    widened,
)


@pytest.mark.parametrize("kept", [0.01, 0.1, 0.3, 0.5, 0.75, 0.9, 0.99])
@pytest.mark.parametrize("kind", ["none", "lzw", "zlib", "png", "jpg"])
def test_f55_f56_a_scan_that_ends_too_early_is_incomplete_never_a_black_tail(
    tmp_path: Path, kind: str, kept: float
) -> None:
    path = whole(tmp_path / "heron", kind)
    data = path.read_bytes()
    path.write_bytes(data[: int(len(data) * kept)])
    assert isinstance(held(path, Scanner(ppi=300)), Incomplete)


@pytest.mark.parametrize("kind", ["none", "lzw", "zlib", "jpg"])
def test_f55_f56_a_scan_that_lacks_its_last_two_bytes_is_incomplete(tmp_path: Path, kind: str) -> None:
    path = whole(tmp_path / "heron", kind)
    path.write_bytes(path.read_bytes()[:-2])
    assert isinstance(held(path), Incomplete)


def test_f55_a_scan_is_not_asked_about_while_it_is_still_being_written(tmp_path: Path) -> None:
    # Incomplete waits; a question about its resolution would put it aside half written.
    path = tiff(tmp_path / "heron.tif", noise(16), resolution=None, resolutionunit=None)
    path.write_bytes(path.read_bytes()[:-1000])
    assert isinstance(held(path), Incomplete)


def test_f56_a_scan_that_lacks_no_more_than_its_last_row_is_incomplete(tmp_path: Path) -> None:
    # 40 rows leave one over when they are looked at three at a time, as they are at 600 ppi.
    path = png(tmp_path / "heron.png", noise(16), *(png_chunk(b"pHYs", struct.pack(">IIB", 23622, 23622, 1)),))
    path.write_bytes(path.read_bytes()[:-100])
    assert isinstance(held(path), Incomplete)


@pytest.mark.parametrize("progressive", [False, True])
def test_f56_a_jpeg_whose_end_was_lost_and_that_was_closed_again_is_not_filled_up_with_grey(
    tmp_path: Path, *, progressive: bool
) -> None:
    path = jpeg(tmp_path / "heron.jpg", noise(rows=200), progressive=progressive)
    path.write_bytes(path.read_bytes()[:-200] + b"\xff\xd9")  # the end of the image (ITU T.81, B.1.1.3)
    assert isinstance(held(path), Incomplete)


def test_f76_idle_bytes_inside_a_jpeg_that_decoders_warn_of_do_no_harm(tmp_path: Path) -> None:
    path = jpeg(tmp_path / "heron.jpg", noise())
    before, data = opened(path), path.read_bytes()
    at = data.index(b"\xff\xdb")
    path.write_bytes(data[:at] + b"\0\0\0" + data[at:])
    assert np.array_equal(opened(path), before)


def test_f56_a_strip_of_jpeg_in_a_tiff_that_lost_its_end_is_not_filled_up_with_grey(tmp_path: Path) -> None:
    path = tiff(tmp_path / "heron.tif", noise(rows=64), compression="jpeg", rowsperstrip=16)
    data = bytearray(path.read_bytes())
    with tifffile.TiffFile(path) as file:
        end = file.pages[0].dataoffsets[1] + file.pages[0].databytecounts[1]
    data[end - 102 : end] = b"\xff\xd9" + bytes(100)
    path.write_bytes(data)
    assert isinstance(held(path), Incomplete)


def test_f57_a_damaged_tile_is_not_taken_for_a_black_one(tmp_path: Path) -> None:
    path = tiff(tmp_path / "heron.tif", noise(8, 3, 128, 128), tile=(64, 64), compression="zlib")
    data = bytearray(path.read_bytes())
    with tifffile.TiffFile(path) as file:
        at = file.pages[0].dataoffsets[2]
    data[at : at + 20] = bytes(20)
    path.write_bytes(data)
    assert isinstance(held(path), Incomplete)


@pytest.mark.parametrize("options", [{"rowsperstrip": 8}, {"tile": (16, 16)}], ids=["strips", "tiles"])
def test_f60_a_tiff_that_claims_more_rows_than_it_has_strips_for_is_incomplete(
    tmp_path: Path, options: dict[str, object]
) -> None:
    path = tiff(tmp_path / "heron.tif", noise(8, 3, 64, 64), **options)
    with tifffile.TiffFile(path, mode="r+b") as file:
        file.pages[0].tags["ImageLength"].overwrite(100)
    assert isinstance(held(path), Incomplete)


def test_f60_a_jpeg_that_claims_more_pixels_than_it_has_bits_for_takes_no_memory(tmp_path: Path) -> None:
    path = jpeg(tmp_path / "heron.jpg", noise(), progressive=True)
    data = bytearray(path.read_bytes())
    at = data.index(b"\xff\xc2")  # SOF2: height and width, 16 bits each (ITU T.81, B.2.2)
    data[at + 5 : at + 9] = struct.pack(">HH", 20_000, 20_000)
    path.write_bytes(data)
    program = "try: decode_to_the_end(Path(sys.argv[1]), examine(Path(sys.argv[1]), Scanner()))\n"
    grown = peak_growth(program + "except Held: pass\nelse: raise SystemExit('opened')", str(path))
    assert grown < 50e6  # its coefficients would take 2.4 GB


def test_f61_a_scan_of_a_shape_that_no_scan_has_is_held(tmp_path: Path) -> None:
    assert "20000 by 30 pixels" in held(png(tmp_path / "heron.png", noise(8, 3, 30, 20_000))).reason


@pytest.mark.parametrize(("packing", "name"), [("lzma", "LZMA"), ("zstd", "Zstandard")])
def test_f65_a_tiff_packed_in_a_way_that_is_not_read_is_held_and_the_way_named(
    tmp_path: Path, packing: str, name: str
) -> None:
    caught = held(tiff(tmp_path / "heron.tif", noise(), compression=packing))
    assert f"not read here ({name})" in caught.reason
    assert not isinstance(caught, Incomplete)


@pytest.mark.parametrize("kind", ["zlib", "png"])  # the two whose packing has a checksum
def test_f57_a_flipped_bit_in_packed_pixels_is_incomplete(tmp_path: Path, kind: str) -> None:
    path = whole(tmp_path / "heron", kind)
    data = bytearray(path.read_bytes())
    data[len(data) // 2 : len(data) // 2 + 3] = b"\xff\xff\xff"
    path.write_bytes(data)
    assert isinstance(held(path), Incomplete)


def test_f58_one_large_compressed_strip_is_opened(tmp_path: Path) -> None:
    # Above 50 MB libtiff refuses to set memory aside for a strip unless it is told to.
    pixels = noise(16, 3, 3000, 3000)
    path = tiff(tmp_path / "one.tif", pixels, compression="zlib", compressionargs={"level": 0}, rowsperstrip=3000)
    assert path.stat().st_size > 52_000_000
    assert np.array_equal(opened(path), pixels)


def peak_growth(program: str, *arguments: str) -> int:
    """Bytes by which the peak of a fresh process's memory grows in `program`."""
    pytest.importorskip("resource")
    measured = (
        "import resource, sys; from pathlib import Path; from platemark.config.model import Scanner\n"
        "from platemark.errors import Held\n"
        "from platemark.flow.intake import decode_to_the_end, examine, open_picture\n"
        "peak = lambda: resource.getrusage(resource.RUSAGE_SELF).ru_maxrss\n"
        f"before = peak()\n{program}\nprint(peak() - before)"
    )
    done = subprocess.run([sys.executable, "-c", measured, *arguments], capture_output=True, text=True, check=True)
    return int(done.stdout) * (1 if sys.platform == "darwin" else 1024)


def test_f59_a_decompression_bomb_is_held_from_its_head_alone(tmp_path: Path) -> None:
    packer = zlib.compressobj(9)
    line = bytes(1 + 30000 // 8)
    data = b"".join(packer.compress(line) for _ in range(30000)) + packer.flush()
    path = png_of(tmp_path / "bomb.png", struct.pack(">IIBBBBB", 30000, 30000, 1, 0, 0, 0, 0), data, DENSITY_300)
    grown = peak_growth(
        "try: examine(Path(sys.argv[1]), Scanner())\nexcept Held as held: assert '900 megapixels' in held.reason\n"
        "else: raise SystemExit('opened')",
        str(path),
    )
    # Its 900 million pixels would take 900 MB.
    assert grown < 30e6


def test_f60_a_tiff_that_claims_more_than_its_file_holds_is_incomplete(tmp_path: Path) -> None:
    path = tmp_path / "claims.tif"
    entries = [(256, 4, 20000), (257, 4, 20000), (258, 3, 8), (259, 3, 1), (262, 3, 1), (273, 4, 200),
               (277, 3, 1), (278, 4, 20000), (279, 4, 400_000_000)]  # fmt: skip
    directory = b"".join(struct.pack("<HHLL", tag, kind, 1, value) for tag, kind, value in entries)
    path.write_bytes(b"II*\0\x08\0\0\0" + struct.pack("<H", len(entries)) + directory + bytes(1000))
    assert isinstance(held(path, Scanner(ppi=300)), Incomplete)


def test_f62_a_chain_of_pages_that_bites_its_tail_is_read_as_what_it_has(tmp_path: Path) -> None:
    path = tiff(tmp_path / "loop.tif", noise(8, 1))
    data = bytearray(path.read_bytes())
    first = int.from_bytes(data[4:8], "little")
    after = first + 2 + 12 * int.from_bytes(data[first : first + 2], "little")
    data[after : after + 4] = data[4:8]
    path.write_bytes(data)
    assert np.array_equal(opened(path), widened(noise(8, 1)))


def test_f63_text_that_unpacks_to_gigabytes_is_not_unpacked(tmp_path: Path) -> None:
    bomb = png_chunk(b"zTXt", b"Comment\0\0" + zlib.compress(bytes(100_000_000), 9))
    path = png(tmp_path / "bomb.png", noise(), DENSITY_300, bomb)
    assert isinstance(held(path), Incomplete)


@pytest.mark.parametrize("name", ["heron.tif", "heron.jpg", "heron"])
def test_f64_the_content_decides_not_the_name(tmp_path: Path, name: str) -> None:
    assert np.array_equal(opened(png(tmp_path / name, noise(16))), noise(16))


@pytest.mark.parametrize("kind", ["GIF", "WEBP", "PPM"])
def test_f64_a_picture_of_another_kind_is_refused_whatever_it_is_called(tmp_path: Path, kind: str) -> None:
    path = tmp_path / "heron.tif"
    Image.fromarray(noise()).save(path, kind)
    assert "no TIFF, PNG or JPEG" in held(path).reason


def test_f64_a_drawing_in_svg_is_refused_whatever_it_is_called(tmp_path: Path) -> None:
    path = tmp_path / "heron.tif"
    path.write_text('<svg xmlns="http://www.w3.org/2000/svg" width="9" height="9"><rect width="5" height="5"/></svg>')
    assert "no TIFF, PNG or JPEG" in held(path).reason


@pytest.mark.parametrize("content", [b"", b"II", b"II*\0", b"MM\0*\0\0\0\x08", b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff",
                                     b"A letter, not a picture.\n" * 50, noise(8).tobytes()])  # fmt: skip
def test_f66_what_is_no_picture_is_incomplete(tmp_path: Path, content: bytes) -> None:
    path = tmp_path / "heron.tif"
    path.write_bytes(content)
    assert isinstance(held(path), Incomplete)


def pages(path: Path) -> Path:
    with tifffile.TiffWriter(path) as writer:
        for page in range(3):
            writer.write(noise(8, 3, 30 + page), photometric="rgb", resolution=(100 * (page + 1),) * 2,
                         resolutionunit="INCH", metadata=None)  # fmt: skip
    return path


def test_f67_a_file_of_several_pages_is_held_with_the_question_which(tmp_path: Path) -> None:
    assert "3 pages" in held(pages(tmp_path / "heron.tif")).reason


def test_f67_the_page_chosen_in_the_config_is_taken_with_its_own_resolution(tmp_path: Path) -> None:
    path, scanner = pages(tmp_path / "heron.tif"), Scanner(page=2)
    assert examine(path, scanner).ppi == 200
    assert np.array_equal(opened(path, scanner), widened(noise(8, 3, 31)))


def test_f67_a_page_that_is_not_there_is_held(tmp_path: Path) -> None:
    assert "page = 4" in held(pages(tmp_path / "heron.tif"), Scanner(page=4)).reason


def test_f67_a_chosen_page_does_not_hold_up_files_of_one_page(tmp_path: Path) -> None:
    assert opened(tiff(tmp_path / "heron.tif", noise()), Scanner(page=2)).shape == (40, 60, 3)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("channels", [2, 4])
@pytest.mark.parametrize("kind", ["tif", "png"])
def test_f68_what_is_transparent_is_laid_on_white(tmp_path: Path, kind: str, channels: int, bits: int) -> None:
    pixels = noise(bits, channels)
    pixels[0, :, -1], pixels[1, :, -1] = 0, 2**bits - 1
    path = tmp_path / f"heron.{kind}"
    if kind == "tif":
        tiff(path, pixels, extrasamples=["unassalpha"], photometric="rgb" if channels == 4 else "minisblack",
             planarconfig="contig")  # fmt: skip
    else:
        png(path, pixels)
    assert examine(path, PLAIN).alpha == "laid on white"
    colours, cover = widened(pixels)[..., :-1].astype(float), widened(pixels)[..., -1:] / 65535
    # By definition of unassociated alpha (TIFF 6.0, ExtraSamples 2); libvips leaves out the fraction.
    assert np.abs(opened(path) - (colours * cover + 65535 * (1 - cover))).max() <= 1
    assert (opened(path)[0] == 65535).all()
    assert np.array_equal(opened(path)[1], widened(pixels)[1, :, :-1])


def test_f69_a_48_bit_scan_keeps_more_than_256_shades(tmp_path: Path) -> None:
    ramp = np.repeat(np.arange(3000, dtype=np.uint16)[None, :, None] * 20, 3, axis=2)
    ramp = np.ascontiguousarray(np.repeat(ramp, 4, axis=0))
    for path in (tiff(tmp_path / "a.tif", ramp), png(tmp_path / "a.png", ramp)):
        assert len(np.unique(opened(path))) == 3000


@pytest.mark.parametrize("kind", ["int8", "int16", "uint32", "int32", "float16", "float32", "float64"])
def test_f70_numbers_that_no_scanner_writes_are_held(tmp_path: Path, kind: str) -> None:
    numbers = (noise(8) >> 1).astype(kind)
    if kind.startswith("float"):
        numbers[3, 4] = np.nan
    caught = held(tiff(tmp_path / "heron.tif", numbers))
    assert "numbers" in caught.reason
    assert "8 or 16 bits" in caught.remedy
    assert not isinstance(caught, Incomplete)


def test_f71_a_cmyk_scan_is_held_unless_the_config_wants_it_converted(tmp_path: Path) -> None:
    path, _ = cmyk_tiff(tmp_path / "heron.tif", cmyk_profile(), 8)
    assert "CMYK" in held(path).reason


def test_f71_a_cmyk_scan_without_a_profile_is_held_even_then(tmp_path: Path) -> None:
    path, _ = cmyk_tiff(tmp_path / "heron.tif", None, 8)
    assert "no profile" in held(path, Scanner(cmyk="convert")).reason


def test_f71_the_inverted_inks_of_a_cmyk_jpeg_come_in_the_right_way(tmp_path: Path) -> None:
    path = tmp_path / "heron.jpg"
    inks = np.repeat(np.repeat(noise(8, 4, 5, 8), 8, axis=0), 8, axis=1)
    Image.fromarray(inks, "CMYK").save(path, quality=95, icc_profile=cmyk_profile(), dpi=(300, 300))
    with Image.open(path) as seen:
        reference = by_lcms2(np.asarray(seen))
    assert np.abs(opened(path, Scanner(cmyk="convert")).astype(int) - reference).max() <= 1


@pytest.mark.parametrize("bits", [8, 16])
def test_f73_white_is_zero_is_not_taken_for_a_negative(tmp_path: Path, bits: int) -> None:
    pixels = noise(bits, 1)
    path = tiff(tmp_path / "heron.tif", pixels, photometric="miniswhite")
    assert np.array_equal(opened(path), widened(2**bits - 1 - pixels))


@pytest.mark.parametrize("photometric", ["minisblack", "miniswhite"])
def test_f73_a_line_drawing_of_one_bit_is_pure_black_and_white(tmp_path: Path, photometric: str) -> None:
    ones = noise(8, 1) > 127
    path = tiff(tmp_path / "line.tif", ones, photometric=photometric)
    white = ones if photometric == "minisblack" else ~ones
    assert np.array_equal(opened(path)[..., 0], np.where(white, 65535, 0))


def test_f73_a_line_drawing_of_one_bit_in_a_png_is_pure_black_and_white(tmp_path: Path) -> None:
    ones = noise(8, 1) > 127
    path = tmp_path / "line.png"
    Image.fromarray(ones).save(path, dpi=(300, 300))
    assert np.array_equal(opened(path)[..., 0], np.where(ones, 65535, 0))


@pytest.mark.parametrize("kind", ["tif", "png"])
def test_f73_a_picture_with_a_palette_has_the_colours_of_its_palette(tmp_path: Path, kind: str) -> None:
    index, palette = noise(8, 1), noise(8, 3, 1, 256)[0]
    path = tmp_path / f"heron.{kind}"
    if kind == "tif":
        tiff(path, index, photometric="palette", colormap=palette.T.astype(np.uint16) * 257)
    else:
        head = struct.pack(">IIBBBBB", 60, 40, 8, 3, 0, 0, 0)
        lines = zlib.compress(b"".join(b"\0" + row.tobytes() for row in index))
        png_of(path, head, lines, DENSITY_300, png_chunk(b"PLTE", palette.tobytes()))
    assert np.array_equal(opened(path), widened(palette[index]))


@pytest.mark.parametrize("tag", [1, 2, 3, 4, 5, 6, 7, 8, 0, 9, 65535])
@pytest.mark.parametrize("kind", ["tif", "png", "jpg"])
def test_f74_a_scan_is_turned_upright_as_its_file_says(tmp_path: Path, kind: str, tag: int) -> None:
    pixels, path = noise(8), tmp_path / f"heron.{kind}"
    exif = Image.Exif()
    exif[274] = tag
    if kind == "tif":
        tiff(path, pixels, extratags=[(274, "H", 1, tag, True)])
    elif kind == "png":
        png(path, pixels, DENSITY_300, png_chunk(b"eXIf", exif.tobytes().removeprefix(b"Exif\0\0")))
    else:
        jpeg(path, pixels, exif=exif)
        pixels = np.asarray(Image.open(path))
    # What is none of the eight means nothing, so the scan is taken as it lies.
    upright = TURNS.get(tag, TURNS[1])(widened(pixels))
    opening = examine(path, PLAIN)
    assert (opening.height, opening.width) == upright.shape[:2]
    assert np.array_equal(opened(path), upright)


@pytest.mark.parametrize("kind", ["none", "png", "jpg"])
def test_f76_bytes_after_the_picture_do_no_harm(tmp_path: Path, kind: str) -> None:
    path = whole(tmp_path / "heron", kind)
    before = opened(path)
    path.write_bytes(path.read_bytes() + bytes(range(100)) * 7)
    assert np.array_equal(opened(path), before)


def test_f80_new_content_under_an_old_name_is_seen(tmp_path: Path) -> None:
    path = tmp_path / "heron.tif"
    for pixels in (noise(16), noise(16)[::-1].copy()):
        assert np.array_equal(opened(tiff(path, pixels)), pixels)


def test_a_scan_is_read_as_a_stream_however_large_it_is(tmp_path: Path) -> None:
    path = tmp_path / "large.tif"
    tifffile.memmap(path, shape=(7000, 5000, 3), dtype=np.uint16, photometric="rgb", metadata=None,
                    resolution=(600, 600), resolutionunit="INCH")  # fmt: skip
    grown = peak_growth(
        "path = Path(sys.argv[1]); opening = examine(path, Scanner()); decode_to_the_end(path, opening)\n"
        "open_picture(path, opening).open().avg()",
        str(path),
    )
    # The scan has 210 MB, the overview kept of it 23 MB.
    assert grown < 100e6


@pytest.mark.parametrize("photometric", ["cielab", "icclab"])
@pytest.mark.parametrize("bits", [8, 16])
def test_f72_a_lab_file_is_held_and_called_so(tmp_path: Path, bits: int, photometric: str) -> None:
    caught = held(tiff(tmp_path / "heron.tif", noise(bits), photometric=photometric))
    assert "Lab" in caught.reason
    assert "RGB" in caught.remedy
    assert "lab =" in caught.remedy


@pytest.mark.parametrize("size", [(0, 0), (0, 40), (4_000_000_000, 4_000_000_000)], ids=str)
@pytest.mark.parametrize("kind", ["png", "tif", "jpg"])
def test_f61_a_picture_without_or_beyond_any_size_is_held(tmp_path: Path, kind: str, size: tuple[int, int]) -> None:
    path = tmp_path / f"heron.{kind}"
    if kind == "png":
        png_of(path, struct.pack(">IIBBBBB", *size, 8, 2, 0, 0, 0), zlib.compress(bytes(100)), DENSITY_300)
    elif kind == "tif":
        data = bytearray(tiff(path, noise()).read_bytes())
        for tag, value in zip((256, 257), size, strict=True):  # width, height: 12 bytes each, in order of their tags
            at = data.index(struct.pack("<H", tag), int.from_bytes(data[4:8], "little"))
            data[at : at + 12] = struct.pack("<HHLL", tag, 4, 1, value)
        path.write_bytes(data)
    else:
        data = bytearray(jpeg(path, noise()).read_bytes())
        at = data.index(b"\xff\xc0")  # SOF0: height and width, 16 bits each (ITU T.81, B.2.2)
        data[at + 5 : at + 9] = struct.pack(">HH", *(min(side, 65535) for side in size))
        path.write_bytes(data)
    assert held(path).reason.startswith("heron.")


@pytest.mark.parametrize("kind", [".gif", ".webp", ".ppm", ".pfm", ".v", ".mat", ".hdr", ".fits", ".jxl", ".heic"])
def test_f65_no_other_decoder_is_there_to_be_attacked(tmp_path: Path, kind: str) -> None:
    path = tmp_path / f"heron{kind}"
    image = pyvips.Image.black(8, 8, bands=3).copy(interpretation="srgb")
    try:
        image.write_to_file(str(path))
    except pyvips.Error:
        pytest.skip("this libvips cannot write such a file either")
    with pytest.raises(pyvips.Error):
        pyvips.Image.new_from_file(str(path))


def test_f75_a_progressive_jpeg_is_read_within_twice_its_pixels(tmp_path: Path) -> None:
    path = tmp_path / "heron.jpg"
    pyvips.Image.black(4000, 3000, bands=3).copy(interpretation="srgb", xres=11.81, yres=11.81).jpegsave(
        str(path), interlace=True
    )
    grown = peak_growth(
        "path = Path(sys.argv[1]); opening = examine(path, Scanner()); decode_to_the_end(path, opening)", str(path)
    )
    # Its coefficients have two bytes each, and must all be there before the first row: 72 MB, and the overview.
    assert grown < 150e6


def test_f77_a_print_wider_than_any_jpeg_is_held_with_the_reason(tmp_path: Path) -> None:
    # 70000 pixels wide: JPEG ends at 65535 (ITU T.81, B.2.2).
    config = 'stages = ["resample", "jpeg"]\n[print.card]\nsheet = "70000 x 72 mm"\nborder = 0\nppi = 72\n'
    bench = Bench(tmp_path / "studio", config)
    bench.drop("heron.tif", np.full((60, 60000, 3), 200, np.uint8))
    [outcome] = bench.run()
    assert outcome.status == "held"
    assert outcome.remedy
    assert bench.names("ready") == []
