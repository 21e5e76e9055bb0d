"""A chain: the stages of one print, each measured and applied in turn.

Leading stages that look at the scan alone are measured once and serve all prints of the scan.
"""

import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from pydantic import ValidationError

from platemark.contract.job import Job, Notice
from platemark.contract.plugins import FoundStage
from platemark.contract.stage import Encoder, Parameters, Settings, Stage
from platemark.errors import Held, PlatemarkError, PluginError
from platemark.pixels.picture import Picture
from platemark.records.failpoint import reach


@dataclass(frozen=True)
class Step:
    """A stage in its place in a chain, with its settings and the artist's corrections."""

    found: FoundStage
    settings: Settings
    correction: Mapping[str, Any] = field(default_factory=dict)

    @property
    def name(self) -> str:
        """The stage's name."""
        return self.found.kind.name

    def key(self) -> str:
        """What its measurement depends on, beside the picture."""
        asked = [self.name, self.settings.model_dump(mode="json"), dict(self.correction)]
        return json.dumps(asked, sort_keys=True)


@dataclass(frozen=True)
class Applied:
    """One step, done: what was decided, and the sizes before and after."""

    step: Step
    parameters: Parameters
    size_in: tuple[int, int]
    size_out: tuple[int, int]


@dataclass(frozen=True)
class Made:
    """What a chain made."""

    data: bytes
    suffix: str
    picture: Picture
    applied: tuple[Applied, ...]
    companions: dict[str, bytes]
    encoding: dict[str, str | int | float]


Shared = dict[str, tuple[Parameters, list[Notice]]]


def check_chain(steps: Sequence[Step], where: str) -> None:
    """Make sure that a chain ends in its one encoder.

    Raises:
        PluginError: it does not.
    """
    encoders = [step.name for step in steps if issubclass(step.found.kind, Encoder)]
    if len(encoders) != 1 or steps[-1].name != encoders[0]:
        raise PluginError(
            f"{where}: the stages {', '.join(step.name for step in steps)} do not end in one that writes the file",
            remedy='let the chain end in "jpeg"',
        )


def run_chain(
    picture: Picture,
    steps: Sequence[Step],
    job: Job,
    shared: Shared,
    progress: Callable[[str], None] = lambda _stage: None,
) -> Made:
    """Measure and apply each step in turn; the last one writes the file.

    Args:
        picture: the scan.
        steps: the chain, an encoder last.
        job: the print that is made.
        shared: measurements of leading stages, kept between the prints of one scan.
        progress: told the name of each stage as it starts.

    Raises:
        Held: a stage wants a person to decide, or failed; names the stage.
    """
    applied: list[Applied] = []
    companions: dict[str, bytes] = {}
    leading = ""
    for step in steps:
        progress(step.name)
        reach(f"stage.{step.name}")
        job.stage = step.name
        leading = "" if step.found.kind.per_print or (applied and not leading) else f"{leading}/{step.key()}"
        with _stage_named(step):
            stage = step.found.kind()
            parameters = _measured(stage, picture, step, job, shared, leading)
            after = checked_apply(stage, picture, parameters)
            companions.update(stage.companions(picture, after, parameters))
        applied.append(Applied(step, parameters, picture.size, after.size))
        picture = after
    with _stage_named(steps[-1]):
        return _encoded(stage, picture, applied, companions)


def checked_apply(stage: Stage[Any, Any], picture: Picture, parameters: Parameters) -> Picture:
    """Apply, and hold the stage to its contract.

    Raises:
        PluginError: it gave no picture.
    """
    after = stage.apply(picture, parameters)
    if not isinstance(after, Picture):
        raise PluginError(f"it gave back {type(after).__name__}, not a Picture")
    return after


def _measured(
    stage: Stage[Any, Any], picture: Picture, step: Step, job: Job, shared: Shared, leading: str
) -> Parameters:
    if leading and leading in shared:
        parameters, notices = shared[leading]
        job.notices.extend(notices)
        return parameters
    before = len(job.notices)
    parameters = _decide(stage, picture, step, job)
    if leading:
        shared[leading] = (parameters, job.notices[before:])
    return parameters


def _decide(stage: Stage[Any, Any], picture: Picture, step: Step, job: Job) -> Parameters:
    """Measure; what the artist wrote in the ticket stands above what was measured."""
    model = stage.parameters_model
    if step.correction:
        try:
            return model.model_validate(dict(step.correction))  # all of it is given: nothing to measure
        except ValidationError:
            pass
    parameters: Parameters = stage.measure(picture, step.settings, job)
    if not isinstance(parameters, model):
        raise PluginError(f"it measured {type(parameters).__name__}, not {model.__name__}")
    if not step.correction:
        return parameters
    try:
        return model.model_validate({**parameters.model_dump(), **step.correction})
    except ValidationError as fault:
        first = fault.errors()[0]
        key = ".".join(map(str, first["loc"]))
        raise Held(
            f"the correction {key} of the stage {step.name} cannot be used: {first['msg'].lower()}",
            remedy=f"put [corrections.{step.name}] right in the ticket",
        ) from fault


def _encoded(
    stage: Stage[Any, Any], picture: Picture, applied: list[Applied], companions: dict[str, bytes]
) -> Made:
    if not isinstance(stage, Encoder):
        raise PluginError("it is the last of its chain and does not write a file")
    parameters = applied[-1].parameters
    data = stage.encode(picture, parameters)
    return Made(data, stage.suffix, picture, tuple(applied), companions, stage.about(parameters))


class _stage_named:  # noqa: N801 - reads as a statement
    """Whatever a stage raises holds this scan, with the stage's name; others go on."""

    def __init__(self, step: Step) -> None:
        self.step = step

    def __enter__(self) -> None:
        return None

    def __exit__(self, kind: type[BaseException] | None, fault: BaseException | None, _trace: object) -> None:
        if fault is None or isinstance(fault, Held | KeyboardInterrupt | GeneratorExit):
            return
        words = fault.what if isinstance(fault, PlatemarkError) else f"{type(fault).__name__}: {fault}"
        raise Held(
            f"the stage {self.step.name} ({self.step.found.origin}) failed: {' '.join(words.split())}",
            remedy="see platemark.log; mend the stage or take it out of `stages`, then drop the scan in again",
        ) from fault
