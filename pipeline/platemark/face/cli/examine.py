"""The command that looks whether all is well: doctor."""

import json
from dataclasses import asdict
from pathlib import Path

import click

from platemark.face.cli.options import config_option
from platemark.face.log import printable
from platemark.machine.doctor.check import Check
from platemark.machine.doctor.examining import examine

_MARKS = {"good": "good", "note": "note", "bad": "BAD "}


@click.command("doctor")
@click.option("--json", "as_json", is_flag=True, help="Write the checks as JSON.")
@config_option
def doctor_command(config: Path, *, as_json: bool) -> None:
    """Say whether all is well around a studio.

    Libraries, config, folders, free space, file events, profiles, clock; and what to do about each.
    """
    checks = []
    for check in examine(config):
        checks.append(check)
        if not as_json:
            _tell(check)
    bad = sum(check.state == "bad" for check in checks)
    if as_json:
        click.echo(json.dumps([asdict(check) for check in checks], indent=2))
    else:
        click.echo(f"{len(checks)} checks, {bad or 'nothing'} to be put right")
    raise SystemExit(1 if bad else 0)


def _tell(check: Check) -> None:
    click.echo(printable(f"{_MARKS[check.state]}  {check.name}: {check.sentence}"))
    if check.remedy:
        click.echo(printable(f"      {check.remedy}"))
