"""How well sheets are found on scans of known truth, beside a plain threshold, as a table.

    python bench/sheet.py [FOLDER] [--predictions FILE]
    python bench/sheet.py --scenes 300 [--first SEED]

FOLDER holds scans and a truth.json; without it the few of the tests are used. The plain way is what many scripts do:
blur, threshold after Otsu, largest contour, smallest turned rectangle around it (OpenCV). It never holds a scan.

With --scenes, beds drawn by scenes.py instead, and how much of what was said to be certain was so: about a second each.
"""

import argparse
import json
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pyvips
from numpy.typing import NDArray
from reliability import scenes

from platemark_stages.sheet import find_items

Pixels = NDArray[np.uint16]
Prediction = dict[str, Any]
Finder = Callable[[Pixels, float], Prediction]

PREVIEW_PPI = 200.0
DEFAULT = Path(__file__).parent.parent / "tests" / "data" / "scans"
# A decision is silently wrong from here on: a quarter of a degree shows on a print, and so do 2 mm of lid.
BAD_DEG, BAD_MM = 0.25, 2.0


def preview_of(path: Path, ppi: float) -> tuple[Pixels, float]:
    """Open a scan as displayed, at no more than the preview's resolution; 16 bits, three bands."""
    image = pyvips.Image.new_from_file(str(path)).autorot()
    scale = min(1.0, PREVIEW_PPI / ppi)
    if image.hasalpha():
        image = image.flatten(background=[255 if image.format == "uchar" else 65535])
    pixels = image.resize(scale).numpy() if scale < 1 else image.numpy()
    pixels = pixels.reshape(*pixels.shape[:2], -1)
    widened = pixels if pixels.dtype == np.uint16 else pixels.astype(np.uint16) * 257
    return np.ascontiguousarray(np.broadcast_to(widened[..., :3], (*widened.shape[:2], 3))), ppi * scale


def ours(preview: Pixels, ppi: float) -> Prediction:
    """Ask the sheet finder."""
    bed = find_items(preview, ppi)
    items = [
        {"corners_px": [list(corner) for corner in item.corners], "skew_deg": item.skew, "confidence": item.confidence}
        for item in bed.items
    ]
    return {"decision": str(bed.decision), "items": items, "confidence": bed.confidence, "reason": bed.reason}


