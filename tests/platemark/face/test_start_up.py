"""What a command costs before it does anything: only what it needs is loaded."""

import ast
import subprocess
import sys

import click
import pytest

from platemark.face.cli import main

HEAVY = {"numpy", "pyvips", "pydantic", "PIL", "structlog", "rich", "watchdog"}
LIST = """\
import sys
from platemark.face.cli import main
main({words!r}, standalone_mode=False)
print(sorted({heavy!r} & set(sys.modules)))
"""


@pytest.mark.parametrize("words", [["--help"], ["--version"]])
def test_the_list_of_commands_comes_without_the_libraries_for_pixels(words: list[str]) -> None:
    code = LIST.format(words=words, heavy=HEAVY)
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ast.literal_eval(done.stdout.splitlines()[-1]) == []


def test_importing_platemark_loads_nothing() -> None:
    code = f"import sys, platemark; print(sorted({HEAVY!r} & set(sys.modules)))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert ast.literal_eval(done.stdout) == []


def test_each_line_of_the_list_is_what_the_command_says_of_itself() -> None:
    context = click.Context(main)
    formatter = click.HelpFormatter(width=200)
    main.format_commands(context, formatter)
    told = dict(line.strip().split("  ", 1) for line in formatter.getvalue().splitlines()[1:])
    commands = {name: main.get_command(context, name) for name in main.list_commands(context)}
    assert {name: line.strip() for name, line in told.items()} == {
        name: command.get_short_help_str(200) for name, command in commands.items() if command
    }
    assert list(told) == list(commands)
