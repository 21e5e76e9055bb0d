"""platemark: from a scan of an artwork to print-ready files, and the same ones again years later.

This is the public API, for stages and scripts. Everything else is private and may change.

A name is fetched from its room when it is first asked for (PEP 562): the command line must answer before the libraries
for pixels and models are loaded.
"""

from importlib import import_module
from typing import TYPE_CHECKING

if TYPE_CHECKING:  # for mypy and editors; `_HOMES` says the same to Python, and a test holds both together
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
    from platemark.pixels.round_trip import round_trip

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
    "round_trip",
    "sizes_sold",
    "srgb",
    "stamped",
]

# Where each public name lives.
_HOMES = {
    "Affine": "pixels.affine",
    "Bend": "pixels.bend",
    "Box": "contract.layout",
    "Division": "contract.division",
    "Edges": "contract.layout",
    "Encoder": "contract.stage",
    "FileSize": "config.units",
    "Gathering": "contract.gathering",
    "Held": "errors",
    "Item": "contract.division",
    "Job": "contract.job",
    "Layout": "contract.layout",
    "Length": "config.units",
    "Paper": "contract.job",
    "Parameters": "contract.stage",
    "Picture": "pixels.picture",
    "PlatemarkError": "errors",
    "Profile": "pixels.profiles",
    "ScanSet": "contract.gathering",
    "Settings": "contract.stage",
    "Share": "config.units",
    "Size": "contract.layout",
    "Stage": "contract.stage",
    "Work": "contract.job",
    "colour_difference": "pixels.colour",
    "filled": "pixels.drawing",
    "hookimpl": "contract.hookspecs",
    "laid_on": "pixels.drawing",
    "millimetres_to_pixels": "config.units",
    "paint": "pixels.colour",
    "profile_by_hash": "pixels.profiles",
    "recoloured": "pixels.recolour",
    "round_trip": "pixels.round_trip",
    "sizes_sold": "config.paper_sizes",
    "srgb": "pixels.profiles",
    "stamped": "pixels.drawing",
}


def __dir__() -> list[str]:
    return list(__all__)


if not TYPE_CHECKING:  # mypy would otherwise believe in any name

    def __getattr__(name: str) -> object:
        if name not in _HOMES:
            raise AttributeError(f"module {__name__!r} has no attribute {name!r}", name=name)
        value = getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
        globals()[name] = value
        return value
