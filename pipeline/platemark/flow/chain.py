"""A chain: the stages of one print, each measured and applied in turn.

Leading stages that look at the scan alone are measured once and serve all prints of the scan.
"""

import contextlib
import json
import math
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

import pyvips
import structlog
from pydantic import ValidationError

from platemark.config.problems import Page, problem_from
from platemark.contract.gathering import Gathering
from platemark.contract.job import Job, Notice
from platemark.contract.plugins import FoundStage
from platemark.contract.stage import Encoder, Parameters, Settings, Stage
from platemark.errors import Held, PlatemarkError, PluginError
from platemark.flow.converter import check_converted_once
from platemark.flow.reasons import MORE_MEMORY
from platemark.pixels.picture import Picture
from platemark.pixels.profiles import Profile
from platemark.records.failpoint import reach

log = structlog.get_logger("platemark")

_ENDING = re.compile(r"[a-z0-9_-]+(\.[a-z0-9_-]+)+")


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
    """What a chain made; `profile` is that of the file's pixels."""

    data: bytes
    suffix: str
    picture: Picture
    profile: Profile
    applied: tuple[Applied, ...]
    companions: dict[str, bytes]
    encoding: dict[str, str | int | float]


Making = tuple[Step, Future[Mapping[str, bytes]]]
"""The further files of a step, which are being made."""

Shared = dict[str, tuple[Parameters, list[Notice]]]


def check_chain(steps: Sequence[Step], where: str) -> None:
    """Make sure that a chain ends in its one encoder.

    Raises:
        PluginError: it does not.
    """
    gathering = next((step.name for step in steps if issubclass(step.found.kind, Gathering)), "")
    if gathering:
        raise PluginError(
            f"{where}: {gathering} makes one picture of several scans before the stages begin, and is none of them",
            remedy=f"take {gathering} out of `stages`; it works by itself, by the names of the files",
        )
    encoders = [step.name for step in steps if issubclass(step.found.kind, Encoder)]
    if len(encoders) != 1 or steps[-1].name != encoders[0]:
        raise PluginError(
            f"{where}: of the stages {', '.join(step.name for step in steps)} the last one, and only that one, "
            "must write the file",
            remedy="put a stage that writes files at the end; `platemark stages` tells which do",
        )


def run_chain(
    picture: Picture,
    steps: Sequence[Step],
    job: Job,
    shared: Shared,
    progress: Callable[[str], None] = lambda _stage: None,
    seen: Callable[[str, Picture], None] = lambda _stage, _after: None,
) -> Made:
    """Measure and apply each step in turn; the last one writes the file. Further files are made beside that.

    Args:
        picture: the scan.
        steps: the chain, an encoder last.
        job: the print that is made.
        shared: measurements of leading stages, kept between the prints of one scan.
        progress: told the name of each stage as it starts.
        seen: shown what came out of each stage.

    Raises:
        Held: a stage wants a person to decide, or failed; names the stage.
    """
    applied: list[Applied] = []
    making: list[Making] = []
    leading = ""
    with ThreadPoolExecutor(1) as beside:
        for step in steps:
            progress(step.name)
            reach(f"stage.{step.name}")
            job.stage = step.name
            leading = "" if step.found.kind.per_print or (applied and not leading) else f"{leading}/{step.key()}"
            with _stage_of(step, job):
                stage = step.found.kind()
                parameters = _measured(stage, picture, step, job, shared, leading)
                after = stage.apply(picture, parameters)
                check_is_picture(after)
                making.append((step, beside.submit(stage.companions, picture, after, parameters)))
                check_pixels(picture, after)
                check_converted_once(picture, after)
            applied.append(Applied(step, parameters, picture.size, after.size))
            picture = after
            seen(step.name, after)
        with _stage_of(steps[-1], job):
            made = _encoded(stage, picture, applied)
        return replace(made, companions=_made_beside(making, job))


def checked_apply(stage: Stage[Any, Any], picture: Picture, parameters: Parameters) -> Picture:
    """Apply, and hold the stage to its contract.

    Raises:
        PluginError: what it gave back is no picture, or one without profile, resolution or 16 bits.
    """
    after = stage.apply(picture, parameters)
    check_is_picture(after)
    check_pixels(picture, after)
    return after


def check_is_picture(after: object) -> None:
    """Hold what a stage gave back to be a picture.

    Raises:
        PluginError: it is none, or one without profile or resolution.
    """
    if not isinstance(after, Picture):
        raise PluginError(f"it gave back {type(after).__name__}, not a Picture")
    if not isinstance(after.profile, Profile):
        raise PluginError("it dropped the colour profile")
    if not 0 < after.ppi < math.inf:
        raise PluginError(f"it gave back a resolution of {after.ppi} ppi")


