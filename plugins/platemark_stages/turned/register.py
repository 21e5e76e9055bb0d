"""Registration of a sheet that was scanned twice, the second time turned by about 180 degrees.

The turned scan is turned back as an array and matched with the upright one, level by level; from level to level the
bend found so far is taken out of it, so that local matches stay within their reach.
"""

from collections.abc import Sequence

import numpy as np

from platemark import Affine, Held, Picture
from platemark_stages.registration.coarse import guesses
from platemark_stages.registration.fitting import Pose, fit
from platemark_stages.registration.linking import LEAST_AGREEMENT, LEAST_MATCHES, usable_boxes
from platemark_stages.registration.matching import match
from platemark_stages.registration.planes import Level, Pixels, pyramid
from platemark_stages.turned.judge import AGAIN, judged
from platemark_stages.turned.laid import Laid
from platemark_stages.turned.looking import agreement_of, half_turn, matched, reduced
from platemark_stages.turned.model import Model, fitted

# Thousands of matches, each exact to a twentieth of a pixel, share one smooth model; so a quarter of 600 ppi is enough.
_MATCH_PPI = 150
_PROOF_PPI = 80.0  # a block is then 8 mm, and what is drawn outweighs the grain
_BEYOND_DOUBT = 0.97
_ROUNDS = 3  # of matching a level; each leaves a tenth of the error


def register(upright: Picture, turned: Picture) -> Laid:
    """Find where a turned scan lies on its upright one.

    Raises:
        Held: they are not of one density or profile, do not show the same sheet, one upside down, show too little to
            be matched, or do not fit each other well enough to be averaged without blurring the art.
    """
    _check(upright, turned)
    factor = max(1, round(upright.source_ppi / _MATCH_PPI))
    first, second = reduced(upright, factor), reduced(turned, factor)
    ppi = upright.source_ppi / factor
    levels = pyramid([first, second[::-1, ::-1]], ppi)
    size = turned.width / factor, turned.height / factor
    model, agreement = _found(levels, second.shape, size)
    if agreement < LEAST_AGREEMENT:
        raise Held(_unlike(first, second, size, ppi), remedy=AGAIN)
    for level in levels:
        if level.ppi > _PROOF_PPI:
            model = _refined(model, level, second.shape)
    return judged(model, matched(model, levels[-1], second.shape), agreement, factor, (upright, turned))


def _check(upright: Picture, turned: Picture) -> None:
    one, other = (round(picture.source_ppi, 1) for picture in (upright, turned))
    if one != other:
        raise Held(f"the turned scan has {other:g} ppi and the upright one {one:g}", remedy=AGAIN)
    if upright.profile.sha256 != turned.profile.sha256:
        raise Held("the turned scan has another colour profile than the upright one", remedy=AGAIN)


def _found(levels: Sequence[Level], shape: tuple[int, ...], size: tuple[float, float]) -> tuple[Model, float]:
    """The best of several first guesses, followed to where detail can prove it, and how well that agrees."""
    best = Model.straight(Affine.identity(), size, levels[-1].ppi), 0.0
    proofs = [level for level in levels if level.ppi <= _PROOF_PPI] or levels[:1]
    for guess in guesses(levels[0].planes[0], levels[0].planes[1], levels[0].ppi):
        pose = _posed(guess.placement, levels[0])
        model = Model.straight(half_turn(shape, pose.affine.inverse()), size, levels[-1].ppi)
        for level in proofs:
            model = _refined(model, level, shape)
        agreement = agreement_of(matched(model, proofs[-1], shape))
        if agreement > best[1]:
            best = model, agreement
        if agreement > _BEYOND_DOUBT:
            break
    return best


def _posed(placement: Affine, level: Level) -> Pose:
    """A guess, refined as a stiff sheet, in pixels of the finest planes."""
    pose = Pose(float(np.degrees(np.arctan2(placement.b, placement.a))), 0.0, placement.tx, placement.ty)
    boxes = usable_boxes(level)
    for _ in range(_ROUNDS):
        matches = match(level.planes[0], level.planes[1], pose.affine, (boxes[0], boxes[1]), level.ppi)
        if len(matches.first) < LEAST_MATCHES // 2:
            break
        pose = fit([Pose(), pose], {(0, 1): matches}, stretch=False)[1]
    return pose.scaled(level.factor)


def _refined(model: Model, level: Level, shape: tuple[int, ...]) -> Model:
    """Match and fit at one level."""
    for _ in range(_ROUNDS):
        matches = matched(model, level, shape)
        if len(matches.first) < LEAST_MATCHES:
            break
        model = fitted(model, matches)
    return model


def _unlike(first: Pixels, second: Pixels, size: tuple[float, float], ppi: float) -> str:
    """Why the two cannot be laid on each other, in words."""
    levels = pyramid([first, second], ppi)
    if _found(levels, second.shape, size)[1] >= LEAST_AGREEMENT:
        return "the turned scan lies the same way up as the upright one"
    level, box = levels[-1], usable_boxes(levels[-1])[0]
    own = match(level.planes[0], level.planes[0], Affine.identity(), (box, box), level.ppi)
    if len(own.first) < LEAST_MATCHES:
        return "too little on the sheet stands out from the paper to lay the two scans on each other"
    return "the turned scan does not show the same sheet, or little on it stands out from the paper's grain"
