"""The figures of a print on its paper, both intents side by side, and which of the two to take."""

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from platemark import colour_difference
from platemark_stages.proof.trips import Intent, Lab, Trip, Trips

# CIEDE2000: 1 is just visible side by side, 2 is seen without looking for it (common practice).
SEEN = 2.0
# A colour that the paper misses by more lies out of its gamut. Tables are coarse: of the colours that a printer itself
# gave, 99 in 100 came back within 1.6 through the tables at hand, so that less would count the tables' own error.
OUT_OF_GAMUT = 2.0
# Less of the picture out of gamut are details, for which the rest need not be moved: relative (common practice).
_FEW = 0.05
# Two prints this alike at all but the worst twentieth are one and the same to the eye.
_ALIKE = 1.0
# How much more of the steps between neighbouring colours perceptual must keep: less is hardly seen in a print.
_WORTH = 0.1
_DARKEST = 0.1  # per cent of the pixels: what the deepest shadow is must not hang on a single one


@dataclass(frozen=True)
class Loss:
    """What one intent does.

    Attributes:
        mean: CIEDE2000.
        p95: CIEDE2000, 95th percentile.
        changed: share of pixels that move by more than `SEEN`.
        shadows: L* steps that the shadows below the paper's black still have in the print.
        steps: share of the steps between neighbouring colours out of gamut that the print keeps.
    """

    mean: float
    p95: float
    changed: float
    shadows: float
    steps: float


@dataclass(frozen=True)
class Figures:
    """All figures of a print.

    Attributes:
        out: share of pixels out of gamut.
        black: L* of the paper's darkest.
        under: share of pixels darker than it.
        shadows: L* steps from the picture's deepest shadow up to the paper's darkest.
        by_intent: what each does.
        between: CIEDE2000 between the two prints, 95th percentile.
    """

    out: float
    black: float
    under: float
    shadows: float
    by_intent: Mapping[Intent, Loss]
    between: float

    def facts(self, intent: Intent) -> dict[str, str | float]:
        """What the manifest says; first how the chosen intent fares."""
        chosen, (advice, reason) = self.by_intent[intent], self.advice()
        facts: dict[str, str | float] = {
            "share_changed": round(chosen.changed, 4),
            "difference_mean": round(chosen.mean, 2),
            "difference_p95": round(chosen.p95, 2),
            "share_out_of_gamut": round(self.out, 4),
            "paper_black": round(self.black, 1),
            "share_under_black": round(self.under, 4),
            "shadow_steps": round(self.shadows, 1),
        }
        for name, loss in self.by_intent.items():
            facts[f"{name}_share_changed"] = round(loss.changed, 4)
            facts[f"{name}_mean"] = round(loss.mean, 2)
            facts[f"{name}_p95"] = round(loss.p95, 2)
            facts[f"{name}_shadow_steps"] = round(loss.shadows, 1)
        return facts | {"advice": advice, "advice_reason": reason}

    def advice(self) -> tuple[Literal["relative", "perceptual", "either"], str]:
        """Which intent to take, or "either", and why.

        Source:
            Relative where few colours are out of gamut, perceptual where large areas are (common practice).
        """
        perceptual, relative = self.by_intent["perceptual"], self.by_intent["relative"]
        if self.between < _ALIKE:
            return "either", "with this profile both intents print the same to the eye"
        if self.out < _FEW:
            return "relative", f"only {percent(self.out)} of the picture is out of the paper's reach, and relative " + (
                "leaves the rest as it is" if relative.mean <= perceptual.mean else "keeps to what is in reach"
            )
        kept = f"keeps {percent(perceptual.steps)} of the fine steps there, relative {percent(relative.steps)}"
        beyond = f"{percent(self.out)} of the picture is out of the paper's reach"
        if perceptual.steps >= relative.steps + _WORTH:
            return "perceptual", f"{beyond}: perceptual {kept}"
        how = "and moves the whole picture further" if perceptual.mean > relative.mean else "which is hardly more"
        return "relative", f"{beyond}, but perceptual {kept}, {how}"


def figures_of(trips: Trips) -> Figures:
    """Count and average."""
    lightness = trips.before[..., 0]
    under = float(np.mean(lightness < trips.black))
    shadows = trips.black - float(np.percentile(lightness, _DARKEST)) if under * 100 > _DARKEST else 0.0
    outside = trips.beyond > OUT_OF_GAMUT
    by_intent = {
        intent: _loss(trip, trips.before, outside, under if shadows else 0.0)
        for intent, trip in trips.by_intent.items()
    }
    relative, perceptual = trips.by_intent["relative"], trips.by_intent["perceptual"]
    return Figures(
        out=float(outside.mean()),
        black=trips.black,
        under=under,
        shadows=shadows,
        by_intent=by_intent,
        between=float(np.percentile(colour_difference(relative.lab, perceptual.lab), 95)),
    )


def percent(share: float) -> str:
    """A share in words: "3 per cent"; what is there is never called 0."""
    return "less than 1 per cent" if 0 < share < 0.005 else f"{share * 100:.0f} per cent"


def _loss(trip: Trip, before: Lab, outside: NDArray[np.bool_], under: float) -> Loss:
    shadows = 0.0
    if under:
        # Lighter stays lighter on the way to paper, so that a share of pixels finds its own again in the print.
        deepest, edge = np.percentile(trip.lab[..., 0], [_DARKEST, under * 100])
        shadows = float(edge - deepest)
    return Loss(
        mean=float(trip.apart.mean()),
        p95=float(np.percentile(trip.apart, 95)),
        changed=float(np.mean(trip.apart > SEEN)),
        shadows=shadows,
        steps=_steps_kept(before, trip.lab, outside),
    )


def _steps_kept(before: Lab, after: Lab, outside: NDArray[np.bool_]) -> float:
    """The way between neighbours that both are out of gamut, in the print against the original."""
    both = outside[:, 1:] & outside[:, :-1]
    was, now = (float(np.linalg.norm(np.diff(lab, axis=1)[both], axis=-1).sum()) for lab in (before, after))
    return now / was if was else 1.0
