"""From what pydantic found to what the artist reads: file, table, key, the value as she wrote it, and what to do."""

from __future__ import annotations

import json
import re
import types
from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Final, TypeGuard, Union, get_args, get_origin

from pydantic import BaseModel

from platemark.config.docstrings import docstrings_of
from platemark.config.model import Config
from platemark.config.references import nearest
from platemark.errors import Problem

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from pydantic_core import ErrorDetails

    Place = tuple[int | str, ...]

REMEDY: Final[Mapping[str, str]] = {
    "missing": "this line is missing and has no default; add it",
    "greater_than_equal": "below {ge}, the least that is allowed",
    "less_than_equal": "above {le}, the most that is allowed",
    "greater_than": "this must be more than {gt}",
    "less_than": "this must be less than {lt}",
    "finite_number": "not a finite number; write an ordinary one",
    "int_type": "not a whole number; write it without quotes and without a point",
    "int_from_float": "not a whole number; write it without a fraction",
    "int_parsing": "not a whole number; write it without quotes and without a point",
    "float_type": "not a number; write it without quotes",
    "float_parsing": "not a number; write it without quotes",
    "string_type": "not a text; put it in double quotes",
    "string_too_short": "too short; write at least {min_length} characters",
    "string_too_long": "too long; write at most {max_length} characters",
    "string_pattern_mismatch": "not of the form {pattern}",
    "bool_type": "neither true nor false; write one of them, without quotes",
    "bool_parsing": "neither true nor false; write one of them, without quotes",
    "literal_error": "not one of the choices; write {expected}",
    "list_type": 'not a list; write it in square brackets, such as ["crop", "jpeg"]',
    "too_short": "too short a list; write at least {min_length} in it",
    "too_long": "too long a list; write at most {max_length} in it",
    "dict_type": "not a table; put its lines under a header in square brackets",
    "model_type": "not a table; put its lines under a header in square brackets",
    "path_type": "not a path; put it in double quotes",
    "is_instance_of": "not a path; put it in double quotes",
    "value_error": "{error}",
    "assertion_error": "{error}",
}
"""What to say for each type of pydantic error, with the numbers from its context."""

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
# Longer values would push the remedy off the line; the beginning is enough to find the place.
_LONGEST_VALUE = 60


@dataclass(frozen=True)
class Page:
    """A file as it is written: its name, and everything in it."""

    file: str
    written: Mapping[str, Any]


def problem_from(
    error: ErrorDetails, page: Page, model: type[BaseModel], at: Place = (), also: Collection[str] = ()
) -> Problem:
    """Put one pydantic error into words.

    Args:
        error: as `ValidationError.errors()` lists it.
        page: the file that was read.
        model: the model that found the error.
        at: the path of the table on the page that the model was given.
        also: keys that are known in this table beside the model's own.
    """
    place = (*at, *(part for part in error["loc"] if part not in ("[key]", "stage_settings")))
    tables, key, value = _address(page.written, place)
    remedy = _remedy(error, model, also)
    if "stage_settings" in error["loc"] and error["loc"][-1] == "[key]":
        remedy += ". A table inside [print.NAME] holds the settings of a stage, and the NAME itself has no dot"
    return Problem(page.file, ".".join(map(_as_key, tables)), _as_key(key), _as_written(value), remedy)


def _address(written: Mapping[str, Any], place: Place) -> tuple[Place, int | str, object]:
    """Follow a path into the file, as far as the file goes.

    Returns:
        The tables on the way, the key ("" when the table itself is meant) and its value, None when nothing is written.
    """
    here: Any = written
    for depth, part in enumerate(place):
        if part not in here:
            return place[:-1], place[-1], None
        here = here[part]
        if not isinstance(here, dict):
            return place[:depth], part, here
    return place, "", None


def _remedy(error: ErrorDetails, model: type[BaseModel], also: Collection[str]) -> str:
    if error["type"] == "extra_forbidden":
        return _unknown_key(error["loc"], model, also)
    template = REMEDY.get(error["type"])
    if template is None:
        return error["msg"][:1].lower() + error["msg"][1:]
    text = template.format(**{name: _plainly(it) for name, it in error.get("ctx", {}).items()})
    # Our own messages say what to do already; the numbers of a bound do not.
    hint = "" if template == "{error}" else _hint(*_field_at(model, error["loc"]))
    return f"{text}. {hint}" if hint else text


def _unknown_key(loc: Place, model: type[BaseModel], also: Collection[str]) -> str:
    parent, key = _at(model, loc[:-1]), str(loc[-1])
    known = {*(parent.model_fields if _is_model(parent) else ()), *also} - {"stage_settings"}
    if likely := nearest(key, known):
        return f'unknown here; the nearest is "{likely}"'
    if model is Config and len(loc) > 1 and key in Config.model_fields:
        return "unknown here; it belongs at the top of the file, above the first [table]"
    return f"unknown here; known are {', '.join(sorted(known))}" if known else "unknown here; nothing can be set"


def _hint(model: type[BaseModel], key: str) -> str:
    """Give what the author of a setting says about it: its own remedy, or else its description."""
    field = model.model_fields.get(key)
    if field is None:
        return ""
    extra = field.json_schema_extra
    if isinstance(extra, dict) and isinstance(extra.get("remedy"), str):
        return str(extra["remedy"])
    return " ".join((field.description or docstrings_of(model).get(key, "")).split())


def _field_at(model: type[BaseModel], loc: Place) -> tuple[type[BaseModel], str]:
    """Find the innermost setting on the way to an error, and its model; list positions and the like lie deeper."""
    for depth in range(len(loc), 0, -1):
        parent = _at(model, loc[: depth - 1])
        if _is_model(parent):
            return parent, str(loc[depth - 1])
    return model, ""


def _at(model: type[BaseModel], loc: Place) -> object:
    """Find the annotation that stands at a place below a model."""
    here: object = model
    for part in loc:
        if _is_model(here):
            field = here.model_fields.get(str(part))
            here = _bare(field.annotation) if field else None
        else:
            here = _bare(get_args(here)[-1]) if get_args(here) else None
    return here


def _bare(annotation: object) -> object:
    """Take off `Annotated[...]` and `... | None`."""
    if get_origin(annotation) is Annotated:
        return _bare(get_args(annotation)[0])
    if get_origin(annotation) in (Union, types.UnionType):
        return _bare(next(kind for kind in get_args(annotation) if kind is not type(None)))
    return annotation


def _is_model(kind: object) -> TypeGuard[type[BaseModel]]:
    return isinstance(kind, type) and issubclass(kind, BaseModel)


def _plainly(value: object) -> object:
    """Write 0.0 as 0, and choices in the quotes that TOML has."""
    if isinstance(value, float):
        return f"{value:g}"
    return value.replace("'", '"') if isinstance(value, str) else value


def _as_key(part: int | str) -> str:
    text = str(part)
    return text if not text or _BARE_KEY.fullmatch(text) else json.dumps(text, ensure_ascii=False)


def _as_written(value: object) -> str:
    """Show a value as TOML has it; a table is shown by its header alone."""
    if value is None or isinstance(value, dict):
        return ""
    if isinstance(value, list):
        text = f"[{', '.join(_as_written(item) or '...' for item in value)}]"
    elif isinstance(value, str | bool):
        text = json.dumps(value, ensure_ascii=False)
    else:
        text = str(value)
    return text if len(text) <= _LONGEST_VALUE else f"{text[:_LONGEST_VALUE]}..."
