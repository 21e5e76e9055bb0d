"""The figures of a print as lines that a person reads."""

from platemark_stages.border.lettering import missing_signs
from platemark_stages.proof.figures import SEEN, Figures, percent
from platemark_stages.proof.trips import Intent

_NAMES: dict[Intent, str] = {"relative": "relative colorimetric", "perceptual": "perceptual"}


def figures_in_words(figures: Figures, intent: Intent, work: str, paper: str) -> list[str]:
    """A title, then one line for each figure.

    Args:
        figures: of the print.
        intent: that is used.
        work: title of the work.
        paper: its name.
    """
    return [
        f"{_readable(work) or 'The picture'} on {paper}",
        f"{percent(figures.out)} of the picture is out of the paper's reach (its gamut).",
        _shadows(figures),
        *(_of_intent(figures, each, each == intent) for each in figures.by_intent),
        _advice(figures, intent),
    ]


def _readable(title: str) -> str:
    """Without the signs that the font of the sheet does not have."""
    unknown = missing_signs(title)
    return " ".join("".join(sign for sign in title if sign not in unknown).split())


def _shadows(figures: Figures) -> str:
    black = f"The paper's darkest is L* {figures.black:.0f}"
    if not figures.shadows:
        return f"{black}: no shadow of the picture is darker."
    return (
        f"{black}: {percent(figures.under)} of the picture is darker, by up to {_steps(figures.shadows)}. "
        f"Of these the print keeps {_kept(figures)}."
    )


def _kept(figures: Figures) -> str:
    kept = {intent: f"{loss.shadows:.0f}" for intent, loss in figures.by_intent.items()}
    if len(set(kept.values())) == 1:
        return kept["relative"]
    return " and ".join(f"{count} with {intent}" for intent, count in kept.items())


def _steps(count: float) -> str:
    return f"{max(count, 1):.0f} steps of L*" if count >= 1.5 else "one step of L*"


def _of_intent(figures: Figures, intent: Intent, chosen: bool) -> str:  # noqa: FBT001
    loss = figures.by_intent[intent]
    name = _NAMES[intent].capitalize() + (" (used here)" if chosen else "")
    return (
        f"{name}: colours move by {loss.mean:.1f} on average, by {loss.p95:.1f} at the worst twentieth; "
        f"{percent(loss.changed)} by more than {SEEN:g}."
    )


def _advice(figures: Figures, intent: Intent) -> str:
    advice, reason = figures.advice()
    if advice == "either":
        return f"Advice: stay with {_NAMES[intent]}; {reason}."
    way = "stay with" if advice == intent else "try"
    return f"Advice: {way} {_NAMES[advice]}. {reason[0].upper()}{reason[1:]}."
