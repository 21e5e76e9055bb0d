"""Reliability: of the sheets on drawn beds that were said to be so certain, how many are right."""

import itertools
import time

import numpy as np
from laying import BED, MM, PPI, Laid
from mishaps import MISHAPS
from numpy.typing import NDArray
from scenes import Scene, scene

from platemark_stages.sheet import Decision, Division, find_items

# Half a millimetre at the worst corner is what a confidence speaks of; where an edge is ragged or not square, the line
# that the truth gives for it is itself no more exact than this.
RIGHT_MM = 0.5
RAGGED_MM = {"deckle": 0.3, "handcut": 0.3, "torn": 0.5}  # more, by the edge
BINS = (0.0, 0.2, 0.5, 0.8, 0.9, 0.95, 0.985, 1.0)


def item_error(item: Laid, corners: NDArray[np.float64]) -> float:
    """Millimetres at the worst corner that lies on the bed."""
    truth = item.corners()
    on_bed = ((truth >= -1) & (truth <= np.array(BED) * MM + 1)).all(axis=1)
    return float((np.hypot(*(corners - truth).T) / MM)[on_bed].max(initial=0.0))


def judge_scene(drawn: Scene, bed: Division) -> tuple[str, list[tuple[float, bool]]]:
    """Whether a decision is right, wrong or held; and for each item found its confidence and whether it is right."""
    said = []
    for found in bed.items:
        errors = [
            item_error(item, np.array(found.corners) * PPI / drawn.ppi) - RAGGED_MM.get(item.edge, 0.0)
            for item in drawn.items
        ]
        said.append((found.confidence, min(errors, default=np.inf) <= RIGHT_MM))
    if bed.decision is Decision.HELD:
        return "held", said
    if drawn.expectation == "leave" or bed.decision is Decision.LEAVE:
        return ("right" if bed.decision.value == drawn.expectation else "wrong"), said
    # Touching sheets that were cut out rightly all the same are right.
    complete = len(bed.items) == len(drawn.items) and all(right for _, right in said)
    return ("right" if complete else "wrong"), said


def scenes(count: int, first: int, *, mishaps: bool = False) -> None:
    """Print how drawn beds were decided, and how much of what was said to be certain was so.

    Args:
        count: of beds.
        first: seed of the first.
        mishaps: draw one sheet a bed, and each mishap in turn.
    """
    kinds = itertools.cycle(MISHAPS if mishaps else [""])
    decided: dict[str, dict[str, int]] = {}
    said: list[tuple[float, bool]] = []
    times = []
    for seed in range(first, first + count):
        drawn = scene(seed, mishap=next(kinds))
        start = time.process_time()
        bed = find_items(drawn.preview, drawn.ppi)
        times.append(time.process_time() - start)
        outcome, chances = judge_scene(drawn, bed)
        said += chances
        for tag in ("ALL", *drawn.tags):
            tally = decided.setdefault(tag, {"right": 0, "wrong": 0, "held": 0})
            tally[outcome] += 1
        if outcome == "wrong":
            print(f"wrong: scene {seed}, {', '.join(drawn.tags)}: {bed.reason}")
    print(f"{np.median(times):.2f} processor seconds a bed, {max(times):.2f} at most\n")
    print("| condition | right | wrong | held |\n| --- | --- | --- | --- |")
    for tag, tally in sorted(decided.items()):
        print(f"| {tag} | {tally['right']} | {tally['wrong']} | {tally['held']} |")
    print(reliability(said))


def reliability(said: list[tuple[float, bool]]) -> str:
    """Of the sheets said to be so certain, the share that is right, as a Markdown table."""
    rows = ["", "| said | sheets | mean of what was said | right |", "| --- | --- | --- | --- |"]
    for low, high in itertools.pairwise(BINS):
        within = [(chance, right) for chance, right in said if low <= chance < high]
        if within:
            mean, right = np.mean(np.array(within, dtype=float), axis=0)
            rows.append(f"| {low:.3f} to {high:.3f} | {len(within)} | {mean:.3f} | {right:.3f} |")
    return "\n".join(rows)
