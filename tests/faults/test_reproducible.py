"""Reproducible: the same bytes in another process, folder, zone and locale, for another user, with other threads.

What is varied follows the list of things that builds turned out to depend on. Source: the variations of reprotest
(https://pypi.org/project/reprotest/) and https://reproducible-builds.org/docs/perimeter/.
"""

import locale
import os
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from conftest import CONFIG, sheet_scan, write_scan
from platemark.face.new_stage import write_new_stage
from platemark.flow.verify import verify
from platemark.pixels.icc_writer import srgb_profile
from platemark.pixels.profiles import read_profile
from platemark.records.manifest import read_manifest

CHAIN = (
    'stages = ["resample", "proof", "tint", "border", "jpeg"]\nstages_dir = "stages"\n'
    + CONFIG.replace("[scanner]", '[scanner]\ncmyk = "convert"')
    .replace("[print.card]", '[print.card]\npaper = "rag"')
    .replace('border = "5 mm"', 'border = { sides = "5 mm", lettering = "{title} · {artist}" }')
    .replace("[print.mini]", '[print.mini]\npaper = "card"')
    + '[artist]\nname = "Åse Müller"\n'
    + '[paper.rag]\nprofile = "rag.icc"\n[paper.card]\nprofile = "card.icc"\nintent = "perceptual"\n'
    + '[printer]\ncolour = "file"\n[print.card.proof]\npicture_px = 200\n'
    + '[print.mini.proof]\neffect = "convert"\npicture_px = 200\n[print.card.jpeg]\nmax_size = "20 kB"\n'
)
Grid = NDArray[np.float64]
PLATEMARK = [sys.executable, "-c", "from platemark.face.cli import main; main()"]


def of_class(kind: bytes) -> bytes:
    """The built-in sRGB profile as that of another device. ICC.1 clause 7.2.5: the class is at byte 12."""
    data = srgb_profile()
    return data[:12] + kind + data[16:]


def four_inks() -> bytes:
    """A printer's profile for CMYK by tables, coarse but of a real one's form.

    Source:
        ICC.1:2001-04: header 6.1, textDescriptionType 6.5.17, lut8Type 6.5.8 with CIELAB coded in 8 bits as in annex A.
    """

    def table(channels: int, out: int, grid: int, told: Callable[[Grid], list[Grid]]) -> bytes:
        axes = np.meshgrid(*[np.linspace(0, 1, grid)] * channels, indexing="ij")
        nodes = np.clip(np.rint(255 * np.stack(told(np.array(axes)), -1)), 0, 255).astype(np.uint8)
        identity = b"".join(value.to_bytes(4, "big") for value in (65536, 0, 0, 0, 65536, 0, 0, 0, 65536))
        head = b"mft1" + bytes(4) + bytes([channels, out, grid, 0]) + identity
        ramp = bytes(range(256))
        return head + ramp * channels + nodes.tobytes() + ramp * out

    def to_lab(inks: Grid) -> list[Grid]:
        red, green, blue = (1 - inks[:3]) * (1 - inks[3])
        return [0.3 * red + 0.6 * green + 0.1 * blue, 0.5 + (red - green) / 4, 0.5 + ((red + green) / 2 - blue) / 4]

    def to_inks(lab: Grid) -> list[Grid]:
        light, a, b = lab[0], 4 * lab[1] - 2, 4 * lab[2] - 2
        return [1 - light - a / 2 - b / 9, 1 - light + a / 2 - b / 9, 1 - light + b * 0.9, 0 * light]

    name = b"Four inks (test)\0"
    tags = {
        b"desc": b"desc" + bytes(4) + len(name).to_bytes(4, "big") + name + bytes(78),
        b"cprt": b"text" + bytes(4) + b"CC0\0",
        b"wtpt": b"XYZ " + bytes(4) + bytes.fromhex("0000f6d6000100000000d32d"),
        b"A2B0": table(4, 3, 2, to_lab),
        b"B2A0": table(3, 4, 9, to_inks),
    }
    index, data, start = len(tags).to_bytes(4, "big"), b"", 132 + 12 * len(tags)
    for signature, body in tags.items():
        index += signature + (start + len(data)).to_bytes(4, "big") + len(body).to_bytes(4, "big")
        data += body + bytes(-len(body) % 4)
    size = (start + len(data)).to_bytes(4, "big")
    head = size + bytes(4) + bytes.fromhex("02400000") + b"prtrCMYKLab " + bytes(12) + b"acsp" + bytes(28)
    return (head + bytes.fromhex("0000f6d6000100000000d32d")).ljust(128, b"\0") + index + data


