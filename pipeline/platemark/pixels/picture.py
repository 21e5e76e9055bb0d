"""The picture: 16-bit pixels in flight, with resolution, profile and geometry that waits.

Turning, cropping and scaling only compose an affine map. The first stage that asks for pixels
renders that map in one resampling of the source, so detail is interpolated once.
"""

import threading
from collections.abc import Callable, Hashable
from dataclasses import dataclass, field, replace
from typing import TypeVar

import numpy as np
import pyvips
from numpy.typing import NDArray

from platemark.pixels.affine import Affine
from platemark.pixels.bend import Bend
from platemark.pixels.colour import Intent, convert, to_lab_array
from platemark.pixels.depth import to_eight_bits
from platemark.pixels.profiles import Profile
from platemark.pixels.render import render

T = TypeVar("T")
N = TypeVar("N", np.uint8, np.uint16)

WHITE = 65535
# Overviews are reduced by a whole number to about this density: fine enough to find an edge to a
# hundredth of a millimetre, small enough (13 MB for A4) to keep while the scan is worked on.
_OVERVIEW_PPI = 175


@dataclass(frozen=True)
class Picture:
    """What flows through a chain. Every method gives a new picture; none changes this one.

    Attributes:
        open: gives the source pixels, upright, `ushort`, each time read from the start.
        profile: the colour profile of the pixels.
        ppi: pixels per inch of the frame as it stands.
        width: of the frame in pixels; a fraction until it is rendered.
        height: as `width`.
        placement: where source positions lie in the frame. x right, y down, the first pixel's
            centre is (0.5, 0.5).
        source_ppi: pixels per inch of the source.
        facts: what was found out about these pixels, shared by all pictures that differ only in
            geometry.
        sheet_mm: width and height of the paper of the original, either way round, where the artist
            says it; None otherwise. Another sheet may lie on the bed: evidence, and no proof.
        open_narrow: as `open`, but `uchar` where the source has no more, times 257 the same pixels: half
            the bytes to move; None where there is no such way.
    """

    open: Callable[[], pyvips.Image]
    profile: Profile
    ppi: float
    width: float
    height: float
    placement: Affine
    source_ppi: float
    facts: dict[Hashable, object] = field(default_factory=dict, compare=False, repr=False)
    sheet_mm: tuple[float, float] | None = None
    open_narrow: Callable[[], pyvips.Image] | None = field(default=None, compare=False, repr=False)

    @classmethod
    def of(cls, image: pyvips.Image, profile: Profile, ppi: float) -> "Picture":
        """A picture of pixels in memory.

        Args:
            image: `ushort`, as many bands as the profile has.
            profile: its colour profile.
            ppi: its resolution.

        Raises:
            ValueError: not 16 bits, or the bands do not fit the profile.
        """
        if image.format != "ushort" or image.bands != profile.bands:
            raise ValueError(
                f"a picture has 16 bits and {profile.bands} channels, not {image.format} and {image.bands}"
            )
        return cls.from_source(lambda: image, image.width, image.height, profile, ppi)

    @classmethod
    def from_source(
        cls, opener: Callable[[], pyvips.Image], width: int, height: int, profile: Profile, ppi: float
    ) -> "Picture":
        """A picture of pixels that are read when they are wanted; see `Picture.open`."""
        return cls(opener, profile, ppi, float(width), float(height), Affine.identity(), ppi)

    # Geometry: composed, not yet done.

    def rotated(self, degrees: float) -> "Picture":
        """Turned counter-clockwise on screen about the middle of the frame, which keeps its size.

        What turns out of the frame is not lost: a later crop may reach for it.
        """
        turn = Affine.rotation(degrees, about=(self.width / 2, self.height / 2))
        return replace(self, placement=self.placement.then(turn))

    def cropped(self, left: float, top: float, width: float, height: float) -> "Picture":
        """Cut to a box of the frame, in pixels and parts of pixels.

        Raises:
            ValueError: the box has no area.
        """
        if width <= 0 or height <= 0:
            raise ValueError(f"a crop of {width:g} x {height:g} pixels has no area")
        shift = Affine.translation(-left, -top)
        return replace(self, placement=self.placement.then(shift), width=width, height=height)

    def resampled(self, width: int, height: int) -> "Picture":
        """Brought to a size in whole pixels; the shape of the frame must be (nearly) that size's.

        Raises:
            ValueError: a side is not positive.
        """
        if width <= 0 or height <= 0:
            raise ValueError(f"a size of {width} x {height} pixels has no area")
        across, down = width / self.width, height / self.height
        scale = Affine.scaling(across, down)
        return replace(
            self,
            placement=self.placement.then(scale),
            width=float(width),
            height=float(height),
            ppi=self.ppi * (across * down) ** 0.5,
        )

    def with_ppi(self, ppi: float) -> "Picture":
        """The same pixels, said to lie at another density."""
        return replace(self, ppi=ppi)

    def with_source(self, opener: Callable[[], pyvips.Image]) -> "Picture":
        """The same geometry, still waiting, over other source pixels of the same size and profile.

        For what mends the scan itself: the print is still resampled once. Nothing is remembered of the old pixels.
        """
        return replace(self, open=opener, open_narrow=None, facts={})

    # Pixels: the first of these renders the geometry.

    @property
    def size(self) -> tuple[int, int]:
        """Width and height in whole pixels, as they are rendered."""
        return max(1, round(self.width)), max(1, round(self.height))

    def pixels(self, bend: Bend | None = None) -> pyvips.Image:
        """The rendered pixels: a `ushort` image to work on and give to `with_pixels`.

        What is done with it stays lazy until it is read; a chain of such steps then runs through all
        of them strip by strip, and no picture between them is held in memory.

        Args:
            bend: of the scan along its carriage, undone in the same resampling.
        """
        width, height = self.size
        source = (self.open_narrow or self.open)()
        image = render(source, self.placement, width, height, self.profile.blank, bend)
        # What streams from a file can be read once only; later steps may look twice.
        return image.copy_memory() if image.get_typeof("vips-sequential") else image

    def settled(self) -> "Picture":
        """The same picture with its geometry and all lazy steps done, in memory."""
        return self.with_pixels(self.pixels().copy_memory())

    def with_pixels(self, image: pyvips.Image, profile: Profile | None = None) -> "Picture":
        """Other pixels at the same density, in this or another colour profile.

        Raises:
            ValueError: as `Picture.of`.
        """
        return Picture.of(image, profile or self.profile, self.ppi)

    def later(self, make: Callable[[], pyvips.Image], profile: Profile | None = None) -> "Picture":
        """As `with_pixels`, with pixels of the same size that are made when somebody first asks for them, and once."""
        width, height = self.size
        return Picture.from_source(_Once(make), width, height, profile or self.profile, self.ppi)

    def array(self) -> NDArray[np.uint16]:
        """The rendered pixels, shape (rows, columns, channels), 0 to 65535."""
        return _array(self.pixels(), np.uint16)

    def eight_bits(self) -> NDArray[np.uint8]:
        """The rendered pixels rounded to 8 bits, shape (rows, columns, channels): for encoders."""
        return _array(to_eight_bits(self.pixels()), np.uint8)

    def with_array(self, array: NDArray[np.uint16], profile: Profile | None = None) -> "Picture":
        """Other pixels from an array of shape (rows, columns, channels).

        Raises:
            ValueError: not `uint16`, or not three axes, or the channels do not fit the profile.
        """
        if array.dtype != np.uint16 or array.ndim != 3:
            raise ValueError(f"wanted uint16 of shape (rows, columns, channels), not {array.dtype} {array.shape}")
        rows, columns, bands = array.shape
        # A copy: the stage may go on working in its array, and no picture changes.
        image = pyvips.Image.new_from_memory(array.tobytes(), columns, rows, bands, "ushort")
        return self.with_pixels(image.copy(interpretation=INTERPRETATIONS[bands]), profile)

    def converted(self, profile: Profile, intent: Intent = "relative", *, black_point: bool = True) -> "Picture":
        """The same colours in another profile's space, as near as the intent makes them; see `colour.convert`."""
        return self.later(
            lambda: convert(self.pixels(), self.profile, profile, intent=intent, black_point=black_point), profile
        )

    def lab(self) -> NDArray[np.float32]:
        """CIELAB of the rendered pixels, shape (rows, columns, 3), D50, media-relative: for measuring only."""
        return to_lab_array(self.pixels(), self.profile)

    # Looking: small, cheap, for measuring only.

    def remember(self, name: Hashable, find: Callable[[], T]) -> T:
        """What `find` returns, found once for all pictures that differ only in geometry."""
        if name not in self.facts:
            self.facts[name] = find()
        return self.facts[name]  # type: ignore[return-value]

    def take(self, name: Hashable, find: Callable[[], T]) -> T:
        """As `remember`, for the last time: what is large is not kept longer than it is wanted."""
        found = self.remember(name, find)
        del self.facts[name]
        return found

    def overview(self) -> tuple[NDArray[np.uint16], int]:
        """The whole scan before any geometry, reduced by a whole number to about 175 ppi.

        Returns:
            An array (rows, columns, channels), and that number: source pixels a pixel of it.
        """
        image, factor = self._overview()
        return _array(image, np.uint16), factor

    def _overview(self) -> tuple[pyvips.Image, int]:
        return self.remember("overview", lambda: overview_of(self.open(), self.source_ppi))

    def reduced(self, ppi: float) -> "Picture":
        """The frame as it stands at about `ppi` or its own density, whichever is less.

        Made from the overview: for measuring, never for the print.
        """
        image, factor = self._overview()
        # The last: the density of the overview, in this frame, against the frame's own.
        scale = min(1.0, ppi / self.ppi, 1 / (factor * self.placement.scale))
        width, height = max(1, round(self.width * scale)), max(1, round(self.height * scale))
        placement = Affine.scaling(factor).then(self.placement).then(Affine.scaling(scale))
        # libvips' bicubic at once: a quarter of the renderer's time, and its 40 dB are plenty to look and measure.
        coarse = max(1, int(1 / placement.scale))
        if coarse > 1:
            image, placement = image.shrink(coarse, coarse), Affine.scaling(coarse).then(placement)
        small = image.affine(
            [placement.a, placement.b, placement.c, placement.d],
            interpolate=pyvips.Interpolate.new("bicubic"),
            oarea=[0, 0, width, height],
            # From corner to corner of the first pixel here, from centre to centre there.
            odx=(placement.a + placement.b) / 2 + placement.tx - 0.5,
            ody=(placement.c + placement.d) / 2 + placement.ty - 0.5,
            extend="background",
            background=list(self.profile.blank),
        )
        return Picture.of(small.copy_memory(), self.profile, self.ppi * scale)


