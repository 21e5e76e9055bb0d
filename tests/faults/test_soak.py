"""A short soak: one scan of every kind, in every way of writing, while a person handles the folders.

`bench/soak.py` takes two thousand, and looks at memory and time as well.
"""

import os
from pathlib import Path

import pytest
from killing import watching
from person import Person
from soaking import BROKEN, Account, Arrival, arrivals, drop, wait_until, waiting

from conftest import Bench
from platemark.flow.verify import verify

pytestmark = pytest.mark.skipif(os.name == "nt", reason="a person on Windows cannot move a file that is being read")

SETTLE = 0.05
# The sheet is found on its bed, as always; the print is the smallest there is.
CONFIG = f"""\
stages = ["deskew", "crop", "resample", "border", "jpeg"]
[print.card]
sheet = "26 x 34 mm"
border = "1 mm"
ppi = 72
[watch]
settle = "{SETTLE * 1000:.0f} ms"
sweep = "1 s"
"""


def test_every_scan_of_a_burst_is_accounted_for_whatever_a_person_does_meanwhile(tmp_path: Path) -> None:
    studio = Bench(tmp_path / "studio", CONFIG).root
    account = Account()
    of_each_kind: dict[str, Arrival] = {}
    for arrival in arrivals(cycles=len(BROKEN)):
        of_each_kind.setdefault(arrival.kind, arrival)
    with watching(studio, "processes"):
        with Person(studio, rest=0.01) as person:
            for arrival in of_each_kind.values():
                account.enter(arrival)
                drop(arrival, studio / "scans", SETTLE)
            wait_until(lambda: waiting(studio) == 0)
        wait_until(lambda: waiting(studio) == 0)  # what she dropped again last
    assert person.troubles == []
    assert account.wrong(studio) == []
    assert verify(studio).findings == ()
