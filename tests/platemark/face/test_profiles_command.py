"""The shelf of profiles: explained, drawn, added to; what is broken is named and stops nothing."""

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image

from platemark.face.cli import main
from platemark.pixels.icc_writer import table_profile
from platemark.pixels.profiles import grey, oprgb, srgb


@pytest.fixture
def shelf(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("COLUMNS", "220")
    folder = tmp_path / "profiles"
    folder.mkdir()
    return folder


def typed(*words: object) -> tuple[int, str]:
    done = CliRunner().invoke(main, ["profiles", *map(str, words)], catch_exceptions=False)
    return done.exit_code, " ".join(done.output.split())


def of_class(data: bytes, kind: bytes) -> bytes:
    """ICC.1 clause 7.2.5: the class of the device is at byte 12."""
    return data[:12] + kind + data[16:]


def test_those_that_come_with_us_are_explained_without_a_studio(shelf: Path) -> None:
    shelf.rmdir()
    code, said = typed()
    assert code == 0
    for name in ("sRGB", "opRGB", "ROMM RGB", "Grey"):
        assert f"(built in) {name}" in said


def test_a_bad_profile_is_named_and_the_others_are_explained(shelf: Path) -> None:
    (shelf / "rag.icc").write_bytes(of_class(srgb().data, b"prtr"))
    (shelf / "torn.icc").write_bytes(srgb().data[:-700])
    (shelf / "notes.txt").write_text("not looked at")
    code, said = typed()
    assert code == 1
    assert "rag.icc sRGB (platemark) printer RGB 2.4" in said
    assert "torn.icc cannot be used" in said
    assert "notes" not in said


def test_a_name_in_brackets_is_shown_as_it_is(shelf: Path) -> None:
    (shelf / "rag [red].icc").write_bytes(srgb().data.replace(b"sRGB (platemark)", b"[bold]sRGB[/]   "))
    code, said = typed()
    assert (code, "rag [red].icc [bold]sRGB[/]" in said) == (0, True)


def test_a_gamut_is_drawn_for_each(shelf: Path, tmp_path: Path) -> None:
    (shelf / "mine.icm").write_bytes(oprgb().data)
    (shelf / "press.icc").write_bytes(reads_only(b"spac"))
    assert typed("--pictures", tmp_path / "drawn")[0] == 0
    names = {path.name for path in (tmp_path / "drawn").iterdir()}
    assert names == {"srgb.gamut.png", "oprgb.gamut.png", "romm-rgb.gamut.png", "mine.gamut.png", "press.gamut.png"}
    with Image.open(tmp_path / "drawn" / "press.gamut.png") as picture:
        assert len(picture.convert("RGB").getcolors(1 << 20)) > 1000, "the colours inside the outline"


def test_a_profile_is_added_byte_for_byte_and_the_line_for_the_config_is_told(shelf: Path, tmp_path: Path) -> None:
    data = of_class(srgb().data, b"scnr")
    (tmp_path / "mine.ICC").write_bytes(data)
    code, said = typed("add", tmp_path / "mine.ICC")
    assert code == 0
    assert 'profile = "profiles/mine.icc" in [scanner]' in said
    assert (shelf / "mine.icc").read_bytes() == data
    assert typed("add", tmp_path / "mine.ICC")[0] == 0, "the same once more does no harm"


def test_another_profile_of_that_name_is_left_alone(shelf: Path, tmp_path: Path) -> None:
    (shelf / "mine.icc").write_bytes(srgb().data)
    (tmp_path / "mine.icc").write_bytes(oprgb().data)
    code, said = typed("add", tmp_path / "mine.icc")
    assert (code, "is there already" in said) == (2, True)
    assert (shelf / "mine.icc").read_bytes() == srgb().data


def reads_only(kind: bytes) -> bytes:
    """A table from RGB to CIELAB and none back: corners of a made-up device."""
    corners = np.array([[[(0, 0, 0), (30, 40, -70)], [(60, -60, 50), (80, -40, -20)]],
                        [[(50, 60, 40), (55, 70, -40)], [(90, -5, 80), (100, 0, 0)]]], float)  # fmt: skip
    return table_profile("made up", kind, [np.linspace(0, 1, 16)] * 3, corners)


def refused() -> dict[str, tuple[bytes, str]]:
    return {
        "cut": (srgb().data[:-700], "damaged"),
        "no profile": (b"a letter" * 100, "damaged"),
        "device link": (of_class(srgb().data, b"link"), "class link"),
        "named colours": (of_class(grey().data, b"nmcl"), "class nmcl"),
        "a printer's that cannot print": (reads_only(b"prtr"), "no table into"),
    }


@pytest.mark.parametrize("what", refused())
def test_what_is_broken_or_of_the_wrong_class_is_refused_and_not_kept(shelf: Path, tmp_path: Path, what: str) -> None:
    data, says = refused()[what]
    (tmp_path / "new.icc").write_bytes(data)
    code, said = typed("add", tmp_path / "new.icc")
    assert code == 2
    assert says in said
    assert "new.icc" in said
    assert list(shelf.iterdir()) == []
