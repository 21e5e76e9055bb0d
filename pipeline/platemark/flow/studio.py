"""The studio: one config with its folders and the stages it can use. Everything that works starts here."""

import hashlib
import json
from dataclasses import dataclass, replace
from pathlib import Path

from platemark.config.model import Config, PaperSpec
from platemark.config.reading import load_config, load_ticket, read_stages_dir, settings_for
from platemark.config.ticket import Ticket
from platemark.contract.job import Job, Paper
from platemark.contract.plugins import FoundStage, Plugins, load_plugins
from platemark.errors import ConfigError, Held, PlatemarkError, Problem
from platemark.flow.chain import Step, check_chain
from platemark.pixels.profiles import load_profile
from platemark.records import store


@dataclass(frozen=True)
class Studio:
    """A loaded config, its folders and its plugins."""

    file: Path
    config: Config
    plugins: Plugins

    @property
    def scans(self) -> Path:
        """Where scans are dropped."""
        return self.config.folders.scans

    @property
    def ready(self) -> Path:
        """Where exports appear."""
        return self.config.folders.ready

    @property
    def held(self) -> Path:
        """Where scans wait for a person."""
        return self.config.folders.held

    @property
    def originals(self) -> Path:
        """Where every scan that was worked on is kept."""
        return self.config.folders.originals

    def steps(self, print_name: str, ticket: Ticket) -> list[Step]:
        """The chain of a print, with the corrections of a ticket."""
        return [
            Step(
                self.plugins.stage(name),
                settings_for(self.config, print_name, name, self.plugins.stage(name).kind.settings_model),
                ticket.corrections.get(name, {}),
            )
            for name in self.config.chain(print_name)
        ]

    def checking(self) -> "Studio":
        """The same studio, in which every stage is applied twice and compared."""
        work = self.config.work.model_copy(update={"check": True})
        return replace(self, config=self.config.model_copy(update={"work": work}))

    def lost_stages(self, print_name: str) -> list[str]:
        """The stages of a print that are not there, because a plugin could not be loaded."""
        return [name for name in self.config.chain(print_name) if name not in self.plugins.stages]

    def paper(self, print_name: str) -> Paper:
        """The paper of a print, its profile read.

        Raises:
            ProfileError: the profile is broken.
        """
        name = self.config.print[print_name].paper
        converter = self.config.printer.colour
        if name is None:
            return Paper(name="", converter=converter)
        spec: PaperSpec = self.config.paper[name]
        profile = load_profile(spec.profile) if spec.profile else None
        return Paper(name, spec.surface, profile, spec.intent, spec.black_point, converter)

    def ticket_for(self, scan: Path) -> Ticket:
        """The ticket beside a scan, or an empty one.

        Raises:
            ConfigError: it is wrong.
        """
        path = ticket_path(scan)
        if path == scan or not store.is_file(path):  # a name of 255 bytes has no room for a ticket beside it
            return Ticket()
        return load_ticket(
            path, list(self.config.print), list(self.plugins.stages), some_lost=bool(self.plugins.refused)
        )

    def sheet_mm(self, ticket: Ticket) -> tuple[float, float] | None:
        """The sides of the paper of an original, as the ticket or else the config tells; None where neither does."""
        sheet = ticket.sheet or self.config.scanner.sheet
        return sheet.sides_mm if sheet else None

    def make_folders(self) -> None:
        """Make sure that the four folders are there and can be written.

        Raises:
            PlatemarkError: one cannot.
        """
        for folder in (self.scans, self.ready, self.held, self.originals):
            try:
                folder.mkdir(parents=True, exist_ok=True)
                probe = folder / ".platemark-probe"
                probe.write_bytes(b"")
                probe.unlink()
            except OSError as fault:
                raise PlatemarkError(
                    f"the folder {folder} cannot be written ({fault.strerror})",
                    remedy="allow writing in it, or name another in [folders]",
                ) from fault


def open_studio(file: Path) -> Studio:
    """Read a config and find its stages; nothing is started.

    Where a plugin cannot be loaded, prints that want a stage that is not there are held later, and all others are made.

    Raises:
        ConfigError: all that is wrong with the config, at once.
        PluginError: two stages share a name, or a chain writes no file.
        PlatemarkError: a stage objects to its settings on the paper of a print.
    """
    plugins = load_plugins(read_stages_dir(file))
    known = {name: found.kind.settings_model for name, found in plugins.stages.items()}
    try:
        config = load_config(file, known, some_lost=bool(plugins.refused))
    except ConfigError as fault:
        # A stage that could not be loaded is often why its name is not known.
        refused = [Problem(file.name, "", "", "", why) for why in plugins.refused.values()]
        raise ConfigError([*fault.problems, *refused]) from fault
    studio = Studio(file, config, plugins)
    for name in studio.config.print:
        paper = studio.paper(name)
        if studio.lost_stages(name):
            continue
        steps, where = studio.steps(name, Ticket()), f"{file.name}, [print.{name}]"
        check_chain(steps, where)
        _check_on(paper, steps, where)
    return studio


def _check_on(paper: Paper, steps: list[Step], where: str) -> None:
    """Ask each stage whether its settings can be right on this paper."""
    for step in steps:
        try:
            step.found.kind().check(step.settings, paper)
        except Held as held:
            raise PlatemarkError(f"{where}: {held.reason}", remedy=held.remedy) from held


def gathering_step(studio: Studio, found: FoundStage, ticket: Ticket) -> Step:
    """What makes one picture of several scans, as [stage.NAME] and the ticket say."""
    name = found.kind.name
    settings = found.kind.settings_model.model_validate(studio.config.stage.get(name, {}))
    return Step(found, settings, ticket.corrections.get(name, {}))


def ticket_path(scan: Path) -> Path:
    """`heron.toml` for `heron.tif`."""
    return scan.with_suffix(".toml")


def recipe_of(
    studio: Studio, job: Job, ticket: Ticket, steps: list[Step], item: int = 0, gathered: Step | None = None
) -> str:
    """A hash of everything but the scan that decides how a print comes out."""
    config = studio.config
    paper = job.paper
    scanner_profile = config.scanner.profile
    asked = {
        "item": item,
        "print": config.print[job.print_name].model_dump(mode="json", exclude={"stage_settings", "stages"}),
        "paper": [
            paper.name,
            paper.surface,
            paper.profile and paper.profile.sha256,
            paper.intent,
            paper.black_point,
            paper.converter,
        ],
        "artist": config.artist.model_dump(mode="json"),
        "ticket": ticket.model_dump(mode="json", exclude={"prints"}),
        "scanner": [
            config.scanner.ppi,
            config.scanner.cmyk,
            config.scanner.lab,
            config.scanner.page,
            config.scanner.sheet.name if config.scanner.sheet else None,
            scanner_profile and hashlib.sha256(scanner_profile.read_bytes()).hexdigest(),
        ],
        "stages": [[step.key(), step.found.kind.version, _own_code(step)] for step in steps],
    }
    if gathered:
        asked["gathered"] = [gathered.key(), gathered.found.kind.version, _own_code(gathered)]
    return hashlib.sha256(json.dumps(asked, sort_keys=True).encode()).hexdigest()


def _own_code(step: Step) -> str:
    """A stage of the artist's folder has no release: its text is its version."""
    return step.found.code_sha256 if step.found.source else ""
