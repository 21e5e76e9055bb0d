"""Recording: the manifest of what a chain made."""

import functools
import hashlib
import importlib.metadata
import os
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from pydantic import ValidationError

from platemark.contract.job import Job
from platemark.contract.plugins import FoundStage
from platemark.errors import Held
from platemark.flow.chain import Applied, Made
from platemark.flow.intake import Opening
from platemark.flow.placing import Place
from platemark.flow.studio import Studio
from platemark.records.libraries import library_versions
from platemark.records.making import this_engine
from platemark.records.manifest import FORMAT, Manifest, Output, ProfileUsed, Source, Transform, first_problem
from platemark.records.store import Kept


def manifest_for(
    studio: Studio, place: Place, openings: Sequence[Opening], kept: Kept, job: Job, made: Made, item: int = 0
) -> Manifest:
    """Tell everything that the export was made from, by and into.

    Raises:
        Held: a stage gave something that cannot be written down, such as a number that is none.
    """
    try:
        return _manifest(studio, place, openings, kept, job, made, item)
    except ValidationError as fault:
        raise Held(
            f"the manifest cannot hold what a stage gave: {first_problem(fault)}",
            remedy="mend that stage or take it out of `stages`, then drop the scan in again",
        ) from fault


def _manifest(
    studio: Studio, place: Place, openings: Sequence[Opening], kept: Kept, job: Job, made: Made, item: int
) -> Manifest:
    spec = studio.config.print[job.print_name]
    return Manifest(
        format=FORMAT,
        recipe=place.recipe,
        sources=[
            _source(opening, scan, place.folder, item)
            for opening, scan in zip(openings, [kept, *kept.others], strict=True)
        ],
        print={"name": job.print_name, **spec.model_dump(mode="json", exclude={"stage_settings", "stages"})},
        work={key: value for key, value in vars(job.work).items() if value and key != "sha256"},
        transforms=[_transform(applied) for applied in made.applied],
        profiles=_profiles(openings[0], job),
        libraries=library_versions(),
        noticed={f"{notice.stage or 'intake'}.{notice.name}": notice.value for notice in job.notices},
        warnings=[notice.warning for notice in job.notices if notice.warning],
        output=_output(place, made),
        made={
            "when": datetime.now(UTC).isoformat(timespec="seconds"),
            "platemark": _own_version(),
            **this_engine().making.told(),
        },
    )


@functools.cache
def _own_version() -> str:
    """Looked up once a process."""
    return importlib.metadata.version("platemark")


def _source(opening: Opening, kept: Kept, ready: Path, item: int) -> Source:
    return Source(
        name=kept.stem,
        name_bytes=kept.name_bytes or None,
        sha256=kept.sha256,
        size=kept.size,
        archived=_readable(_relative(kept.path, ready)),
        item=item,
        page=opening.page,
        orientation=opening.orientation,
        ppi=opening.ppi,
        ppi_from=opening.ppi_from,
        profile=opening.profile.sha256,
        profile_from=opening.profile_from,
        alpha=opening.alpha,
        width=opening.width,
        height=opening.height,
        bits=opening.bits,
    )


def _relative(path: Path, folder: Path) -> str:
    """From `ready/` to the original, so that the whole studio can be moved."""
    try:
        return Path(os.path.relpath(path, folder)).as_posix()
    except ValueError:  # on another drive of Windows
        return path.as_posix()


def _readable(words: str) -> str:
    """What is not UTF-8 in a name or a profile no TOML can hold; the original is found by its content then."""
    return words.encode("utf-8", "backslashreplace").decode()


def _transform(applied: Applied) -> Transform:
    found: FoundStage = applied.step.found
    return Transform(
        stage=found.kind.name,
        version=found.kind.version,
        distribution=found.distribution,
        distribution_version=found.distribution_version,
        code_sha256=found.code_sha256,
        source_archived=found.source is not None,
        settings=without_nothing(applied.step.settings.model_dump(mode="json")),
        parameters=without_nothing(applied.parameters.model_dump(mode="json")),
        size_in=list(applied.size_in),
        size_out=list(applied.size_out),
    )


def without_nothing(table: dict[str, Any]) -> dict[str, Any]:
    """TOML has no word for nothing, so what is None is left out."""
    return {
        key: without_nothing(value) if isinstance(value, dict) else value
        for key, value in table.items()
        if value is not None
    }


def _profiles(opening: Opening, job: Job) -> list[ProfileUsed]:
    used = {"scan": opening.profile, "paper": job.paper.profile}
    return [
        ProfileUsed(role=role, description=_readable(profile.description), sha256=profile.sha256)
        for role, profile in used.items()
        if profile
    ]


def _output(place: Place, made: Made) -> Output:
    width, height = made.picture.size
    return Output(
        file=place.export(made.suffix).name,
        sha256=hashlib.sha256(made.data).hexdigest(),
        bytes=len(made.data),
        width=width,
        height=height,
        ppi=round(made.picture.ppi, 4),
        encoding=dict(made.encoding),
        companions={
            f"{place.name}.{ending}": hashlib.sha256(data).hexdigest() for ending, data in made.companions.items()
        },
    )
