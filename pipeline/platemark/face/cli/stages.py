"""Commands about stages: stages, new-stage."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Literal, get_args, get_origin

import click
from pydantic import PlainSerializer
from pydantic.fields import FieldInfo
from rich.markup import escape

from platemark.config.reading import read_stages_dir
from platemark.contract.plugins import FoundStage, Plugins, load_plugins
from platemark.contract.stage import Encoder, Parameters, Settings
from platemark.errors import PlatemarkError
from platemark.face.cli.options import config_option
from platemark.face.cli.saying import console, readable_errors, say, table_of
from platemark.face.new_stage import write_new_stage

_BOUNDS = {"ge": "at least", "gt": "above", "le": "at most", "lt": "below"}
_KINDS = {bool: "true | false", int: "whole number", float: "number", str: "text"}


@click.command("stages")
@click.argument("name", required=False)
@config_option
def stages_command(name: str | None, config: Path) -> None:
    """List the stages, or tell all about NAME."""
    with readable_errors():
        found = load_plugins(read_stages_dir(config) if config.is_file() else None)
        if name is None:
            _list(found)
        else:
            _tell(found.stage(name))


@click.command("new-stage")
@click.argument("name")
@click.option(
    "--into",
    type=click.Path(file_okay=False, path_type=Path),
    default=Path("stages"),
    show_default=True,
    help="The folder of your own stages.",
)
def new_stage_command(name: str, into: Path) -> None:
    """Write a working stage, and its test.

    It is called NAME, and is there to be changed into what you need.
    """
    with readable_errors():
        if name in load_plugins().stages:
            raise PlatemarkError(f"a stage named {name} is installed already", remedy="choose another name")
        stage, test = write_new_stage(name, into)
    say(f"Wrote {stage} and {test}.")
    say(f'Write stages_dir = "{into}" into platemark.toml, and put "{name}" into stages where it is to work.')


def _list(found: Plugins) -> None:
    table = table_of("stage", "version", "from", "writes", "what it does")
    for name, stage in sorted(found.stages.items()):
        kind = stage.kind
        writes = kind.suffix if issubclass(kind, Encoder) else ""
        table.add_row(name, str(kind.version), escape(stage.origin), writes, escape(_first_line(kind)))
    console.print(table)
    for why in found.refused.values():
        say(f"Left out: {why}")


def _tell(stage: FoundStage) -> None:
    kind = stage.kind
    say(f"{kind.name} version {kind.version}, from {stage.origin}")
    say(_first_line(kind))
    _tell_settings(kind.name, kind.settings_model)
    _tell_parameters(kind.name, kind.parameters_model)


def _tell_settings(name: str, model: type[Settings]) -> None:
    table = table_of(
        "name", "default", "allowed", "meaning", title=escape(f"\nsettings, in [stage.{name}] or [print.NAME.{name}]")
    )
    for key, facts in model.model_fields.items():
        default = "" if facts.is_required() else _as_written(facts)(facts.default)
        table.add_row(key, escape(default), escape(_allowed(facts)), escape(facts.description or ""))
    console.print(table)


def _tell_parameters(name: str, model: type[Parameters]) -> None:
    title = f"\nparameters, measured; in the manifest, and in [corrections.{name}] of a ticket to overrule them"
    table = table_of("name", "allowed", "meaning", title=escape(title))
    for key, facts in model.model_fields.items():
        table.add_row(key, escape(_allowed(facts)), escape(facts.description or ""))
    console.print(table)


def _as_written(facts: FieldInfo) -> Callable[[Any], str]:
    """How a value of this field stands in a TOML file: a quantity with its unit, a text in quotes."""
    units = [it.func for it in facts.metadata if isinstance(it, PlainSerializer)]
    return lambda value: json.dumps(units[0](value) if units else value, ensure_ascii=False)  # type: ignore[call-arg]


def _allowed(facts: FieldInfo) -> str:
    kind = facts.annotation
    if get_origin(kind) is Literal:
        return " | ".join(json.dumps(choice) for choice in get_args(kind))
    write = _as_written(facts)
    said = [
        f"{words} {write(getattr(bound, key))}"
        for bound in facts.metadata
        for key, words in _BOUNDS.items()
        if getattr(bound, key, None) is not None
    ]
    return ", ".join(said) or _KINDS.get(kind, "list")  # type: ignore[arg-type]


def _first_line(kind: type) -> str:
    return (kind.__doc__ or "").strip().partition("\n")[0]
