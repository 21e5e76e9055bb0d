"""The kit with which stage authors (and we) test a stage.

Example:
    from platemark.testing import check_stage
    check_stage(MyStage)
"""

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pyvips
import tomli_w
from numpy.typing import NDArray

from platemark.config.layout import layout_for
from platemark.config.print_spec import PrintSpec
from platemark.contract.job import Job, Paper, Work
from platemark.contract.stage import Encoder, Parameters, Stage
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import Profile, srgb

__all__ = ["check_stage", "gradient_picture", "job_for", "measure_and_apply", "picture_of"]


def picture_of(array: NDArray[np.uint16], ppi: float = 300.0, profile: Profile | None = None) -> Picture:
    """A picture of an array of shape (rows, columns, channels); sRGB, if no profile is given."""
    profile = profile or srgb()
    blank = Picture.of(pyvips.Image.black(1, 1, bands=profile.bands).cast("ushort"), profile, ppi)
    return blank.with_array(array)


def gradient_picture(width: int = 120, height: int = 90, ppi: float = 300.0) -> Picture:
    """A small picture with all hues and lightnesses in it, and odd values in the low byte: it is truly 16 bits."""
    x = np.linspace(0, 65535, width)[None, :]
    y = np.linspace(0, 65535, height)[:, None]
    array = np.stack(np.broadcast_arrays(x, y, (x + y) / 2), axis=-1)
    return picture_of(array.astype(np.uint16), ppi)


def job_for(*, paper: Paper | None = None, work: Work | None = None, **written: object) -> Job:
    """A job for tests.

    Args:
        paper: what it is printed on; a paper without profile if not given.
        work: what is known of the artwork.
        written: keys of [print.NAME]; a small sheet with an even border if not given.
    """
    spec = PrintSpec.model_validate({"sheet": "17 x 13 mm", "border": "2 mm", "ppi": 300, **written})
    lay_out = partial(layout_for, spec)
    return Job("test", work or Work("test"), paper or Paper("test"), lay_out, spec.fit, spec.fill_limit)


def measure_and_apply(
    kind: type[Stage[Any, Any]], picture: Picture, job: Job | None = None, /, **settings: object
) -> tuple[Parameters, Picture]:
    """Run both halves; settings by name, as in `[stage.NAME]`."""
    stage = kind()
    parameters = stage.measure(picture, kind.settings_model.model_validate(settings), job or job_for())
    return parameters, stage.apply(picture, parameters)


def check_stage(
    kind: type[Stage[Any, Any]], picture: Picture | None = None, job: Job | None = None, /, **settings: object
) -> None:
    """Hold a stage to its contract.

    `measure` decides the same twice; `apply` and what else makes bytes are pure functions of picture and
    parameters, with one thread and with two; 16 bits are kept; a profile fits its channels; the resolution
    stays a resolution; parameters survive TOML.

    Args:
        kind: the stage.
        picture: to try it on; a gradient if not given.
        job: the job it is told.
        settings: as in `[stage.NAME]`.

    Raises:
        AssertionError: says which clause was broken.
    """
    _check_class(kind)
    picture, job = picture or gradient_picture(), job or job_for()
    before = picture.array().copy()
    told = kind.settings_model.model_validate(settings)
    parameters = kind().measure(picture, told, job)
    _check_parameters(kind, parameters)
    second = kind().measure(replace(picture, facts={}), told, job)
    assert second == parameters, "measure decides otherwise the second time"
    _check_picture(kind().apply(picture, parameters))
    assert np.array_equal(picture.array(), before), "the stage changed the picture it was given"
    first, again = _made(kind, picture, parameters, 1), _from_toml(kind, parameters)
    # What was remembered while measuring is not there when an export is made again: try without it.
    forgotten = replace(picture, facts={})
    assert _made(kind, forgotten, again, 1) == first, "apply makes another thing from the same parameters"
    assert _made(kind, forgotten, again, 2) == first, "apply depends on the number of threads"


def _check_class(kind: type[Stage[Any, Any]]) -> None:
    assert kind.name.islower(), "a stage's name is a lower-case word"
    nameless = [name for name, field in kind.settings_model.model_fields.items() if field.is_required()]
    assert not nameless, f"every setting needs a default: {', '.join(nameless)}"


def _check_parameters(kind: type[Stage[Any, Any]], parameters: object) -> None:
    assert isinstance(parameters, kind.parameters_model), f"measure gave {type(parameters).__name__}"
    assert _from_toml(kind, parameters) == parameters, "the parameters do not survive TOML"


def _from_toml(kind: type[Stage[Any, Any]], parameters: Parameters) -> Parameters:
    table = {key: value for key, value in parameters.model_dump(mode="json").items() if value is not None}
    return kind.parameters_model.model_validate(tomllib.loads(tomli_w.dumps(table)))


def _check_picture(after: object) -> None:
    assert isinstance(after, Picture), f"apply gave {type(after).__name__}, not a Picture"
    assert isinstance(after.profile, Profile), "the profile was lost"
    image = after.open()
    assert image.format == "ushort", "the stage did not keep 16 bits"
    assert image.bands == after.profile.bands, "the channels do not fit the profile"
    assert after.ppi > 0, "the resolution was lost"


def _made(kind: type[Stage[Any, Any]], picture: Picture, parameters: Parameters, threads: int) -> Mapping[str, bytes]:
    """All bytes that come of a stage, made with this many threads."""
    usual = pyvips.vips_lib.vips_concurrency_get()
    pyvips.vips_lib.vips_concurrency_set(threads)
    try:
        stage = kind()
        after = stage.apply(picture, parameters)
        file = {"file": stage.encode(picture, parameters)} if isinstance(stage, Encoder) else {}
        return {"pixels": after.array().tobytes(), **file, **stage.companions(picture, after, parameters)}
    finally:
        pyvips.vips_lib.vips_concurrency_set(usual)
