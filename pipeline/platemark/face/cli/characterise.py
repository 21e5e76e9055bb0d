"""The command that profiles a scanner: characterise."""

from pathlib import Path

import click
import numpy as np

from platemark.characterise.characterising import Characterised
from platemark.characterise.fitting import Spread
from platemark.characterise.page import kind_of, worst_patches
from platemark.characterise.tolerances import standing
from platemark.face.cli.saying import console, readable_errors, say, table_of
from platemark.face.log import printable
from platemark.flow.scanner_making import make_scanner_profile


class _Numbers(click.ParamType):  # type: ignore[type-arg]
    """Two numbers with a sign between them: `120,80`, `10x14`."""

    def __init__(self, name: str, sign: str) -> None:
        self.name, self.sign = name, sign

    def convert(
        self, value: str | tuple[float, float], param: click.Parameter | None, ctx: click.Context | None
    ) -> tuple[float, float]:
        if isinstance(value, tuple):
            return value
        try:
            one, other = (float(part) for part in value.lower().split(self.sign))
        except ValueError:
            self.fail(f"{value} is not two numbers with {self.sign} between them", param, ctx)
        return one, other


@click.command("characterise")
@click.argument("chart", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option(
    "--reference",
    required=True,
    help="The chart's reference values (CGATS text), or patches-24, or patches-24-2005 for one made before Nov. 2014.",
)
@click.option(
    "-o", "output", required=True, type=click.Path(dir_okay=False, path_type=Path), help="The profile to write."
)
@click.option(
    "--corners", nargs=4, type=_Numbers("x,y", ","), help="Corners of the grid of patches, in order around it."
)
@click.option("--grid", type=_Numbers("rows x columns", "x"), help="Rows x columns, when the reference does not tell.")
def characterise_command(
    chart: Path,
    reference: str,
    output: Path,
    corners: tuple[tuple[float, float], ...] | None,
    grid: tuple[float, float] | None,
) -> None:
    """Make your scanner's profile from the scan CHART.

    The chart is found on the scan, its patches compared with the reference; beside the profile lies a report.
    """
    with readable_errors():
        found, files = make_scanner_profile(
            chart,
            reference,
            output,
            corners=np.array(corners, float) if corners else None,
            grid=(int(grid[0]), int(grid[1])) if grid else None,
        )
        _show(found)
    say(f"Wrote {', '.join(str(file) for file in files)}.")
    say(f'To use it, write profile = "{output}" in [scanner] of platemark.toml.')


def _show(found: Characterised) -> None:
    lies = f"turned by {found.turned} degrees, " if found.turned else ""
    say(f"{len(found.patches)} patches; the chart lies {lies}{found.skew:+.1f} degrees askew.")
    say(f"The profile is made of {kind_of(found)}.")
    table = table_of("CIEDE2000", "mean", "95th percentile", "largest")
    table.add_row("patches of the fit", *_figures(found.fitted))
    table.add_row("patches left out", *_figures(found.left_out))
    console.print(table)
    worst = ", ".join(f"{found.patches[i]} ({found.fit.left_out[i]:.1f})" for i in worst_patches(found, 4))
    say(f"Worst when left out: {printable(worst)}.")
    for line in standing(found.left_out):
        say(line)
    for name, why in found.left_aside.items():
        say(f"Not used: {name}, {why}.")
    for warning in found.warnings:
        say(f"Look at this: {warning}.")


def _figures(spread: Spread) -> tuple[str, str, str]:
    return f"{spread.mean:.2f}", f"{spread.p95:.2f}", f"{spread.largest:.2f}"
