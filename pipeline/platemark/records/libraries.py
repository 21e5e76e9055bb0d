"""Which libraries made the pixels: when bytes differ years later, these say why."""

import functools
import importlib.metadata

import pyvips
from PIL import features

# The wheel of libvips brings its own JPEG, TIFF and PNG libraries, so its release stands for theirs.
# The font is here because its outlines become pixels.
_PACKAGES = ("font-source-serif-pro", "numpy", "pillow", "pyvips", "pyvips-binary")


@functools.cache
def library_versions() -> dict[str, str]:
    """Names and versions of everything that touches pixels or bytes, in name order; looked up once a process."""
    versions = {name: _version(name) for name in _PACKAGES}
    versions["freetype"] = str(features.version("freetype2") or "none")
    versions["lcms2"] = str(features.version("littlecms2") or "unknown")
    versions["libjpeg-turbo"] = str(features.version("libjpeg_turbo") or "none")
    versions["libvips"] = ".".join(str(pyvips.version(part)) for part in range(3))
    return dict(sorted(versions.items()))


def _version(package: str) -> str:
    try:
        return importlib.metadata.version(package)
    except importlib.metadata.PackageNotFoundError:  # a libvips of the system, without the wheel
        return "none"
