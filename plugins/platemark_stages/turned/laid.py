"""How a turned scan lies on its upright one: what registration decides, and all that averaging needs to know of it."""

from pydantic import Field

from platemark import Affine, Bend, Parameters


class Laid(Parameters):
    """A sheet scanned twice, upright and upside down: where the second scan lies on the first."""

    matrix: list[float] = Field(
        min_length=6,
        max_length=6,
        description="a, b, tx, c, d, ty: (x, y) of the turned scan, once even, lies at "
        "(a x + b y + tx, c x + d y + ty) of the upright one.",
    )
    bend: list[list[float]] = Field(
        description="How the turned scan's carriage ran against the upright's: for evenly spaced places down the scan, "
        "the spline's coefficients at its left and right edge, in pixels."
    )
    size: list[int] = Field(min_length=2, max_length=2, description="Pixels of the turned scan: width, height.")
    frame: list[int] = Field(min_length=2, max_length=2, description="Pixels of the upright scan: width, height.")
    covered: float = Field(description="The share of the upright scan that the turned one shows, 0 to 1.")
    matches: int = Field(description="Places where both show detail enough to compare.")
    agreement: float = Field(description="Correlation of the strongest detail, 0 to 1.")
    residual: float = Field(description="Pixels of the scan: how far apart both show the same detail, median.")
    largest: float = Field(description="As `residual`, 95th percentile.")
    drift: float = Field(description="As `largest`, of the means of patches: what is left is no chance there.")

    @property
    def affine(self) -> Affine:
        """Positions of the turned scan, once even, to positions of the upright one."""
        return Affine(*self.matrix)

    def unbent(self) -> Bend:
        """The bend of the turned scan."""
        width, height = self.size
        return Bend(width, height, tuple((left, right) for left, right in self.bend))