class _Once:
    """Calls a function once, whoever asks, and keeps what it gave."""

    def __init__(self, make: Callable[[], pyvips.Image]) -> None:
        self._make: Callable[[], pyvips.Image] | None = make
        self._made: pyvips.Image | None = None
        self._making = threading.Lock()

    def __call__(self) -> pyvips.Image:
        with self._making:
            if self._make:
                self._made, self._make = self._make(), None  # and with it goes what it was made from
            return self._made


def _array(image: pyvips.Image, kind: type[N]) -> NDArray[N]:
    data = np.frombuffer(image.write_to_memory(), dtype=kind)
    return data.reshape(image.height, image.width, image.bands)


INTERPRETATIONS = {1: "grey16", 3: "rgb16", 4: "cmyk"}


def overview_of(image: pyvips.Image, ppi: float) -> tuple[pyvips.Image, int]:
    """Read an image to its last row and keep a small one of it.

    Returns:
        The image reduced to about 175 ppi by a whole number, in memory, and that number.

    Raises:
        pyvips.Error: a row could not be read.
    """
    factor = max(1, round(ppi / _OVERVIEW_PPI))
    # Rounded up: a last row that is left over must be read too, or a scan cut short there would pass.
    # And `copy`, since pyvips lets go of an array behind an image when that image itself is copied to memory.
    small = image.shrink(factor, factor, ceil=True) if factor > 1 else image.copy()
    return small.copy_memory(), factor