def set_up(root: Path) -> list[Path]:
    """A studio with one scan of every kind; those in a print's own folder go to that print."""
    (root / "ready").mkdir(parents=True)
    (root / "rag.icc").write_bytes(of_class(b"prtr"))
    (root / "card.icc").write_bytes(four_inks())
    (root / "platemark.toml").write_text(CHAIN, encoding="utf-8")
    write_new_stage("tint", root / "stages")
    inks = np.concatenate([255 - sheet_scan(seed=5), sheet_scan(seed=5)[..., :1] // 8], axis=-1)
    card, mini = root / "scans" / "card", root / "scans" / "mini"
    return [
        write_scan(card / "eight bits.tif", sheet_scan(seed=1)),
        write_scan(mini / "sixteen bits.tif", sheet_scan(seed=2, bits=16)),
        write_scan(card / "grey.tif", sheet_scan(seed=3)[..., 1], photometric="minisblack"),
        write_scan(mini / "turned.tif", sheet_scan(seed=4), extratags=[(274, "H", 1, 6, True)]),
        write_scan(mini / "inks.tif", inks, photometric="separated", iccprofile=four_inks()),
        write_scan(card / "own profile.tif", sheet_scan(seed=6), iccprofile=of_class(b"scnr")),
    ]


def some_other_locale() -> str:
    """One that is installed; without one the test would silently test nothing."""
    before = locale.setlocale(locale.LC_ALL)
    for name in ("de_DE.UTF-8", "fr_FR.UTF-8", "tr_TR.UTF-8", "C.UTF-8"):
        try:
            locale.setlocale(locale.LC_ALL, name)
        except locale.Error:
            continue
        locale.setlocale(locale.LC_ALL, before)
        return name
    raise AssertionError("no locale but POSIX is installed: install one, such as de_DE.UTF-8")


def here(place: Path) -> dict[str, str]:
    """One surrounding: what is kept from now is what a program needs to start at all."""
    kept = {name: os.environ[name] for name in ("PATH", "PYTHONPATH", "SYSTEMROOT") if name in os.environ}
    return {
        **kept,
        "HOME": str(place),
        "TMPDIR": str(place),
        "USER": "mira",
        "LC_ALL": "POSIX",
        "TZ": "UTC0",
        "PYTHONHASHSEED": "0",
        "VIPS_CONCURRENCY": "1",
    }


def there(place: Path) -> dict[str, str]:
    """Another one: each of these is known to have changed the output of some program."""
    return {
        **here(place),
        "HOME": "/nowhere",
        "USER": "somebody",
        "LC_ALL": some_other_locale(),
        "LANG": some_other_locale(),
        "TZ": "FAR-13:45",
        "PYTHONHASHSEED": "4711",
        "VIPS_CONCURRENCY": "2",
        "VIPS_NOVECTOR": "1",  # libvips without SIMD
        "JSIMD_FORCENONE": "1",  # its JPEG encoder too
    }


def run(words: list[object], around: dict[str, str], *, umask: int, folder: Path) -> str:
    """Run platemark in a process of its own."""
    done = subprocess.run(
        [*PLATEMARK, *map(str, words)], env=around, umask=umask, cwd=folder, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout + done.stderr
    return done.stdout


@pytest.fixture(scope="module")
def studios(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path]:
    """The same scans, made into prints in two surroundings, in different orders."""
    places = tmp_path_factory.mktemp("here"), tmp_path_factory.mktemp("there, élsewhere")
    first, second = (set_up(place / "studio") for place in places)
    config = "platemark.toml"
    run(["prepare", "--config", config, *first], here(places[0]), umask=0o022, folder=places[0] / "studio")
    config = str(places[1] / "studio" / config)
    run(["prepare", "--config", config, *reversed(second)], there(places[1]), umask=0o077, folder=Path("/"))
    return places[0] / "studio", places[1] / "studio"


def test_the_stand_ins_are_profiles_of_printers() -> None:
    assert read_profile(of_class(b"prtr"), "rag").device_class == "prtr"
    inks = read_profile(four_inks(), "card")
    assert (inks.device_class, inks.colour_space) == ("prtr", "CMYK")


def test_every_kind_of_scan_is_there(studios: tuple[Path, Path]) -> None:
    manifests = {path.stem: read_manifest(path) for path in (studios[0] / "ready").glob("*.toml")}
    sources = {name: told.sources[0] for name, told in manifests.items()}
    assert len(sources) == 6
    assert sources["sixteen bits.mini"].bits == 16
    assert sources["turned.mini"].orientation == 6
    assert "converted from CMYK" in sources["inks.mini"].profile_from
    assert sources["own profile.card"].profile_from == "file"
    # Pillow says what is in the file: converted for the printer's inks, or its red, green and blue.
    for name, mode in {"inks.mini.jpg": "CMYK", "eight bits.card.jpg": "RGB", "grey.card.jpg": "RGB"}.items():
        with Image.open(studios[0] / "ready" / name) as export:
            assert export.mode == mode


def test_f95_two_surroundings_make_the_same_files_with_the_same_bytes(studios: tuple[Path, Path]) -> None:
    here_files, there_files = ({path.name: path for path in (studio / "ready").iterdir()} for studio in studios)
    assert here_files.keys() == there_files.keys()
    assert len([name for name in here_files if name.endswith(".jpg")]) == 24
    for name, path in here_files.items():
        if path.suffix == ".jpg":
            assert path.read_bytes() == there_files[name].read_bytes(), name


def test_f95_two_surroundings_write_the_same_manifests_but_for_the_table_that_says_so(
    studios: tuple[Path, Path],
) -> None:
    for path in (studios[0] / "ready").glob("*.toml"):
        bodies = [(studio / "ready" / path.name).read_bytes().partition(b"\n[made]\n") for studio in studios]
        assert bodies[0][0] == bodies[1][0]
        assert bodies[0][1]


@pytest.mark.parametrize("which", [0, 1])
def test_f95_each_is_made_again_in_the_other_surroundings_after_the_studio_moved_and_all_else_went(
    studios: tuple[Path, Path], tmp_path: Path, which: int
) -> None:
    for folder in ("ready", "originals"):  # no config, scans, profiles or stages
        shutil.copytree(studios[which] / folder, tmp_path / "moved" / folder)
    around, umask, start = [(there(tmp_path), 0o077, Path("/")), (here(tmp_path), 0o022, tmp_path / "moved")][which]
    said = run(["reproduce", "--all", tmp_path / "moved" / "ready"], around, umask=umask, folder=start)
    assert "6 of 6 identical" in said
    assert verify(tmp_path / "moved").findings == ()


KINDS_OF_NUMPY = """
import sys
from pathlib import Path
import numpy as np
from conftest import Bench, sheet_scan
from numpy._core._multiarray_umath import __cpu_features__ as features
bench = Bench(Path(sys.argv[1]))
bench.drop("heron.tif", sheet_scan(bits=16, skew=1.3))
assert {one.status for one in bench.run()} == {"ready"}
print(features.get("X86_V3", features.get("AVX2", False)), np.exp(np.linspace(0, 1, 99)).tobytes().hex()[-8:])
"""


def test_f98b_prints_are_the_same_with_the_numbers_of_an_older_processor(tmp_path: Path) -> None:
    # Deskew measures, resample and sharpen sum: all with numpy. It is asked whether it really left the features out.
    path = os.pathsep.join([str(Path(__file__).parents[1]), *filter(None, sys.path)])
    told, made = [], []
    for features in ("", "X86_V3 X86_V4 AVX512_ICL AVX512_SPR"):
        root = tmp_path / f"studio{len(made)}"
        around = {"PYTHONPATH": path, "NPY_DISABLE_CPU_FEATURES": features, "PYTHONWARNINGS": "ignore"}
        around |= {"OPENBLAS_CORETYPE": "Nehalem", "OPENBLAS_NUM_THREADS": "1"} if features else {}
        done = subprocess.run(
            [sys.executable, "-c", KINDS_OF_NUMPY, str(root)],
            env={**os.environ, **around}, capture_output=True, text=True, check=True,
        )  # fmt: skip
        told.append(done.stdout.splitlines()[-1].split()[0])
        made.append({one.name: one.read_bytes() for one in (root / "ready").glob("*.jpg")})
    if told != ["True", "False"]:
        pytest.skip(f"NOT TESTED: numpy here has no vector code that can be left out (X86_V3: {told})")
    assert len(made[0]) == 2
    assert made[0] == made[1]
