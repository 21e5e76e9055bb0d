"""What many tests share: a studio in a temporary folder, and small scans to drop into it."""

import logging
import threading
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Self

import numpy as np
import pytest
import structlog
import tifffile
from numpy.typing import NDArray

from platemark.face.new_stage import write_new_stage
from platemark.flow.delivery import Outcome
from platemark.flow.prepare import prepare
from platemark.flow.studio import Studio, open_studio
from platemark.flow.watch import Watcher
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
# The scan is the sheet itself, so that nothing has to be found on a bed.
PLAIN = 'stages = ["resample", "border", "jpeg"]\n' + CONFIG
# One print keeps it quick.
ONE_PRINT = PLAIN.partition("[print.mini]")[0]
QUICK = ONE_PRINT + '[watch]\nsettle = "30 ms"\nsweep = "100 ms"\n'
HERON = ["heron.card.jpg", "heron.card.toml"]
BOTH = ["heron.card.jpg", "heron.card.toml", "heron.mini.jpg", "heron.mini.toml"]
# The smallest print that is allowed, of a scan of 24 x 32 mm: made in some 20 ms.
TINY = """\
stages = ["resample", "border", "jpeg"]
[print.card]
sheet = "26 x 34 mm"
border = "1 mm"
ppi = 72
[watch]
settle = "30 ms"
sweep = "100 ms"
"""
# Never reached when all is well: only how long a broken watcher may keep the tests waiting.
DEADLINE = 20.0


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


def tiny_scan(seed: int = 0) -> NDArray[np.uint8]:
    """Grain of light paper, 24 x 32 mm at 150 ppi."""
    return np.random.Generator(np.random.PCG64(seed)).integers(200, 232, (189, 142, 3), dtype=np.uint8)


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

    @property
    def statuses(self) -> list[tuple[str, str]]:
        """What became of each print."""
        return [(outcome.print_name, outcome.status) for outcome in self.outcomes]

    def tree(self) -> dict[str, bytes]:
        """All files of the four folders; of a manifest what does not depend on when it was written."""
        folders = ("scans", "ready", "held", "originals")
        files = [path for folder in folders for path in (self.root / folder).rglob("*") if path.is_file()]
        return {
            path.relative_to(self.root).as_posix(): path.read_bytes().partition(b"\n[made]")[0]
            for path in files
            if not path.name.endswith((".lock", ".holder"))
        }


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


def until(condition: Callable[[], object], seconds: float = DEADLINE) -> None:
    """Wait until something is so."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, "it did not come about"
        threading.Event().wait(0.005)


@dataclass
class Watched:
    """A studio that is being watched in a thread."""

    bench: Bench
    outcomes: list[Outcome] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.watcher = Watcher(self.bench.studio, on_outcome=self.outcomes.append)
        self.thread = threading.Thread(target=self.watcher.run)

    def start(self) -> None:
        """Begin."""
        self.thread.start()

    def stop(self) -> None:
        """End after the scan in hand."""
        self.watcher.stop()
        self.thread.join(DEADLINE)
        assert not self.thread.is_alive()

    def __enter__(self) -> Self:
        """Watched while the block runs."""
        self.start()
        return self

    def __exit__(self, *_fault: object) -> None:
        """Not any longer."""
        if self.thread.is_alive():
            self.stop()

    def done(self) -> list[tuple[str, str]]:
        """What became of each scan."""
        return [(outcome.scan, outcome.status) for outcome in self.outcomes]

    @property
    def scans(self) -> Path:
        """Where scans are dropped."""
        return self.bench.root / "scans"


def arriving(watched: Watched, name: str = "heron.tif", seed: int = 0) -> Path:
    """A scan that appears whole, as one that is moved in does."""
    scan = write_scan(watched.bench.root / "elsewhere" / name, sheet_scan(seed=seed))
    return scan.rename(watched.scans / name)


@pytest.fixture
def prepared(tmp_path: Path) -> Iterator[Watched]:
    """A studio that nobody watches yet."""
    watched = Watched(Bench(tmp_path / "studio", QUICK))
    yield watched
    if watched.thread.is_alive():
        watched.stop()


@pytest.fixture
def watched(prepared: Watched) -> Watched:
    """A studio that is watched."""
    prepared.start()
    return prepared


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """The artist's folder of stages."""
    made = tmp_path / "stages"
    made.mkdir()
    return made


@pytest.fixture
def site(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder on the path, where packages are installed."""
    made = tmp_path / "site"
    made.mkdir()
    monkeypatch.syspath_prepend(str(made))
    return made