def check_pixels(picture: Picture, after: Picture) -> None:
    """Make the pixels now, so that a fault in them is this stage's, not the next one's.

    Raises:
        PluginError: they have not 16 bits, or other channels than their profile.
    """
    if after.open is not picture.open:
        image = after.open()
        if (image.format, image.bands) != ("ushort", after.profile.bands):
            raise PluginError(
                f"it gave back {image.bands} channels of {image.format}, not {after.profile.bands} of 16 bits"
            )


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
    """Measure; what the artist wrote in the ticket stands above what was measured.

    What she misspelt is told before anything is measured: it may be held for another reason.
    """
    model, given = stage.parameters_model, step.correction
    measured: dict[str, Any] = {}
    if not given or given.keys() < model.model_fields.keys():
        parameters: Parameters = stage.measure(picture, step.settings, job)
        if not isinstance(parameters, model):
            raise PluginError(f"it measured {type(parameters).__name__}, not {model.__name__}")
        if not given:
            return parameters
        measured = parameters.model_dump()
    try:
        return model.model_validate({**measured, **given})
    except ValidationError as fault:
        raise unusable(fault, step, model) from fault


def unusable(fault: ValidationError, step: Step, model: type[Parameters]) -> Held:
    """What is wrong with a correction; keys that are not there are no fault of hers."""
    page, at = Page("its ticket", {"corrections": {step.name: dict(step.correction)}}), ("corrections", step.name)
    problems = [problem_from(error, page, model, at) for error in fault.errors() if error["type"] != "missing"]
    reason = " ".join(problem.sentence() for problem in problems)
    return Held(reason.removesuffix("."), remedy="put the ticket right, then drop both in again")


def _made_beside(making: Sequence[Making], job: Job) -> dict[str, bytes]:
    """Further files of all stages: none may take the place of the export, its manifest or another stage's file."""
    companions: dict[str, bytes] = {}
    for step, files in making:
        job.stage = step.name
        with _stage_of(step, job):
            for ending, data in files.result().items():
                if not (isinstance(ending, str) and _ENDING.fullmatch(ending) and isinstance(data, bytes)):
                    raise PluginError(
                        f"it made a further file {ending!r}, which is not bytes under a name such as proof.jpg"
                    )
                if ending in companions:
                    raise PluginError(f"it made a further file {ending}, as a stage before it did")
                companions[ending] = data
    return companions


def _encoded(stage: Stage[Any, Any], picture: Picture, applied: list[Applied]) -> Made:
    if not isinstance(stage, Encoder):
        raise PluginError("it is the last of its chain and does not write a file")
    parameters = applied[-1].parameters
    data = stage.encode(picture, parameters)
    if not (isinstance(data, bytes) and data):
        raise PluginError(f"it made no file but {data!r:.60}")
    profile = stage.embedded(picture, parameters)
    return Made(data, stage.suffix, picture, profile, tuple(applied), {}, stage.about(parameters))


def _stage_of(step: Step, job: Job) -> contextlib.AbstractContextManager[None]:
    return stage_named(
        step,
        remedy="see platemark.log; mend the stage or take it out of `stages`, then drop the scan in again",
        scan=job.work.name,
        print=job.print_name,
    )


@contextlib.contextmanager
def stage_named(step: Step, *, remedy: str, **facts: str) -> Iterator[None]:
    """Whatever a stage raises holds this scan, with the stage's name; others go on.

    Args:
        step: the stage.
        remedy: what to do when it failed.
        facts: for the log.

    Raises:
        Held: it asks for a decision, or failed.
    """
    facts |= {"stage": step.name, "origin": step.found.origin}
    try:
        yield
    except Held as held:
        log.info("a stage asks for a decision", **facts, reason=held.reason)
        raise
    except KeyboardInterrupt:
        raise
    except BaseException as fault:
        log.exception("a stage failed", **facts)
        if _is_out_of_memory(fault):
            raise Held(
                f"the stage {step.name} ({step.found.origin}) needs more memory than it was given", remedy=MORE_MEMORY
            ) from fault
        raise Held(f"the stage {step.name} ({step.found.origin}) failed: {_words(fault)}", remedy=remedy) from fault


def _is_out_of_memory(fault: BaseException) -> bool:
    return isinstance(fault, MemoryError) or (isinstance(fault, pyvips.Error) and "out of memory" in str(fault))


def _words(fault: BaseException) -> str:
    if isinstance(fault, ValidationError):
        return "; ".join(f"{'.'.join(map(str, error['loc']))}: {error['msg']}" for error in fault.errors())
    words = fault.what if isinstance(fault, PlatemarkError) else f"{type(fault).__name__}: {fault}"
    return " ".join(words.split())
