"""How well sheets are found on scans of known truth, beside a plain threshold, as a table.

    python bench/sheet.py [FOLDER] [--predictions FILE]
    python bench/sheet.py --scenes 300 [--first SEED] [--mishaps]

FOLDER holds scans and a truth.json; without it the few of the tests are used. The plain way is what many scripts do:
how far each pixel is off the median colour of the rims, threshold after Otsu, gaps closed, largest contour, smallest
turned rectangle around it (OpenCV; the best of twelve such ways that were tried). It never holds a scan.
Seconds and memory are those beyond decoding, from the overview that a scan is looked at in.

With --scenes, beds drawn by scenes.py instead, and how much of what was said to be certain was so: about a second each.
"""

import argparse
import json
import time
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pyvips
from numpy.typing import NDArray
from reliability import scenes

from platemark.pixels.depth import to_sixteen_bits
from platemark.pixels.picture import overview_of
from platemark_stages.sheet import find_items

Pixels = NDArray[np.uint16]
Prediction = dict[str, Any]
Finder = Callable[[Pixels, float], Prediction]

DEFAULT = Path(__file__).parent.parent / "tests" / "data" / "scans"
# A decision is silently wrong from here on: a quarter of a degree shows on a print, and so do 2 mm of lid.
BAD_DEG, BAD_MM = 0.25, 2.0


def preview_of(path: Path, ppi: float) -> tuple[Pixels, float]:
    """Open a scan as displayed, reduced as platemark reduces it to look; 16 bits, three bands."""
    image = pyvips.Image.new_from_file(str(path)).autorot()
    if image.hasalpha():
        image = image.flatten(background=[255 if image.format == "uchar" else 65535])
    small, factor = overview_of(image if image.format == "ushort" else to_sixteen_bits(image), ppi)
    pixels = small.numpy().reshape(small.height, small.width, -1)
    return np.ascontiguousarray(np.broadcast_to(pixels[..., :3], (*pixels.shape[:2], 3))), ppi / factor


def ours(preview: Pixels, ppi: float) -> Prediction:
    """Ask the sheet finder."""
    bed = find_items(preview, ppi)
    items = [
        {"corners_px": [list(corner) for corner in item.corners], "skew_deg": item.skew, "confidence": item.confidence}
        for item in bed.items
    ]
    return {"decision": str(bed.decision), "items": items, "confidence": bed.confidence, "reason": bed.reason}


def plain(preview: Pixels, _ppi: float) -> Prediction:
    """Off the colour of the rims, threshold, largest contour, smallest turned rectangle."""
    colour = (preview >> 8).astype(np.uint8)
    rims = np.concatenate([part.reshape(-1, 3) for part in (colour[:9], colour[-9:], colour[:, :9], colour[:, -9:])])
    off = cv2.absdiff(colour, np.broadcast_to(np.median(rims, axis=0).astype(np.uint8), colour.shape)).max(axis=2)
    grey = cv2.GaussianBlur(cv2.convertScaleAbs(off, alpha=16), (5, 5), 0)
    _, mask = cv2.threshold(grey, 0, 255, cv2.THRESH_BINARY + cv2.THRESH_OTSU)
    mask = cv2.morphologyEx(mask, cv2.MORPH_CLOSE, np.ones((15, 15), np.uint8))
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

    def cells(self) -> str:
        """As columns of a Markdown table: right, wrong, held, then median and 95th percentile of both errors."""
        numbers = [f"{np.percentile(v, q):.3f}" if v else "" for v in (self.angles, self.corners) for q in (50, 95)]
        return " | ".join([str(self.right), str(self.wrong), str(self.held), *numbers])


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
        start = time.process_time()
        prediction = finder(preview, ppi)
        seconds = time.process_time() - start
        for item in prediction["items"]:
            item["corners_px"] = (np.array(item["corners_px"]) * truth["dpi"] / ppi).tolist()
        yield truth, prediction, seconds


def megabytes(folder: Path, truths: list[dict[str, Any]]) -> float:
    """The most memory that the finder takes beyond the preview, in one scan of all."""
    most = 0
    for truth in truths:
        preview, ppi = preview_of(folder / truth["file"], float(truth["dpi"]))
        tracemalloc.start()
        find_items(preview, ppi)
        most = max(most, tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    return most / 1e6


def table(ours_by_tag: dict[str, Tally], plain_by_tag: dict[str, Tally]) -> str:
    """Both finders side by side, a row a tag."""
    head = "right | wrong | held | deg | p95 | mm | p95"
    lines = [f"| condition | scans | {head} | plain: right | wrong |", "|" + " --- |" * 11]
    lines += [
        f"| {tag} | {tally.scans} | {tally.cells()} | {plain_by_tag[tag].right} | {plain_by_tag[tag].wrong} |"
        for tag, tally in ours_by_tag.items()
    ]
    return "\n".join(lines)


def main() -> None:
    """Print the table, write the predictions."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", nargs="?", type=Path, default=DEFAULT)
    parser.add_argument("--predictions", type=Path, help="write what platemark found to this file")
    parser.add_argument("--scenes", type=int, help="so many drawn beds instead of scans")
    parser.add_argument("--first", type=int, default=0, help="seed of the first drawn bed")
    parser.add_argument("--mishaps", action="store_true", help="with --scenes: tape, dust, streaks and the like")
    options = parser.parse_args()
    if options.scenes:
        scenes(options.scenes, options.first, mishaps=options.mishaps)
        return
    predictions = scans(options.folder)
    if options.predictions:
        options.predictions.write_text(json.dumps(predictions, indent=1))


def scans(folder: Path) -> dict[str, Prediction]:
    """Print the table for a folder; what platemark found."""
    truths = json.loads((folder / "truth.json").read_text())["scans"]
    tags = ["ALL", *sorted({tag for truth in truths for tag in truth["tags"]})]
    tallies, said = {}, []
    predictions: dict[str, Prediction] = {}
    for title, finder in (("plain", plain), ("platemark", ours)):
        tallies[title] = {tag: Tally() for tag in tags}
        times = []
        for truth, prediction, seconds in run(folder, truths, finder):
            judge(truth, prediction, [tallies[title][tag] for tag in ("ALL", *truth["tags"])])
            predictions[truth["file"]] = prediction
            times.append(seconds)
        said.append(f"{title}: {np.median(times):.2f} processor seconds a scan, {max(times):.2f} at most")
    print("; ".join(said) + f"; platemark takes {megabytes(folder, truths):.0f} MB at most\n")
    print(table(tallies["platemark"], tallies["plain"]))
    return predictions


if __name__ == "__main__":
    main()
