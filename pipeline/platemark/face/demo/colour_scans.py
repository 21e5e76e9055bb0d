"""The scans of the colour demo: a colour chart, two originals and their prints, all read by one invented scanner."""

from pathlib import Path

import numpy as np
import pyvips

from platemark.characterise.model import xyz_of_lab
from platemark.characterise.reference import load_reference
from platemark.face.demo.artwork import heron, quince
from platemark.face.demo.bed import Bed, scan
from platemark.face.demo.devices import light_of, printed, scanned
from platemark.pixels.cielab import D50

PPI = 300
_CHART_PPI = 150
# What lies around patches and sheets, CIELAB: the frame of the chart, and the lid.
_FRAME, _LID = (20.0, 0.0, 0.0), (94.0, -0.5, 0.5)
_ROWS, _COLUMNS, _PATCH, _GAP = 4, 6, 150, 20  # pixels


def write_chart(path: Path) -> None:
    """The scan of a chart of 24 patches, a little askew on the bed."""
    lab = load_reference("patches-24").lab.reshape(_ROWS, _COLUMNS, 3)
    patches = np.repeat(np.repeat(lab, _PATCH, axis=0), _PATCH, axis=1)
    lines = np.zeros(patches.shape[:2], bool)
    for n in range(_GAP):
        lines[n::_PATCH] = True
        lines[:, n::_PATCH] = True
    patches[lines] = _FRAME
    chart = _image(np.pad(patches, ((_GAP, 2 * _GAP), (_GAP, 2 * _GAP), (0, 0)), mode="edge"))
    light = _laid(chart.Lab2XYZ(temp=_D50) / 100, (1275, 1000), 1.2)
    _save(light, path, _CHART_PPI)


def write_originals(folder: Path) -> list[Path]:
    """Two paintings as the scanner reads them: 16 bits, without a profile."""
    folder.mkdir(parents=True, exist_ok=True)
    beds = {"heron": Bed(210, 297, centre_mm=(103.6, 146.2), skew=1.37), "quince": Bed(200, 260, (92, 124), -1.1)}
    written = []
    for seed, (paint, name) in enumerate([(heron, "heron"), (quince, "quince")], start=1):
        seen = scan(paint(PPI), beds[name], PPI, seed)
        written.append(folder / f"{name}.tif")
        _save(light_of(seen), written[-1], PPI)
    return written


def write_print(export: Path, profile: Path, path: Path, skew: float) -> None:
    """An export, printed on the paper of a profile and laid on the scanner."""
    picture = pyvips.Image.new_from_file(str(export))
    light = printed(picture, str(profile)).resize(PPI / (picture.xres * 25.4))
    margin = PPI
    _save(_laid(light, (light.width + margin, light.height + margin), skew), path, PPI)


_D50 = (100 * D50).tolist()


def _image(lab: np.ndarray) -> pyvips.Image:
    return pyvips.Image.new_from_array(lab.astype(np.float32)).copy(interpretation="lab")


def _laid(light: pyvips.Image, bed: tuple[int, int], skew: float) -> pyvips.Image:
    """A sheet in the middle of the bed, turned counter-clockwise, with the thin shadow of its edges."""
    lid = xyz_of_lab(np.array(_LID)).tolist()
    place = ((bed[0] - light.width) // 2, (bed[1] - light.height) // 2)
    inside = pyvips.Image.black(light.width, light.height) + 1
    width, height = bed
    laid = light.embed(*place, width, height, extend="background", background=lid)
    covered = inside.embed(*place, width, height)
    bicubic = pyvips.Interpolate.new("bicubic")
    turned = laid.similarity(angle=-skew, interpolate=bicubic, background=lid)
    mask = covered.similarity(angle=-skew, interpolate=bicubic)
    shadow = 1 - 0.14 * (mask.gaussblur(6) - mask * mask.gaussblur(6))
    left, top = (turned.width - width) // 2, (turned.height - height) // 2
    return (turned * shadow).crop(left, top, width, height).gaussblur(0.6)


def _save(light: pyvips.Image, path: Path, ppi: int) -> None:
    """As the scanner writes it: 16 bits, its resolution, no profile."""
    path.parent.mkdir(parents=True, exist_ok=True)
    codes = scanned(light).copy(xres=ppi / 25.4, yres=ppi / 25.4)
    codes.tiffsave(str(path), resunit="inch", compression="lzw", predictor="horizontal", keep="none")
