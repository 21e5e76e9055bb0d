"""Hostile files among good scans: none stops the watcher, and none is printed as what it is not.

Some thirty of them; `bench/hostile.py` drops all.
"""

import os
from pathlib import Path

import pytest
from hostile import Hostile, hostile_files
from hostile_inbox import watch_over

# Two of each harm, and every fortieth of those whose heads lie.
_EACH, _LIES = 2, 40


def some(files: list[Hostile]) -> list[Hostile]:
    """A few of each kind of harm, from the middle of each, so that formats vary."""
    harms = dict.fromkeys(one.harm for one in files)
    chosen = []
    for n, harm in enumerate(harms):
        of_kind = [one for one in files if one.harm == harm]
        step = _LIES if harm == "lying header" else -(-len(of_kind) // _EACH)
        chosen += of_kind[n % step :: step]
    return chosen


@pytest.mark.skipif(os.name == "nt", reason="what is said on the terminal is caught as POSIX has it")
def test_f55_f56_f57_f59_f60_f62_f64_f66_f76_hostile_files_are_held_with_a_reason_and_good_scans_come_out_right(
    tmp_path: Path,
) -> None:
    files = some(list(hostile_files()))
    assert len({one.harm for one in files}) >= 10
    report = watch_over(tmp_path, files, ["plain.tif", "tiles.tif", "fine.jpg", "laced.png"])
    assert report.wrong == []
