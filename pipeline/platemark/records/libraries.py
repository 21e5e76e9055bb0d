"""Which libraries made the pixels: when bytes differ years later, these say why."""

import importlib.metadata

import pyvips
from PIL import features


def library_versions() -> dict[str, str]:
    """Names and versions of everything that touches pixels or bytes, in name order."""
    return {
        "lcms2": str(features.version("littlecms2") or "unknown"),
        "libjpeg-turbo": str(features.version("libjpeg_turbo") or "none"),
        "libvips": ".".join(str(pyvips.version(part)) for part in range(3)),
        "numpy": importlib.metadata.version("numpy"),
        "pillow": importlib.metadata.version("pillow"),
        "pyvips": importlib.metadata.version("pyvips"),
    }
