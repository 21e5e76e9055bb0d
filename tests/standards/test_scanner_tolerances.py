"""The published tolerances for digitising, as the report of a scanner quotes them."""

import csv
from pathlib import Path

from platemark.characterise.fitting import Spread
from platemark.characterise.tolerances import TOLERANCES, standing

TABLE = Path(__file__).parents[1] / "data" / "reference" / "imaging_tolerances.csv"
FIGURES = {"mean_de2000": "mean", "mean_de": "mean", "p90_de2000": "p90", "max_de": "largest"}


def test_every_limit_is_that_of_the_table() -> None:
    with TABLE.open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    published = {
        (row["scheme"], row["level"], FIGURES[row["parameter"]], float(row["value"]), row["op"], row["basis"])
        for row in rows
    }
    ours = {
        (it.scheme, it.level, it.figure, it.limit, "<" if it.strict else "<=",
         "published" if it.published else "secondary")
        for it in TOLERANCES
    }  # fmt: skip
    assert ours <= published


def test_the_best_level_that_is_kept_is_told() -> None:
    said = standing(Spread(mean=3.0, p90=6.0, p95=8.0, largest=12.0))
    assert said == [
        "FADGI 2016, mean: level 3-star (below 4)",
        "FADGI 2023, after a public table, 90th percentile: level 3-star (below 7)",
        "ISO 19264-1:2021, after a public table, mean: level A (at most 4)",
        "ISO 19264-1:2021, after a public table, largest: level B (at most 15)",
    ]


def test_a_limit_that_is_reached_is_kept_only_where_it_says_at_most() -> None:
    said = standing(Spread(mean=4.0, p90=13.0, p95=14.0, largest=16.0))
    assert said[0] == "FADGI 2016, mean: level 2-star (below 6)"
    assert said[1].endswith("no level (below 13)")
    assert said[2].endswith("mean: level A (at most 4)")
    assert said[3].endswith("no level (at most 15)")
