"""The reference of a chart: what its patches measure, from the text file of its maker (CGATS.17, ISO 28178)."""

import re
import shlex
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.resources import files
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from platemark.errors import PlatemarkError
from platemark.pixels.cielab import D50, lab_of_xyz

Numbers = NDArray[np.float64]

BUILT_IN = ("patches-24", "patches-24-2005")
# The largest charts have some 2000 patches with spectra: half a megabyte.
_LARGEST = 8_000_000
_MOST = 5000
_LETTERED = re.compile(r"([A-Z]{1,2})[ _-]?0*(\d{1,3})", re.IGNORECASE)


class ChartError(PlatemarkError):
    """The chart, its scan or its reference cannot serve, and why."""


@dataclass(frozen=True)
class Reference:
    """What the patches of a chart measure.

    Attributes:
        name: of the file or the chart.
        patches: their names, as in the file.
        lab: CIELAB, D50, 2 degrees; shape (patches, 3).
    """

    name: str
    patches: tuple[str, ...]
    lab: Numbers

    def layouts(self, grid: tuple[int, int] | None = None) -> list[NDArray[np.int64]]:
        """How the patches may lie on the chart, upright.

        Args:
            grid: rows and columns, where the names do not tell.

        Returns:
            Arrays (rows, columns) of indices into `patches`, -1 where there is none: more than one where makers differ
            (letters for rows or for columns), or where the names are mere numbers.
        """
        lettered = self._lettered()
        if lettered is not None and grid is None:
            return [lettered, lettered.T]
        count = len(self.patches)
        sizes = [grid, grid[::-1]] if grid else list(_grids_of(count))
        made = []
        for rows, columns in sizes:
            if rows * columns != count:
                raise ChartError(
                    f"{self.name} has {count} patches, which fill no grid of {rows} x {columns}",
                    remedy="give the rows and columns of the chart with --grid",
                )
            order = np.arange(count)
            made += [order.reshape(rows, columns), order.reshape(columns, rows)]
            made += [it.T for it in made[-2:]]
        return made

    def _lettered(self) -> NDArray[np.int64] | None:
        """Letters down, numbers across: A1, A2 ...; what is named otherwise (a grey strip) lies beside the grid."""
        found = {i: match for i, name in enumerate(self.patches) if (match := _LETTERED.fullmatch(name))}
        groups: dict[str, dict[int, int]] = {}
        for index, match in found.items():
            groups.setdefault(match[1].upper(), {})[int(match[2])] = index
        usual = max((len(columns) for columns in groups.values()), default=0)
        rows = {letters: columns for letters, columns in groups.items() if len(letters) == 1 or len(columns) == usual}
        if len(rows) < 2 or sum(map(len, rows.values())) < 0.8 * len(self.patches):
            return None
        first, last = (pick(n for columns in rows.values() for n in columns) for pick in (min, max))
        layout = np.full((len(rows), last - first + 1), -1)
        for row, letters in enumerate(sorted(rows, key=lambda it: (len(it), it))):
            for number, index in rows[letters].items():
                layout[row, number - first] = index
        return layout


def _grids_of(count: int) -> Iterator[tuple[int, int]]:
    """Rows and columns that make `count`; charts are at most three times as wide as high, and not one strip."""
    for rows in range(2, int(count**0.5) + 1):
        if count % rows == 0 and count // rows <= 3 * rows:
            yield rows, count // rows


def load_reference(named: str) -> Reference:
    """Read a reference file, or one that comes with us.

    Args:
        named: `patches-24` (the chart of 24 patches, made since November 2014), `patches-24-2005` (made before),
            or a file.

    Raises:
        ChartError: it cannot be read, is no such file, or says that it was not measured for D50.
    """
    if named in BUILT_IN:
        text = (files("platemark.characterise") / f"{named}.txt").read_text(encoding="ascii")
        return read_reference(text, named)
    path = Path(named)
    try:
        if path.stat().st_size > _LARGEST:
            raise ChartError(f"{path} is too large for a chart's reference", remedy="name the text file of the chart")
        text = path.read_bytes().decode("utf-8-sig", errors="replace")
    except OSError as fault:
        raise ChartError(
            f"the reference {path} cannot be read ({fault.strerror})",
            remedy=f"name the text file that came with the chart, or {' or '.join(BUILT_IN)}",
        ) from fault
    return read_reference(text, path.name)


