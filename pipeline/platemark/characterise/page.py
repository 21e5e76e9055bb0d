"""The report of a characterised scanner: as TOML for programs, and as one page with swatches for the eye."""

from html import escape
from typing import Any

import numpy as np
import pyvips
import tomli_w

from platemark.characterise.characterising import Characterised
from platemark.characterise.fitting import Spread
from platemark.characterise.tolerances import standing
from platemark.pixels.colour import from_lab
from platemark.pixels.depth import to_eight_bits
from platemark.pixels.profiles import srgb

_WORST = 8
_NOTE = (
    "Left-out figures are of patches that took no part in the fit: they tell how other colours will come out. "
    "1 is just visible side by side, 2 is seen without looking for it (common practice). A flatbed is a poor "
    "colorimeter but a fair comparator; metallic and fluorescent paints match in no scan."
)


def report_toml(found: Characterised, chart: str) -> bytes:
    """All figures."""
    return tomli_w.dumps(
        {
            "format": "platemark-scanner-report/1",
            "chart": chart,
            "kind": kind_of(found),
            "fitted": _figures(found.fitted),
            "left_out": _figures(found.left_out),
            "matrix_alone_left_out": _figures(Spread.of(found.fit.plain_left_out)),
            "standing": standing(found.left_out),
            "warnings": list(found.warnings),
            "lay": {"quarter_turn": found.turned, "skew": round(found.skew, 2)},
            "not_used": [{"patch": name, "why": why} for name, why in found.left_aside.items()],
            "patch": _patches(found),
        }
    ).encode()


def kind_of(found: Characterised) -> str:
    """What the profile is made of, in words."""
    return "curves, matrix and a table" if found.fit.correction else "curves and matrix"


def report_page(found: Characterised, chart: str) -> bytes:
    """One HTML file that needs no other."""
    rows = "".join(_swatches(found, i) for i in worst_patches(found, _WORST))
    items = {
        "Where this stands (left-out figures)": standing(found.left_out),
        "Look at this": found.warnings,
        "Patches that were not used": [f"{name}: {why}" for name, why in found.left_aside.items()],
    }
    lists = "".join(
        f"<h2>{title}</h2><ul>{''.join(f'<li>{escape(line)}</li>' for line in lines)}</ul>"
        for title, lines in items.items()
        if lines
    )
    return f"""<!doctype html>
<html lang="en"><meta charset="utf-8"><meta name="viewport" content="width=device-width">
<title>Scanner against {escape(chart)}</title>
<style>
body {{ font: 16px/1.45 serif; max-width: 46em; margin: 2em auto; padding: 0 1em; color: #222; background: #fafafa }}
table {{ border-collapse: collapse }} td, th {{ padding: .3em .9em .3em 0; text-align: left }}
.pair {{ display: flex }} .pair span {{ width: 5em; height: 3em }}
</style>
<h1>Scanner against {escape(chart)}</h1>
<p>Profile of {kind_of(found)}, from {len(found.patches)} patches.</p>
<table><tr><th>CIEDE2000<th>mean<th>95th percentile<th>largest</tr>
{_line("patches of the fit", found.fitted)}{_line("patches left out", found.left_out)}</table>
<p>{_NOTE}</p>{lists}
<h2>The worst patches</h2>
<table><tr><th>patch<th>as the reference says | as the profile makes it<th>left out<th>fitted</tr>{rows}</table>
</html>
""".encode()


def worst_patches(found: Characterised, count: int) -> list[int]:
    """Indices of those that are off most when left out."""
    return [int(i) for i in np.argsort(-found.fit.left_out, kind="stable")[:count]]


def _figures(spread: Spread) -> dict[str, float]:
    return {key: round(getattr(spread, key), 2) for key in ("mean", "p90", "p95", "largest")}


def _patches(found: Characterised) -> list[dict[str, Any]]:
    return [
        {
            "name": name,
            "reference": [round(float(v), 2) for v in found.lab[i]],
            "made": [round(float(v), 2) for v in found.made[i]],
            "fitted": round(float(found.fit.fitted[i]), 2),
            "left_out": round(float(found.fit.left_out[i]), 2),
        }
        for i, name in enumerate(found.patches)
    ]


def _line(words: str, spread: Spread) -> str:
    return f"<tr><td>{words}<td>{spread.mean:.2f}<td>{spread.p95:.2f}<td>{spread.largest:.2f}</tr>"


def _swatches(found: Characterised, i: int) -> str:
    wanted, made = _hexadecimal(found.lab[i]), _hexadecimal(found.made[i])
    pair = f'<span style="background:{wanted}"></span><span style="background:{made}"></span>'
    figures = f"<td>{found.fit.left_out[i]:.1f}<td>{found.fit.fitted[i]:.1f}"
    return f'<tr><td>{escape(found.patches[i])}<td><div class="pair">{pair}</div>{figures}</tr>'


def _hexadecimal(lab: np.ndarray[Any, np.dtype[np.float64]]) -> str:
    dot = pyvips.Image.new_from_memory(lab.astype(np.float32).tobytes(), 1, 1, 3, "float")
    return "#" + bytes(int(v) for v in to_eight_bits(from_lab(dot, srgb()))(0, 0)).hex()
