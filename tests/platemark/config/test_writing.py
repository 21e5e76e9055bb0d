"""A few lines are added to the config, and nothing of the artist's is lost."""

import tomllib

import pytest

from platemark.config.writing import with_table
from platemark.errors import PlatemarkError

ANSWERS = {"profiles": "honoured", "line": "99.5 mm"}
MINE = """\
# my prints
[print.card]   # small ones
sheet = "A6"

[printer]      # the one in the attic
colour = "file"
line = "100 mm"   # measured in May
# the end of it

[log]
level = "info"
"""


def test_a_table_that_is_not_there_is_put_at_the_end() -> None:
    before = '# mine\n[print.card]\nsheet = "A6"\n'
    assert with_table(before, "printer", ANSWERS) == (before + '\n[printer]\nprofiles = "honoured"\nline = "99.5 mm"\n')


def test_a_table_that_is_there_keeps_its_notes_and_its_other_lines() -> None:
    after = with_table(MINE, "printer", ANSWERS)
    assert after == MINE.replace('"100 mm"', '"99.5 mm"').replace(
        "# measured in May\n", '# measured in May\nprofiles = "honoured"\n'
    )


def test_answers_given_twice_stand_there_once() -> None:
    once = with_table(MINE, "printer", ANSWERS)
    assert with_table(once, "printer", ANSWERS) == once


def test_lines_end_as_they_did_and_a_mark_at_the_beginning_stays() -> None:
    after = with_table("\ufeff" + MINE.replace("\n", "\r\n"), "printer", ANSWERS)
    assert after.startswith("\ufeff# my prints\r\n")
    assert after.count("\n") == after.count("\r\n")
    assert tomllib.loads(after.removeprefix("\ufeff"))["printer"]["line"] == "99.5 mm"


@pytest.mark.parametrize(
    "written",
    [
        'printer = { colour = "file" }\n',
        'printer.colour = "file"\n[log]\nlevel = "info"\n',
        '[printer]\n"line" = "100 mm"\n',
        "[printer]\nline = 'x'\n",
        'note = """\n[printer]\n"""\n[log]\nlevel = "info"\n',
    ],
)
def test_what_cannot_be_added_to_without_harm_is_left_alone(written: str) -> None:
    tomllib.loads(written)
    with pytest.raises(PlatemarkError, match="nothing was changed") as refused:
        with_table(written, "printer", ANSWERS)
    assert 'line = "99.5 mm"' in str(refused.value)
