"""Plugins as files and as installed packages."""

from pathlib import Path

from platemark.contract.plugins import Plugins

BUILT_IN = {
    *("adjust", "border", "crop", "deskew", "dust", "join", "jpeg", "paper_white", "path_page", "proof", "resample"),
    *("sharpen", "trial_strip", "turned"),
}

NOTHING = """\
from platemark import Parameters, Settings, Stage, hookimpl

class Nothing(Stage[Settings, Parameters]):
    name = "{name}"

    def measure(self, picture, settings, job):
        return Parameters()

    def apply(self, picture, parameters):
        return picture

@hookimpl
def platemark_stages():
    return [Nothing]
"""


def installed(site: Path, module: str, text: str, *, entry: str | None = None) -> None:
    """A package as an installer leaves it: a module, and metadata with an entry point."""
    (site / f"{module}.py").write_text(text)
    info = site / f"{module}-4.2.dist-info"
    info.mkdir()
    (info / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 4.2\n")
    (info / "entry_points.txt").write_text(f"[platemark]\n{entry or module} = {module}\n")


def only_refusal(found: Plugins) -> str:
    """Why the one plugin that was refused was refused."""
    (why,) = found.refused.values()
    return why