def read_reference(text: str, name: str) -> Reference:
    """Read the text of a reference file.

    Raises:
        ChartError: as `load_reference`.

    Source:
        ANSI CGATS.17-2009, ISO 28178:2009: keywords, BEGIN_DATA_FORMAT, BEGIN_DATA; names of the fields.
    """
    _check_light(text, name)
    for fields, values in _tables(text, name):
        columns = {field.upper(): i for i, field in enumerate(fields)}
        lab = _lab_of(columns, values, name)
        names = next((columns[key] for key in ("SAMPLE_ID", "SAMPLEID", "SAMPLE_NAME", "SAMPLE_LOC") if key in columns),
                     None)  # fmt: skip
        if lab is not None and names is not None:
            patches = tuple(row[names] for row in values)
            if len(set(patches)) < len(patches):
                raise ChartError(f"{name} names a patch twice", remedy="get the reference again from the chart's maker")
            return Reference(name, patches, lab)
    raise ChartError(
        f"{name} is no reference of a chart: it has no patches with LAB_L, LAB_A, LAB_B or XYZ_X, XYZ_Y, XYZ_Z",
        remedy="name the text file (CGATS, ISO 28178) that came with the chart",
    )


def _check_light(text: str, name: str) -> None:
    """Only what the file says of itself counts; silence means D50, as in ISO 12641."""
    head = text[: text.find("BEGIN_DATA_FORMAT")] if "BEGIN_DATA_FORMAT" in text else text[:4000]
    other = re.search(r"ILLUM\w*[^\n]*\b(D65|D55|A|C|F\d+)\b", head, re.IGNORECASE)
    if other and "D50" not in other[0].upper():
        raise ChartError(
            f"{name} was measured for the light {other[1]}, and profiles are made for D50",
            remedy="get the reference for D50 from the chart's maker",
        )


def _tables(text: str, name: str) -> Iterator[tuple[list[str], list[list[str]]]]:
    """Each table of the file: the names of its fields, and its rows; a row may run over several lines."""
    form = re.compile(
        r"^BEGIN_DATA_FORMAT\b(.*?)^END_DATA_FORMAT\b.*?^BEGIN_DATA\b(.*?)^END_DATA\b", re.DOTALL | re.MULTILINE
    )
    for fields_text, data in form.findall(text.replace("\r\n", "\n").replace("\r", "\n")):
        fields, words = _words(fields_text, name), _words(data, name)
        width = len(fields)
        if not width or not words or len(words) % width or len(words) // width > _MOST:
            raise ChartError(
                f"{name} is damaged: its {len(words)} values make no whole rows of {width} fields",
                remedy="get the reference again from the chart's maker",
            )
        yield fields, [words[at : at + width] for at in range(0, len(words), width)]


def _words(text: str, name: str) -> list[str]:
    lexer = shlex.shlex(text, posix=True, punctuation_chars=False)
    lexer.whitespace_split, lexer.commenters, lexer.quotes, lexer.escape = True, "#", '"', ""
    try:
        return list(lexer)
    except ValueError as fault:
        raise ChartError(f"{name} is damaged: a quotation mark is missing", remedy="get the reference again") from fault


def _lab_of(columns: dict[str, int], rows: list[list[str]], name: str) -> Numbers | None:
    for keys in (("LAB_L", "LAB_A", "LAB_B"), ("XYZ_X", "XYZ_Y", "XYZ_Z")):
        if all(key in columns for key in keys):
            try:
                values = np.array([[float(row[columns[key]].replace(",", ".")) for key in keys] for row in rows])
            except ValueError as fault:
                raise ChartError(f"{name} has a value that is no number", remedy="get the reference again") from fault
            lab = values if keys[0] == "LAB_L" else lab_of_xyz(values / (100 * D50))
            if not np.isfinite(lab).all() or (lab[:, 0] < -1).any() or (lab[:, 0] > 120).any():
                raise ChartError(f"{name} has colours that cannot be", remedy="get the reference again")
            return lab
    return None
