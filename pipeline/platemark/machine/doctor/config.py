"""The config and the plugins that it calls for."""

from collections.abc import Iterator
from pathlib import Path

from platemark.errors import ConfigError, PlatemarkError
from platemark.flow.studio import open_studio
from platemark.machine.doctor.check import Check


def config(file: Path) -> Iterator[Check]:
    """Everything that is wrong with the config, and every plugin that was left out."""
    try:
        studio = open_studio(file)
    except ConfigError as fault:
        for problem in fault.problems:
            yield Check("config", "bad", problem.sentence(), f"do so in {file}, and save it")
        return
    except PlatemarkError as fault:
        yield Check("config", "bad", fault.what, fault.remedy or f"correct it in {file}")
        return
    prints = ", ".join(studio.config.print)
    yield Check("config", "good", f"{file} is in order; it describes the prints {prints}")
    for name, why in studio.plugins.refused.items():
        yield Check(f"plugin {name}", "bad", why, "mend or uninstall it; everything else works without it")
