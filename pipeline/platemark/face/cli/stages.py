"""Commands about stages: stages, new-stage."""

from pathlib import Path
from typing import Any

import click
from pydantic import BaseModel
from rich.markup import escape
from rich.table import Table

from platemark.contract.plugins import FoundStage, Plugins, load_plugins
from platemark.config.reading import read_stages_dir
from platemark.face.cli.make import config_option
from platemark.face.cli.saying import console, readable_errors
from platemark.face.new_stage import write_new_stage


@click.command("stages")
@click.argument("name", required=False)
@config_option
def stages_command(name: str | None, config: Path) -> None:
    """List the stages, or tell all about the one called NAME."""
    with readable_errors():
        found = _found(config)
        if name is None:
            _list(found)
        else:
            _tell(found.stage(name))


@click.command("new-stage")
@click.argument("name")
@click.option("--into", type=click.Path(file_okay=False, path_type=Path), default=Path("stages"), show_default=True)
def new_stage_command(name: str, into: Path) -> None:
    """Write a working stage called NAME, with its test, to begin from."""
    with readable_errors():
        stage, test = write_new_stage(name, into)
    click.echo(f"Wrote {stage} and {test}. Say stages_dir = \"{into}\" in platemark.toml and put \"{name}\" into stages.")


def _found(config: Path) -> Plugins:
    return load_plugins(read_stages_dir(config) if config.is_file() else None)


def _list(found: Plugins) -> None:
    table = Table(box=None, pad_edge=False, header_style="bold")
    for heading in ("stage", "version", "from", "what it does"):
        table.add_column(heading)
    for name in sorted(found.stages):
        stage = found.stages[name]
        table.add_row(name, str(stage.kind.version), escape(stage.origin), escape(_first_line(stage.kind)))
    console.print(table)
    for name, why in found.refused.items():
        console.print(f"[yellow]left out[/]  {escape(name)}: {escape(why)}", soft_wrap=True)


def _tell(stage: FoundStage) -> None:
    kind = stage.kind
    console.print(f"[bold]{kind.name}[/] version {kind.version}, from {escape(stage.origin)}")
    console.print(escape(_first_line(kind)))
    _fields(f"settings, in [stage.{kind.name}] or [print.NAME.{kind.name}]", kind.settings_model)
    _fields(f"parameters, in the manifest and in [corrections.{kind.name}] of a ticket", kind.parameters_model)


def _fields(title: str, model: type[BaseModel]) -> None:
    schema = model.model_json_schema()
    table = Table(box=None, pad_edge=False, title=escape(title), title_justify="left", header_style="bold")
    for heading in ("name", "default", "allowed", "meaning"):
        table.add_column(heading, overflow="fold")
    defaults = _defaults(model)
    for name, facts in schema.get("properties", {}).items():
        table.add_row(name, escape(defaults.get(name, "")), escape(_allowed(facts)), escape(facts.get("description", "")))
    console.print()
    console.print(table)


def _defaults(model: type[BaseModel]) -> dict[str, str]:
    """Defaults as they are written in the config, with their units."""
    try:
        shown = model().model_dump(mode="json")
    except ValueError:  # parameters have no defaults: they are measured
        return {}
    return {name: f'"{value}"' if isinstance(value, str) else str(value).lower() for name, value in shown.items()}


def _allowed(facts: dict[str, Any]) -> str:
    if "enum" in facts:
        return " | ".join(f'"{choice}"' for choice in facts["enum"])
    bounds = {"minimum": "at least", "exclusiveMinimum": "above", "maximum": "at most", "exclusiveMaximum": "below"}
    said = [f"{words} {facts[key]:g}" for key, words in bounds.items() if key in facts]
    if "examples" in facts:
        said.insert(0, f'like "{facts["examples"][0]}"')
    return ", ".join(said) or str(facts.get("type", ""))


def _first_line(kind: type) -> str:
    return (kind.__doc__ or "").strip().splitlines()[0] if kind.__doc__ else ""
