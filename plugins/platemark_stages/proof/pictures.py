"""The small pictures: how the print will look, and what it loses."""

from collections.abc import Sequence
from io import BytesIO

import numpy as np
from PIL import Image

from platemark import Picture, colour_difference, srgb
from platemark_stages.proof.scale import coloured
from platemark_stages.proof.sheet import Pair, losses_sheet
from platemark_stages.proof.trips import lab_of

_QUALITY = 88


def proof_jpeg(there: Picture, *, paper_white: bool) -> bytes:
    """How the print looks.

    Args:
        there: the picture in the printer's space.
        paper_white: show the paper's own white and black beside the white of a screen; else as eyes see it that are
            used to the paper.
    """
    seen = there.converted(srgb(), "absolute" if paper_white else "relative", black_point=not paper_white)
    return _jpeg(Image.fromarray(seen.eight_bits()))


def losses_jpeg(original: Picture, there: Picture, figures: Sequence[str], families: Sequence[Pair]) -> bytes:
    """The sheet of losses.

    Args:
        original: small.
        there: the same in the printer's space.
        figures: a title, then lines.
        families: what suffers most, the worst first.
    """
    there = there.settled()
    # In double precision the digits that differ between processors are too small for a step of the map to hang on.
    before, after = (lab_of(each).astype(np.float64) for each in (original, there))
    apart = colour_difference(before, after)
    # The print without help for its black, as it lies beside the original.
    seen = (each.converted(srgb(), black_point=False).eight_bits() for each in (original, there))
    return _jpeg(losses_sheet([Image.fromarray(each) for each in (*seen, coloured(apart))], figures, families))


def _jpeg(image: Image.Image) -> bytes:
    buffer = BytesIO()
    image.save(buffer, "JPEG", quality=_QUALITY, subsampling=0, icc_profile=srgb().data)
    return buffer.getvalue()
