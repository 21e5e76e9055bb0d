"""Fitting a scanner to the patches of a chart, and what patches that were left out say of it."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from platemark.characterise.correction import Correction, fit_correction
from platemark.characterise.model import Model, fit_model
from platemark.pixels.ciede2000 import ciede2000
from platemark.pixels.cielab import D50, lab_of_xyz

Numbers = NDArray[np.float64]

FEWEST = 18  # patches: the model has 24 numbers, three values a patch hold twice as many
# CIEDE2000: real pigments under another lamp are off by up to 10; five times that of the usual patch is no accident.
_STRANGE, _FAR = 15.0, 5.0
_FOLDS = 10
# The correction must lower the left-out mean by this share and by a tenth of what is just visible, and more than chance
# would give.
_WORTH, _LEAST = 0.05, 0.1
_SURE = 2.0  # standard errors of the mean gain


@dataclass(frozen=True)
class Spread:
    """Differences in CIEDE2000.

    Attributes:
        mean: of all patches.
        p90: all but a tenth are below.
        p95: all but a twentieth.
        largest: of one patch.
    """

    mean: float
    p90: float
    p95: float
    largest: float

    @classmethod
    def of(cls, differences: Numbers) -> "Spread":
        """Of one number a patch."""
        p90, p95 = (float(np.percentile(differences, share)) for share in (90, 95))
        return cls(float(differences.mean()), p90, p95, float(differences.max()))


@dataclass(frozen=True)
class Fit:
    """A fitted scanner, and how good it is.

    Attributes:
        model: curves and matrix.
        correction: what is added, or None where it did not help.
        fitted: CIEDE2000 of each patch by a fit in which it took part.
        left_out: the same by fits in which it did not.
        plain_left_out: `left_out` of curves and matrix alone.
    """

    model: Model
    correction: Correction | None
    fitted: Numbers
    left_out: Numbers
    plain_left_out: Numbers

    def lab(self, device: Numbers) -> Numbers:
        """CIELAB of device values 0 to 1, shape (..., 3)."""
        return self.lab_of_light(self.model.linear(device))

    def lab_of_light(self, linear: Numbers) -> Numbers:
        """CIELAB of what the curves make of device values, shape (..., 3)."""
        lab = lab_of_xyz(linear @ self.model.matrix / D50)
        return self.correction(lab) if self.correction else lab


def fit_scanner(device: Numbers, lab: Numbers) -> Fit:
    """Fit curves, matrix and, where patches left out are the better for it, the correction.

    Args:
        device: trimmed means of patches, 0 to 1, shape (n, 3).
        lab: of the reference.
    """
    plain, corrected = np.empty(len(lab)), np.empty(len(lab))
    model = fit_model(device, lab)
    for out in _folds(lab):
        made = fit_model(device[~out], lab[~out], model).lab(device)
        plain[out] = ciede2000(made[out], lab[out])
        correction = fit_correction(made[~out], lab[~out])
        corrected[out] = ciede2000(correction(made[out]), lab[out])
    made = model.lab(device)
    kept = fit_correction(made, lab) if _helps(plain, corrected) else None
    fitted = ciede2000(kept(made) if kept else made, lab).astype(np.float64)
    return Fit(model, kept, fitted, corrected if kept else plain, plain)


def _folds(lab: Numbers) -> Iterator[NDArray[np.bool_]]:
    """Which patches are left out together: each once, neighbours in lightness apart; of few patches one at a time."""
    count = len(lab)
    folds = count if count <= 4 * _FOLDS else _FOLDS
    rank = np.empty(count, int)
    rank[np.argsort(lab[:, 0], kind="stable")] = np.arange(count)
    for fold in range(folds):
        yield rank % folds == fold


def _helps(plain: Numbers, corrected: Numbers) -> bool:
    gain = plain - corrected
    error = gain.std(ddof=1) / np.sqrt(len(gain))
    return bool(gain.mean() > max(_WORTH * plain.mean(), _LEAST, _SURE * error))


def strangers(device: Numbers, lab: Numbers) -> list[int]:
    """Patches that no scanner makes of the reference: covered, or not of this chart.

    Args:
        device: as in `fit_scanner`.
        lab: as in `fit_scanner`.

    Returns:
        Their indices, the worst first; one is taken out at a time, since it spoils the fit of the others.
    """
    kept = np.arange(len(lab))
    out: list[int] = []
    while len(kept) > FEWEST and len(out) < len(lab) // 4:
        apart = ciede2000(fit_model(device[kept], lab[kept]).lab(device[kept]), lab[kept])
        worst = int(np.argmax(apart))
        if apart[worst] <= max(_STRANGE, _FAR * float(np.median(apart))):
            break
        out.append(int(kept[worst]))
        kept = np.delete(kept, worst)
    return out
