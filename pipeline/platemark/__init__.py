"""platemark: from a scan of an artwork to print-ready files, and the same ones again years later.

This is the public API, for stages and scripts. Everything else is private and may change.
"""

from platemark.config.paper_sizes import sizes_sold
from platemark.config.units import FileSize, Length, Share, millimetres_to_pixels
from platemark.contract.division import Division, Item
from platemark.contract.gathering import Gathering, ScanSet
from platemark.contract.hookspecs import hookimpl
from platemark.contract.job import Job, Paper, Work
from platemark.contract.layout import Box, Edges, Layout, Size
from platemark.contract.stage import Encoder, Parameters, Settings, Stage
from platemark.errors import Held, PlatemarkError
from platemark.pixels.affine import Affine
from platemark.pixels.bend import Bend
from platemark.pixels.colour import colour_difference, paint
from platemark.pixels.drawing import filled, laid_on, stamped
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import Profile, profile_by_hash, srgb
from platemark.pixels.recolour import recoloured

__all__ = [
    "Affine",
    "Bend",
    "Box",
    "Division",
    "Edges",
    "Encoder",
    "FileSize",
    "Gathering",
    "Held",
    "Item",
    "Job",
    "Layout",
    "Length",
    "Paper",
    "Parameters",
    "Picture",
    "PlatemarkError",
    "Profile",
    "ScanSet",
    "Settings",
    "Share",
    "Size",
    "Stage",
    "Work",
    "colour_difference",
    "filled",
    "hookimpl",
    "laid_on",
    "millimetres_to_pixels",
    "paint",
    "profile_by_hash",
    "recoloured",
    "sizes_sold",
    "srgb",
    "stamped",
]
