"""Setting up a studio: the folders and the commented config."""

from importlib.resources import files
from pathlib import Path

from platemark.config import CONFIG_NAME
from platemark.errors import PlatemarkError
from platemark.flow.studio import open_studio
from platemark.records.disk import make_folder
from platemark.records.store import write_whole

EXAMPLE = "config.example.toml"


def set_up(folder: Path, config: str | None = None) -> Path:
    """Make a studio.

    Args:
        folder: its place; made if it is not there.
        config: the config's text, or None for the commented example.

    Returns:
        The config.

    Raises:
        PlatemarkError: there is a config already, or the folder cannot be written.
    """
    target = folder / CONFIG_NAME
    if target.exists():
        raise PlatemarkError(
            f"{target} is there already", remedy="it was left as it is; change it, or choose a new folder"
        )
    make_folder(folder, remedy="choose another place")
    write_whole(target, (config if config is not None else example_config()).encode(), step="config")
    open_studio(target).make_folders()
    return target


def example_config() -> str:
    """The commented config that a new studio begins with."""
    packaged = files("platemark.face") / EXAMPLE
    if packaged.is_file():
        return packaged.read_text(encoding="utf-8")
    # Running from a checkout: the file lies at its top, where readers look for it.
    return (Path(__file__).parents[3] / EXAMPLE).read_text(encoding="utf-8")
