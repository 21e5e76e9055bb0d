"""Grain: a fine grain over the picture, as if the paper were textured.

The grain of a picture is always the same, because it grows from the content of its scan.
"""

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from platemark import Job, Parameters, Picture, Settings, Stage, hookimpl


class GrainSettings(Settings):
    """How strong the grain is."""

    strength: int = Field(2, ge=0, le=20, description="Per cent of full light by which the darkest grain darkens.")


class GrainParameters(Parameters):
    """The grain of one picture."""

    seed: int = Field(ge=0, lt=2**32, description="From the sha256 of the scan.")
    depth: int = Field(ge=0, le=65535, description="16-bit levels by which the darkest grain darkens.")


class Grain(Stage[GrainSettings, GrainParameters]):
    """Lays a fine grain over the picture."""

    name = "grain"
    version = 3

    def measure(self, picture: Picture, settings: GrainSettings, job: Job) -> GrainParameters:  # noqa: ARG002
        """Take the seed from the scan: no clock and no chance, or the print could not be made again."""
        seed = int(job.work.sha256[:8] or "0", 16)
        job.notice("seed", seed)
        return GrainParameters(seed=seed, depth=settings.strength * 65535 // 100)

    def apply(self, picture: Picture, parameters: GrainParameters) -> Picture:
        """Darken each pixel by its grain; integers only, so that every computer makes the same pixels."""
        pixels = picture.array()
        grain = _grain(parameters.seed, pixels.shape[:2]) * parameters.depth // 65535
        return picture.with_array((pixels - np.minimum(pixels, grain[:, :, np.newaxis])).astype(np.uint16))


def _grain(seed: int, shape: tuple[int, ...]) -> NDArray[np.uint32]:
    """0 to 65535, mostly little: the smaller of two random numbers. The raw stream of PCG64 is fixed for good."""
    rows, columns = shape
    raw = np.random.PCG64(seed).random_raw(rows * columns)
    one, other = raw & np.uint64(0xFFFF), (raw >> np.uint64(16)) & np.uint64(0xFFFF)
    return np.minimum(one, other).astype(np.uint32).reshape(rows, columns)


@hookimpl
def platemark_stages() -> list[type[Stage]]:
    """Tell platemark of the stage."""
    return [Grain]