def plain(preview: Pixels, _ppi: float) -> Prediction:
    """Threshold, largest contour, smallest turned rectangle."""
    grey = cv2.GaussianBlur(cv2.cvtColor((preview >> 8).astype(np.uint8), cv2.COLOR_RGB2GRAY), (5, 5), 0)
    _, mask = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    if np.median(np.concatenate([mask[0], mask[-1], mask[:, 0], mask[:, -1]])) > 0:
        mask = cv2.bitwise_not(mask)
    contours, _ = cv2.findContours(mask, cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    if not contours:
        return {"decision": "leave", "items": []}
    # OpenCV has the centre of the first pixel at (0, 0).
    box = cv2.boxPoints(cv2.minAreaRect(max(contours, key=cv2.contourArea))) + 0.5
    around = box - box.mean(axis=0)
    box = box[np.argsort(np.arctan2(around[:, 1], around[:, 0]))]
    box = np.roll(box, -int(np.argmin(box.sum(axis=1))), axis=0)
    along = box[1] - box[0]
    return {
        "decision": "crop",
        "items": [{"corners_px": box.tolist(), "skew_deg": float(-np.degrees(np.arctan2(along[1], along[0])))}],
    }


@dataclass
class Tally:
    """Measures of the scans that carry one tag."""

    scans: int = 0
    right: int = 0
    wrong: int = 0
    held: int = 0
    angles: list[float] = field(default_factory=list)
    corners: list[float] = field(default_factory=list)

    def line(self) -> str:
        """As one row of the table."""
        numbers = [
            f"{np.percentile(v, q):7.3f}" if v else f"{'-':>7}" for v in (self.angles, self.corners) for q in (50, 95)
        ]
        return f"{self.scans:>5} {self.right:>5} {self.wrong:>5} {self.held:>4} " + " ".join(numbers)


def judge(truth: dict[str, Any], prediction: Prediction, tallies: list[Tally]) -> None:
    """Count one scan in all its tallies."""
    decision, items = prediction["decision"], prediction["items"]
    wanted = "crop" if truth["expectation"] == "split" else truth["expectation"]
    good, angles, corners = decision == wanted, [], []
    if good and decision == "crop":
        good = len(items) == len(truth["items"])
        for item in truth["items"]:
            angle, off = min(
                (errors_of(item, found, truth["dpi"]) for found in items), key=lambda error: max(error[1], default=0.0)
            )
            slack = 1.5 * item.get("edge_rms_mm", 0)
            good &= angle <= BAD_DEG + item.get("tolerance_deg", 0) and max(off, default=0) <= BAD_MM + slack
            angles.append(angle)
            corners += off
    for tally in tallies:
        tally.scans += 1
        tally.held += decision == "held"
        tally.right += decision != "held" and good
        tally.wrong += decision != "held" and not good
        tally.angles += angles
        tally.corners += corners


def errors_of(item: dict[str, Any], found: dict[str, Any], dpi: float) -> tuple[float, list[float]]:
    """How far an item is off: degrees, and millimetres at each corner that lies on the bed."""
    off = np.array(found["corners_px"]) - np.array(item["corners_px"])
    corners = np.hypot(*off.T)[np.array(item["corner_on_bed"])] * 25.4 / dpi
    return abs(found["skew_deg"] - item["skew_deg"]), corners.tolist()


def run(
    folder: Path, truths: list[dict[str, Any]], finder: Finder
) -> Iterator[tuple[dict[str, Any], Prediction, float]]:
    """Find the sheet on each scan; corners in pixels of the scan, and the seconds it took."""
    for truth in truths:
        preview, ppi = preview_of(folder / truth["file"], float(truth["dpi"]))
        start = time.perf_counter()
        prediction = finder(preview, ppi)
        seconds = time.perf_counter() - start
        for item in prediction["items"]:
            item["corners_px"] = (np.array(item["corners_px"]) * truth["dpi"] / ppi).tolist()
        yield truth, prediction, seconds


def table(title: str, tallies: dict[str, Tally], seconds: list[float]) -> str:
    """All measures of one finder."""
    head = (
        f"{'':<18}{'scans':>5} {'right':>5} {'wrong':>5} {'held':>4} {'angle':>7} {'p95':>7} {'corner':>7} {'p95':>7}"
    )
    rows = [f"{tag:<18}{tally.line()}" for tag, tally in tallies.items()]
    return "\n".join(
        [
            f"{title}: {np.median(seconds):.2f} s a scan, {max(seconds):.2f} s at most (degrees, mm)",
            head,
            *rows,
            "",
        ]
    )


def main() -> None:
    """Print the tables, write the predictions."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path, default=DEFAULT)
    parser.add_argument("--predictions", type=Path, help="write what platemark found to this file")
    parser.add_argument("--scenes", type=int, help="so many drawn beds instead of scans")
    parser.add_argument("--first", type=int, default=0, help="seed of the first drawn bed")
    options = parser.parse_args()
    if options.scenes:
        scenes(options.scenes, options.first)
        return
    predictions = scans(options.folder)
    if options.predictions:
        options.predictions.write_text(json.dumps(predictions, indent=1))


def scans(folder: Path) -> dict[str, Prediction]:
    """Print both tables for a folder; what platemark found."""
    truths = json.loads((folder / "truth.json").read_text())["scans"]
    predictions: dict[str, Prediction] = {}
    for title, finder in (("plain threshold", plain), ("platemark", ours)):
        tags = ["ALL", *sorted({tag for truth in truths for tag in truth["tags"]})]
        tallies = {tag: Tally() for tag in tags}
        predictions, times = {}, []
        for truth, prediction, seconds in run(folder, truths, finder):
            judge(truth, prediction, [tallies[tag] for tag in ("ALL", *truth["tags"])])
            predictions[truth["file"]] = prediction
            times.append(seconds)
        print(table(title, tallies, times))
    return predictions


if __name__ == "__main__":
    main()
