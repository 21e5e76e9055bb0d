"""From the pixels of a scanned chart to a fitted scanner, or the reason why there is none."""

from dataclasses import dataclass

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.characterise.auto_tone import signs_of_auto_tone
from platemark.characterise.fitting import FEWEST, Fit, Spread, fit_scanner, strangers
from platemark.characterise.placing import Placed, another_chart, chart_within, find_chart
from platemark.characterise.reference import ChartError, Reference
from platemark.characterise.sampling import Sample, sample
from platemark.characterise.scanner_profile import is_monotone

Numbers = NDArray[np.float64]

_LOOK = 1100  # pixels of the longer side of the picture in which the chart is looked for: 15 a patch of the largest
_WORST_MEAN = 5.0  # level B and C of ISO 19264-1 (after a public table); above, differences are obvious to most
_MOST_OUT = 0.4  # of the patches: with more left out, what is left is another chart
_DARK, _LIGHT = 35.0, 75.0  # L*: a profile must know both, or it invents shadows or paper
_FEW_STRANGERS = 3  # covered patches; more are another chart


@dataclass(frozen=True)
class Characterised:
    """A scanner, and all that was found on the way.

    Attributes:
        fit: curves, matrix, correction, differences of each used patch.
        patches: names of the used patches.
        lab: of the reference, shape (used, 3).
        made: CIELAB by the profile, shape (used, 3).
        left_aside: names of patches that were not used, and why.
        turned: degrees the chart lay turned, and its skew beside that.
        skew: in degrees, counter-clockwise.
        warnings: what to look at.
    """

    fit: Fit
    patches: tuple[str, ...]
    lab: Numbers
    made: Numbers
    left_aside: dict[str, str]
    turned: int
    skew: float
    warnings: tuple[str, ...]

    @property
    def fitted(self) -> Spread:
        """Of the patches that were fitted."""
        return Spread.of(self.fit.fitted)

    @property
    def left_out(self) -> Spread:
        """Of patches by fits in which they took no part."""
        return Spread.of(self.fit.left_out)


def characterise(
    image: pyvips.Image,
    reference: Reference,
    *,
    corners: Numbers | None = None,
    grid: tuple[int, int] | None = None,
) -> Characterised:
    """Fit the scanner.

    Args:
        image: the scan of the chart, `ushort`, 3 bands, in memory.
        reference: of the chart.
        corners: of the grid of patches, in pixels, or None to find it; shape (4, 2).
        grid: rows and columns, where the reference does not tell.

    Raises:
        ChartError: there is no chart, or not this one, or it is no good; nothing can be made of it.
    """
    placed, scale = _placed(image, reference, corners, grid)
    samples = [sample(image, cell * scale) for cell in placed.cells]
    names = [reference.patches[i] for i in placed.indices]
    device, lab = np.array([it.mean for it in samples]), reference.lab[placed.indices]
    good = np.array([not it.fault for it in samples])
    aside = {name: it.fault for name, it in zip(names, samples, strict=True) if it.fault}
    _check_enough(lab[good], aside, len(samples))
    _check_is_this_chart(device[good], lab[good], [name for name in names if name not in aside], reference.name)
    fit = fit_scanner(device[good], lab[good])
    _check_fit(fit)
    return Characterised(
        fit=fit,
        patches=tuple(name for name in names if name not in aside),
        lab=lab[good],
        made=fit.lab(device[good]),
        left_aside=aside | _beside(reference, placed),
        turned=placed.turned,
        skew=placed.skew,
        warnings=tuple(_warnings(image, samples)),
    )


def _placed(
    image: pyvips.Image, reference: Reference, corners: Numbers | None, grid: tuple[int, int] | None
) -> tuple[Placed, float]:
    """Where the patches are on a small picture, and pixels of the scan a pixel of it."""
    factor = max(1, round(max(image.width, image.height) / _LOOK))
    small = image.shrink(factor, factor) if factor > 1 else image
    pixels = np.frombuffer(small.write_to_memory(), np.uint16).reshape(small.height, small.width, 3)
    if corners is not None:
        return chart_within(corners / factor, pixels, reference, grid), factor
    return find_chart(pixels, reference, grid), factor


def _beside(reference: Reference, placed: Placed) -> dict[str, str]:
    used = set(placed.indices.tolist())
    return {name: "it lies beside the grid" for i, name in enumerate(reference.patches) if i not in used}


def _check_enough(lab: Numbers, aside: dict[str, str], count: int) -> None:
    if len(lab) < max(FEWEST, (1 - _MOST_OUT) * count):
        why = "; ".join(f"{name} {fault}" for name, fault in list(aside.items())[:6])
        raise ChartError(
            f"only {len(lab)} of {count} patches can be used ({why}{' ...' if len(aside) > 6 else ''})",
            remedy="clean the chart and the glass, switch off all automatic corrections, and scan again at 300 ppi",
        )
    if lab[:, 0].min() > _DARK or lab[:, 0].max() < _LIGHT:
        raise ChartError(
            f"the patches that can be used run from L* {lab[:, 0].min():.0f} to {lab[:, 0].max():.0f} only",
            remedy="scan darker or lighter, without automatic corrections, so that neither end is clipped",
        )


def _check_is_this_chart(device: Numbers, lab: Numbers, names: list[str], chart: str) -> None:
    strange = strangers(device, lab)
    if len(strange) > max(_FEW_STRANGERS, len(lab) // 20):
        raise another_chart(chart)
    if strange:
        raise ChartError(
            f"the colour of {', '.join(names[i] for i in strange)} is not at all that of the reference: "
            "something covers it, or the chart is damaged there",
            remedy="uncover it and scan again",
        )


def _check_fit(fit: Fit) -> None:
    left_out = Spread.of(fit.left_out)
    if left_out.mean > _WORST_MEAN:
        raise ChartError(
            f"the scan cannot be brought to the reference: patches are off by {left_out.mean:.1f} CIEDE2000, "
            f"and a mean of {_WORST_MEAN:g} is the most that helps",
            remedy="scan again without automatic corrections; check that the reference is that of this chart's batch",
        )
    if not is_monotone(fit.model):
        raise ChartError(
            "the tone curve that fits this scan runs backwards somewhere",
            remedy="scan again without automatic corrections (levels, backlight, restoring of colours)",
        )


def _warnings(image: pyvips.Image, samples: list[Sample]) -> list[str]:
    signs = [f"the scan looks corrected by the scanner's software: {sign}" for sign in signs_of_auto_tone(image)]
    # 0.05 of the full scale is a patch in which single pixels are off by a tenth of it.
    noisy = sum(it.noise > 0.05 for it in samples)
    return signs + ([f"{noisy} patches are very noisy: scan at a higher quality"] if noisy else [])
