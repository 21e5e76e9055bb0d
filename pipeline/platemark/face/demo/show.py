"""The demo: invented scans through the real pipeline, and one export made again."""

from dataclasses import dataclass
from pathlib import Path

from platemark.face.demo.scans import write_demo_scans
from platemark.face.setting_up import set_up
from platemark.flow.delivery import Outcome
from platemark.flow.prepare import prepare
from platemark.flow.reproduce import Reproduction, reproduce
from platemark.flow.studio import open_studio

_CONFIG = """\
# The studio of the demo: two prints of every scan.

[artist]
copyright = "All rights reserved"

[print.a4-matte]
sheet = "A4"
ppi = 300

[print.a4-matte.border]
sides = "15 mm"
bottom = "25 mm"
lettering = "{title}, {year}"

[print.card]
sheet = "A6"
border = "6 mm"
ppi = 300

[stage.jpeg]
max_size = "4 MB"
"""


@dataclass(frozen=True)
class Shown:
    """What the demo made, and where it lies."""

    ready: Path
    originals: Path
    outcomes: list[Outcome]
    reproduction: Reproduction

    @property
    def good(self) -> bool:
        """Every print was made, and the one made again is the same."""
        return self.reproduction.same and all(outcome.status == "ready" for outcome in self.outcomes)


def run_demo(folder: Path) -> Shown:
    """Make the studio, draw the scans, prepare them, reproduce the first export.

    Args:
        folder: an empty or new folder.

    Raises:
        PlatemarkError: the folder holds a studio already or cannot be written.
    """
    studio = open_studio(set_up(folder, _CONFIG))
    scans = [scan.path for scan in write_demo_scans(studio.scans)]
    outcomes = [outcome for made in prepare(studio, scans) for outcome in made]
    manifest = studio.ready / f"{scans[0].stem}.a4-matte.toml"
    return Shown(studio.ready, studio.originals, outcomes, reproduce(manifest, studio.plugins))
