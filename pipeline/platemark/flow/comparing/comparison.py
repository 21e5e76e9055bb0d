"""The comparison: from two scans, or one with both sheets, to figures and a verdict; and its record as TOML."""

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomli_w

from platemark.config.model import Scanner
from platemark.contract.plugins import Plugins
from platemark.flow.comparing.measuring import OFF, Colours, compare_colours
from platemark.flow.comparing.registering import Registered, register
from platemark.flow.comparing.sharpness import Kept, kept_detail
from platemark.flow.comparing.sheets import Sheet, two_sheets
from platemark.flow.comparing.verdict import AREA_MM2, HALF, PASS, STOP, Verdict, judge
from platemark.records.names import shown
from platemark.records.store import sha256_of

FORMAT = "platemark-comparison/1"


@dataclass(frozen=True)
class Comparison:
    """Two sheets, how they lie to each other, how they differ, and what that means."""

    first: Sheet
    second: Sheet
    registered: Registered
    colours: Colours
    kept: list[Kept]
    verdict: Verdict


def compare(scans: Sequence[Path], scanner: Scanner, plugins: Plugins) -> Comparison:
    """Compare the second scan with the first, or the second sheet of one scan with its first.

    Args:
        scans: one or two.
        scanner: how scans are opened.
        plugins: who finds the sheets.

    Raises:
        Held: one cannot be opened, a sheet is not certain, or they do not show the same picture.
    """
    first, second = two_sheets(scans, scanner, plugins)
    found = register(first.picture, second.picture)
    colours = compare_colours(first.picture, second.picture, found)
    kept = kept_detail(first.picture, second.picture, found)
    return Comparison(first, second, found, colours, kept, judge(colours, kept, found))


def record(compared: Comparison) -> bytes:
    """The figures as TOML: the same bytes for the same scans."""
    colours, area = compared.colours, compared.colours.area
    table: dict[str, Any] = {
        "format": FORMAT,
        "verdict": compared.verdict.word,
        "reasons": list(compared.verdict.reasons),
        "findings": list(compared.verdict.findings),
        "first": _source(compared.first),
        "second": _source(compared.second),
        "colour": {
            "mean": round(colours.mean, 2),
            "p95": round(colours.p95, 2),
            "shift_lab": [round(value, 2) for value in colours.shift],
        },
        "largest_area": {
            "square_mm": round(area.square_mm, 1) if area else 0.0,
            **({"mean": round(area.mean, 2), "box_mm": [round(side, 1) for side in area.box]} if area else {}),
        },
        "sharpness": [{"lines_per_mm": band.lines, "contrast_kept": round(band.share, 3)} for band in compared.kept],
        "registration": _placement(compared.registered),
        # Common practice, not a standard.
        "thresholds": {
            "mean_passes": PASS,
            "mean_stops": STOP,
            "off": OFF,
            "area_square_mm": AREA_MM2,
            "contrast_kept": HALF,
        },
    }
    return tomli_w.dumps(table).encode()


def _source(sheet: Sheet) -> dict[str, Any]:
    return {"scan": shown(sheet.name), "sha256": sha256_of(sheet.scan), "ppi": round(sheet.picture.source_ppi, 2)}


def _placement(found: Registered) -> dict[str, Any]:
    placement = found.placement
    return {
        # Millimetres of the second sheet to millimetres of the first.
        "matrix": [round(value, 6) for value in (placement.a, placement.b, placement.tx)]
        + [round(value, 6) for value in (placement.c, placement.d, placement.ty)],
        "matches": found.matches,
        "agreement": round(found.agreement, 3),
        "residual_mm": round(found.residual, 4),
        "ppi": round(found.ppi, 1),
    }
