"""The kit with which stage authors (and we) test a stage.

    from platemark.testing import check_stage
    check_stage(MyStage)
"""

import tomllib
from typing import Any

import numpy as np
import pyvips
import tomli_w
from numpy.typing import NDArray

from platemark.contract.job import Job, Paper, Work
from platemark.contract.layout import Box, Edges, Layout, Size
from platemark.contract.stage import Encoder, Parameters, Stage
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import srgb

__all__ = ["check_stage", "gradient_picture", "job_for", "measure_and_apply", "picture_of"]


def picture_of(array: NDArray[np.uint16], ppi: float = 300.0) -> Picture:
    """A picture of an array of shape (rows, columns, 3), sRGB."""
    rows, columns, _ = array.shape
    blank = Picture.of(pyvips.Image.black(columns, rows, bands=3).cast("ushort"), srgb(), ppi)
    return blank.with_array(array)


def gradient_picture(width: int = 120, height: int = 90, ppi: float = 300.0) -> Picture:
    """A small picture with all hues and lightnesses in it, and odd values in the low byte: it is truly 16 bits."""
    x = np.linspace(0, 65535, width)[None, :]
    y = np.linspace(0, 65535, height)[:, None]
    array = np.stack(np.broadcast_arrays(x, y, (x + y) / 2), axis=-1)
    return picture_of(array.astype(np.uint16), ppi)


def job_for(*, sheet: tuple[int, int] = (200, 150), border: int = 20, paper: Paper | None = None, **work: str) -> Job:
    """A job for tests: a sheet in pixels at 300 ppi with an even border."""
    width, height = sheet
    area = Box(border, border, width - 2 * border, height - 2 * border)
    layout = Layout(Size(*sheet), Box(0, 0, *sheet), area, Edges(border, border, border, border), 300)
    return Job("test", Work(name="test", **work), paper or Paper("test"), lambda _width, _height: layout)


def measure_and_apply(
    kind: type[Stage[Any, Any]], picture: Picture, job: Job | None = None, **settings: object
) -> tuple[Parameters, Picture]:
    """Run both halves; settings by name, as in `[stage.NAME]`."""
    stage = kind()
    parameters = stage.measure(picture, kind.settings_model.model_validate(settings), job or job_for())
    return parameters, stage.apply(picture, parameters)


def check_stage(kind: type[Stage[Any, Any]], picture: Picture | None = None, job: Job | None = None, **settings: object) -> None:
    """Hold a stage to its contract.

    `apply` is a pure function of picture and parameters and gives the same pixels with one thread and with
    two; 16 bits are kept; a profile fits its channels; the resolution stays a resolution; parameters survive TOML.

    Args:
        kind: the stage.
        picture: to try it on; a gradient if not given.
        job: the job it is told.
        settings: as in `[stage.NAME]`.

    Raises:
        AssertionError: says which clause was broken.
    """
    picture = picture or gradient_picture()
    before = picture.array().copy()
    parameters, after = measure_and_apply(kind, picture, job, **settings)
    assert kind.settings_model().model_dump() is not None, "every setting needs a default"
    _check_parameters(kind, parameters)
    assert np.array_equal(picture.array(), before), "the stage changed the picture it was given"
    if issubclass(kind, Encoder):
        assert kind().encode(picture, parameters) == kind().encode(picture, parameters), "encode gives two files"
        return
    _check_picture(kind, after)
    again = _from_toml(kind, parameters)
    first = kind().apply(picture, parameters).array()
    assert np.array_equal(first, kind().apply(picture, again).array()), "apply gives other pixels from the same parameters"
    assert np.array_equal(first, _with_threads(kind, picture, parameters, 1)), "apply depends on the number of threads"


def _check_parameters(kind: type[Stage[Any, Any]], parameters: object) -> None:
    assert isinstance(parameters, kind.parameters_model), f"measure gave {type(parameters).__name__}"
    assert _from_toml(kind, parameters) == parameters, "the parameters do not survive TOML"


def _from_toml(kind: type[Stage[Any, Any]], parameters: Parameters) -> Parameters:
    table = {key: value for key, value in parameters.model_dump(mode="json").items() if value is not None}
    return kind.parameters_model.model_validate(tomllib.loads(tomli_w.dumps(table)))


def _check_picture(kind: type[Stage[Any, Any]], after: object) -> None:
    assert isinstance(after, Picture), f"apply gave {type(after).__name__}, not a Picture"
    array = after.array()
    assert array.dtype == np.uint16, "the stage did not keep 16 bits"
    assert array.shape[2] == after.profile.bands, "the channels do not fit the profile"
    assert after.ppi > 0, "the resolution was lost"
    assert kind.name.islower(), "a stage's name is a lower-case word"


def _with_threads(kind: type[Stage[Any, Any]], picture: Picture, parameters: Parameters, threads: int) -> NDArray[np.uint16]:
    usual = pyvips.vips_lib.vips_concurrency_get()
    pyvips.vips_lib.vips_concurrency_set(threads)
    try:
        return kind().apply(picture, parameters).array()
    finally:
        pyvips.vips_lib.vips_concurrency_set(usual)
