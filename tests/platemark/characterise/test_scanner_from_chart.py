"""From the scan of a chart to prints: the command, its files, and what is refused without writing any."""

import tomllib
from pathlib import Path

import numpy as np
import pytest
import pyvips
import tifffile
from click.testing import CliRunner
from PIL import Image, ImageCms
from simulated import Chart, Scanner, many_colours, reference_text, scanned

from conftest import CONFIG, Bench, write_scan
from platemark.characterise.reference import load_reference
from platemark.face.cli import main
from platemark.pixels.ciede2000 import ciede2000
from platemark.pixels.profiles import srgb

LAB_24 = load_reference("patches-24").lab.reshape(4, 6, 3)

pytestmark = pytest.mark.usefixtures("log_as_it_was")


@pytest.fixture
def desk(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the scan of a chart, upside down and a little askew."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "200")
    write(tmp_path / "chart.tif", scanned(Chart(LAB_24, patch=40, turns=2, skew=3)))
    return tmp_path


def write(path: Path, pixels: np.ndarray, **options: object) -> Path:
    tifffile.imwrite(path, pixels, **{"photometric": "rgb", **options})
    return path


def typed(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, ["characterise", *map(str, words)], catch_exceptions=False)
    return done.exit_code, " ".join(done.output.split())


def made(desk: Path) -> set[str]:
    return {path.name for path in desk.iterdir()} - {"chart.tif"}


def test_a_profile_and_its_reports_are_written_and_told(desk: Path) -> None:
    code, said = typed("chart.tif", "--reference", "patches-24", "-o", "scanner.icc")
    assert code == 0
    assert made(desk) == {"scanner.icc", "scanner.report.toml", "scanner.report.html"}
    assert "turned by 180 degrees" in said
    assert "patches left out" in said
    assert "FADGI 2016, mean: level 4-star" in said
    report = tomllib.loads((desk / "scanner.report.toml").read_text())
    assert len(report["patch"]) == 24
    assert report["left_out"]["mean"] <= 1.5
    page = (desk / "scanner.report.html").read_text()
    assert page.count("background:#") == 16, "eight pairs of swatches"
    assert "http" not in page, "it needs no other file"


def test_other_programs_read_the_profile(desk: Path) -> None:
    typed("chart.tif", "--reference", "patches-24", "-o", "scanner.icc")
    opened = ImageCms.getOpenProfile(str(desk / "scanner.icc"))
    assert (opened.profile.device_class, opened.profile.xcolor_space, opened.profile.version) == ("scnr", "RGB ", 2.4)
    # Pillow and libvips each with its own lcms2: the green patch as the scanner sees it, to CIELAB.
    code = Scanner().curve(Scanner().light(LAB_24[2, 1]))
    eight = Image.new("RGB", (1, 1), tuple(int(v) for v in np.rint(code * 255)))
    by_pillow = ImageCms.applyTransform(
        eight, ImageCms.buildTransform("scanner.icc", ImageCms.createProfile("LAB"), "RGB", "LAB", renderingIntent=1)
    ).getpixel((0, 0))
    lightness, a, b = by_pillow
    assert ciede2000([lightness / 2.55, a % 256 - 128, b % 256 - 128], LAB_24[2, 1]) < 1.5, "8 bits"
    sixteen = np.rint(code * 65535).astype(np.uint16)
    dot = pyvips.Image.new_from_memory(sixteen.tobytes(), 1, 1, 3, "ushort").copy(interpretation="rgb16")
    by_libvips = dot.icc_import(input_profile="scanner.icc", intent="relative", pcs="lab")(0, 0)
    assert ciede2000(by_libvips, LAB_24[2, 1]) < 0.5


def test_prints_are_made_through_it(desk: Path) -> None:
    typed("chart.tif", "--reference", "patches-24", "-o", "scanner.icc")
    bench = Bench(desk / "studio", CONFIG.replace("ppi = 150\n", 'ppi = 150\nprofile = "../scanner.icc"\n', 1))
    write_scan(desk / "studio" / "scans" / "heron.tif", resolution=None)
    assert {outcome.status for outcome in bench.run()} == {"ready"}
    manifest = tomllib.loads((desk / "studio" / "ready" / "heron.card.toml").read_text())
    assert "config" in str(manifest), "the profile is that of the config"
    kept = [path.read_bytes() for path in (desk / "studio" / "originals" / "profiles").iterdir()]
    assert (desk / "scanner.icc").read_bytes() in kept


def test_corners_and_a_grid_may_be_given(desk: Path) -> None:
    lab = many_colours(4, 6, 9)
    (desk / "chart.txt").write_text(reference_text(lab, numbered=True, xyz=True))
    chart = Chart(lab, patch=40, skew=21)
    write(desk / "askew.tif", scanned(chart))
    corners = [f"{x:.0f},{y:.0f}" for x, y in chart.corners()]
    asked = ("askew.tif", "--reference", "chart.txt", "-o", "scanner.icc")
    code, said = typed(*asked)
    assert (code, "21 degrees askew" in said) == (2, True)
    code, _ = typed(*asked, "--corners", *corners, "--grid", "4x6")
    assert code == 0


def test_a_scan_that_carries_a_profile_is_warned_of(desk: Path) -> None:
    write(desk / "tagged.tif", scanned(Chart(LAB_24, patch=40)), iccprofile=srgb().data)
    code, said = typed("tagged.tif", "--reference", "patches-24", "-o", "scanner.icc")
    assert code == 0
    assert "carries a profile already" in said


@pytest.fixture(scope="module")
def drawer(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Scans and references that are no good."""
    folder = tmp_path_factory.mktemp("drawer")
    chart = scanned(Chart(LAB_24, patch=30))
    tifffile.imwrite(folder / "grey.tif", chart[:, :, 1], photometric="minisblack")
    tifffile.imwrite(folder / "inks.tif", np.zeros((50, 50, 4), np.uint8), photometric="separated")
    write(folder / "good.tif", chart)
    write(folder / "blank.tif", np.full((300, 400, 3), 60000, np.uint16))
    write(folder / "other.tif", scanned(Chart(many_colours(4, 6, 2), patch=30)))
    write(folder / "askew.tif", scanned(Chart(LAB_24, patch=30, skew=30)))
    write(folder / "liar.tif", chart, iccprofile=srgb().data[:-900])
    (folder / "cut.tif").write_bytes((folder / "good.tif").read_bytes()[:5000])
    (folder / "empty.tif").write_bytes(b"")
    (folder / "letter.txt").write_text("Dear aunt")
    return folder


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("grey.tif", "is not RGB"),
        ("inks.tif", "CMYK"),
        ("blank.tif", "no grid of patches"),
        ("other.tif", "not those of patches-24"),
        ("askew.tif", "30 degrees askew"),
        ("cut.tif", "ends too early"),
        ("empty.tif", "no TIFF"),
        ("liar.tif", "profile"),
        ("good.tif --reference letter.txt", "no reference of a chart"),
        ("good.tif --reference patches-23", "cannot be read"),
        ("good.tif --corners 0,0 5,0 5,5 0,5", "enclose no chart"),
        ("good.tif --corners 0,0 5,0 5,5 a", "not two numbers"),
    ],
)
def test_what_is_no_good_is_a_sentence_and_nothing_is_written(
    drawer: Path, monkeypatch: pytest.MonkeyPatch, words: str, says: str
) -> None:
    monkeypatch.chdir(drawer)
    monkeypatch.setenv("COLUMNS", "200")
    before = sorted(drawer.iterdir())
    reference = [] if "--reference" in words else ["--reference", "patches-24"]
    code, said = typed(*words.split(), *reference, "-o", "scanner.icc")
    assert (code, sorted(drawer.iterdir())) == (2, before)
    assert says in said
    assert "Traceback" not in said


def test_a_profile_that_is_there_is_left_alone(desk: Path) -> None:
    (desk / "scanner.icc").write_text("mine")
    code, said = typed("chart.tif", "--reference", "patches-24", "-o", "scanner.icc")
    assert (code, "is there already" in said) == (2, True)
    assert (desk / "scanner.icc").read_text() == "mine"
    assert made(desk) == {"scanner.icc"}
