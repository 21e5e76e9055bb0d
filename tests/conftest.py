"""What many tests share: a studio in a temporary folder, and small scans to drop into it."""

import logging
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import pytest
import structlog
import tifffile
from numpy.typing import NDArray

from platemark.face.new_stage import write_new_stage
from platemark.flow.delivery import Outcome
from platemark.flow.prepare import prepare
from platemark.flow.studio import Studio, open_studio
from platemark.pixels.icc_writer import srgb_profile

# Two small prints, quick to make; a scan of 60 x 80 mm at 150 ppi is some 130 000 pixels.
CONFIG = """\
[scanner]
ppi = 150

[print.card]
sheet = "60 x 80 mm"
border = "5 mm"
ppi = 150

[print.mini]
sheet = "40 x 50 mm"
border = "4 mm"
ppi = 150

[watch]
settle = "50 ms"
sweep = "500 ms"
"""


def sheet_scan(*, seed: int = 0, bits: int = 8, skew: float = 0.0) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """A scan with true edges: a light sheet with a painted disc on a dark bed, (rows, columns, 3).

    The sheet is 50 x 65 mm in a 65 x 80 mm bed at 150 ppi, turned by `skew` degrees counter-clockwise on screen.
    """
    rows, columns, ppmm = 472, 384, 150 / 25.4
    y, x = np.mgrid[0:rows, 0:columns] + 0.5
    angle = np.radians(skew)
    dx, dy = x - columns / 2, y - rows / 2
    across = dx * np.cos(angle) - dy * np.sin(angle)
    down = dx * np.sin(angle) + dy * np.cos(angle)
    inside = np.clip(25 * ppmm - np.abs(across) + 0.5, 0, 1) * np.clip(32.5 * ppmm - np.abs(down) + 0.5, 0, 1)
    disc = np.clip(12 * ppmm - np.hypot(across, down), 0, 1)
    paper, bed, paint = np.array([236, 232, 222]), np.array([60, 60, 62]), np.array([40 + seed % 150, 90, 160])
    picture = bed + inside[..., None] * (paper - bed) + disc[..., None] * (paint - paper)
    noisy = picture + np.random.Generator(np.random.PCG64(seed)).normal(0, 1.0, picture.shape)
    if bits == 16:
        return np.clip(np.rint(noisy * 257), 0, 65535).astype(np.uint16)
    return np.clip(np.rint(noisy), 0, 255).astype(np.uint8)


def write_scan(path: Path, array: NDArray[np.uint8] | NDArray[np.uint16] | None = None, **options: object) -> Path:
    """Write a TIFF that says 150 ppi; options go to tifffile."""
    path.parent.mkdir(parents=True, exist_ok=True)
    told = {"photometric": "rgb", "resolution": (150, 150), "resolutionunit": "INCH", **options}
    tifffile.imwrite(path, sheet_scan() if array is None else array, **told)
    return path


@dataclass
class Bench:
    """A studio to work in, and short words for what tests do with it."""

    root: Path
    config: str = CONFIG
    outcomes: list[Outcome] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.root.mkdir(parents=True, exist_ok=True)
        self.file = self.root / "platemark.toml"
        self.file.write_text(self.config, encoding="utf-8")
        self.studio.make_folders()

    @property
    def studio(self) -> Studio:
        """The studio as its config says now."""
        return open_studio(self.file)

    def drop(self, name: str, array: NDArray[np.uint8] | NDArray[np.uint16] | None = None, **options: object) -> Path:
        """Put a scan into scans/."""
        return write_scan(self.root / "scans" / name, array, **options)

    def run(self) -> list[Outcome]:
        """Prepare all that lies in scans/."""
        scans = sorted(p for p in (self.root / "scans").rglob("*") if p.is_file() and p.suffix != ".toml")
        scans = [path for path in scans if not path.name.startswith(".")]
        self.outcomes = [outcome for made in prepare(self.studio, scans) for outcome in made]
        return self.outcomes

    def names(self, folder: str) -> list[str]:
        """The files of a folder, without our hidden ones."""
        return sorted(p.name for p in (self.root / folder).iterdir() if p.is_file() and not p.name.startswith("."))


def with_paper_and_own_stage(root: Path) -> Path:
    """Lay a paper profile, `rag.icc`, and a stage of the artist's own, `tint`, into the folder of a studio."""
    data = srgb_profile()
    # ICC.1 clause 7.2.5: the class of the device is at byte 12. A printer that prints sRGB stands in for a real one.
    (root / "rag.icc").write_bytes(data[:12] + b"prtr" + data[16:])
    write_new_stage("tint", root / "stages")
    return root


@pytest.fixture
def log_as_it_was() -> Iterator[None]:
    """A test that starts the log leaves nothing of it behind."""
    yield
    root = logging.getLogger("platemark")
    for handler in list(root.handlers):
        root.removeHandler(handler)
        handler.close()
    structlog.reset_defaults()


@pytest.fixture
def bench(tmp_path: Path) -> Bench:
    """A studio with two small prints."""
    return Bench(tmp_path / "studio")
