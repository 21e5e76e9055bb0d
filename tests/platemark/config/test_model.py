"""The config and the tickets: what they mean, and what is said when they cannot be meant."""

import contextlib
import pickle
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
import tomli_w
from hypothesis import given, settings
from hypothesis import strategies as st
from pydantic import BaseModel, ConfigDict, Field

from platemark.config.model import Config, PrintSpec
from platemark.config.reading import load_config, load_ticket, read_stages_dir, settings_for
from platemark.config.ticket import Ticket
from platemark.config.units import FileSize
from platemark.errors import ConfigError, Held, Problem, StoreError

ROOT = Path(__file__).parents[3]


class Plain(BaseModel):
    model_config = ConfigDict(extra="forbid")


class BorderSettings(Plain):
    tint: str = "#ffffff"


class JpegSettings(Plain):
    max_size: FileSize = Field(8_000_000, gt=0)
    quality: int = Field(90, ge=1, le=100, description="JPEG quality, 1 to 100.")


STAGES: dict[str, type[BaseModel]] = {
    **dict.fromkeys(("deskew", "crop", "resample", "proof", "sharpen"), Plain),
    "border": BorderSettings,
    "jpeg": JpegSettings,
}
A4 = '[print.a4]\nsheet = "A4"\n'

Write = Callable[..., Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def written(text: str, name: str = "platemark.toml") -> Path:
        path = tmp_path / name
        path.write_text(text, encoding="utf-8")
        return path

    return written


def refused(path: Path) -> list[str]:
    """Load a config that is wrong, and give the sentences about it."""
    with pytest.raises(ConfigError) as fault:
        load_config(path, STAGES)
    return str(fault.value).splitlines()


def test_the_example_loads_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "platemark.toml"
    path.write_bytes((ROOT / "config.example.toml").read_bytes())
    config = load_config(path, STAGES)
    assert list(config.print) == ["a4-matte", "a5-card", "postcard"]
    assert config.folders.scans == tmp_path / "scans"
    assert settings_for(config, "a4-matte", "jpeg", JpegSettings).max_size == 4_000_000
    assert settings_for(config, "a5-card", "jpeg", JpegSettings).max_size == 8_000_000


def test_what_is_not_written_has_its_default(write: Write, tmp_path: Path) -> None:
    config = load_config(write(A4), STAGES)
    assert config.chain("a4") == ["deskew", "crop", "resample", "proof", "sharpen", "border", "jpeg"]
    assert config.print["a4"].border.mm == (12, 12, 12, 12)
    assert config.folders.originals == tmp_path / "originals"
    assert config.log.file == tmp_path / "platemark.log"


def test_the_sides_of_a_border_stand_in_for_what_is_not_named(write: Write) -> None:
    config = load_config(write(A4 + 'border = { sides = "10 mm", bottom = "2 cm" }'), STAGES)
    assert config.print["a4"].border.mm == (10, 10, 10, 20)


def test_a_print_may_have_a_chain_of_its_own(write: Write) -> None:
    config = load_config(write(A4 + 'stages = ["crop", "jpeg"]'), STAGES)
    assert config.chain("a4") == ["crop", "jpeg"]


def test_settings_of_a_print_overrule_those_for_all_prints(write: Write) -> None:
    config = load_config(write(A4 + "jpeg = { quality = 80 }\n[stage.jpeg]\nquality = 95\nmax_size = '1 MB'"), STAGES)
    assert settings_for(config, "a4", "jpeg", JpegSettings) == JpegSettings(max_size="1 MB", quality=80)


def test_the_border_table_holds_geometry_and_settings_of_the_border_stage(write: Write) -> None:
    config = load_config(write(A4 + 'border = { sides = "9 mm", tint = "#fdfcf8" }'), STAGES)
    assert config.print["a4"].border.mm.left == 9
    assert settings_for(config, "a4", "border", BorderSettings).tint == "#fdfcf8"


def test_a_print_survives_being_written_to_a_manifest() -> None:
    table = {
        "sheet": "5 x 7 in",
        "border": {"sides": "0.5 in", "tint": "#fdfcf8"},
        "fill_limit": "7.5 %",
        "on": "A4 landscape",
        "jpeg": {"max_size": "4 MB"},
    }
    spec = PrintSpec.model_validate(table)
    dumped = tomli_w.dumps(spec.model_dump())
    assert PrintSpec.model_validate(tomllib.loads(dumped)) == spec
    assert tomllib.loads(dumped)["border"] == {"sides": "12.7 mm", "tint": "#fdfcf8"}
    assert tomllib.loads(dumped)["jpeg"] == {"max_size": "4 MB"}


def test_a_profile_is_found_beside_the_config_and_written_without_its_folder(write: Write, tmp_path: Path) -> None:
    (tmp_path / "rag.icc").touch()
    paper = load_config(write(A4 + '[paper.rag]\nprofile = "rag.icc"'), STAGES).paper["rag"]
    assert paper.profile == tmp_path / "rag.icc"
    assert paper.model_dump()["profile"] == "rag.icc"


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (A4 + "ppi = 36", "[print.a4], ppi = 36: below 72, the least that is allowed. For this printer write 360."),
        (A4 + "ppi = 360.5", "[print.a4], ppi = 360.5: not a whole number; write it without"),
        (
            A4 + "border = 12",
            '[print.a4], border = 12: a length needs its unit (mm, cm, in, inch); write it like "12 mm".',
        ),
        (A4 + "border.left = '3 pt'", '[print.a4.border], left = "3 pt": "pt" is no unit for a length'),
        (A4 + "border.botom = '3 mm'", '[print.a4.border], botom = "3 mm": unknown here; the nearest is "bottom".'),
        (A4 + "bordr = '3 mm'", '[print.a4], bordr = "3 mm": unknown here; the nearest is "border".'),
        (A4 + "border = '200 mm'", "[print.a4]: the borders leave no room for a picture"),
        (A4 + "fill_limit = 0.05", '[print.a4], fill_limit = 0.05: a share needs its unit (%); write it like "5 %".'),
        (A4 + "fit = 'fil'", '[print.a4], fit = "fil": not one of the choices; write "inside" or "fill".'),
        (A4 + "on = 'A5'", '[print.a4]: on = "A5" is not larger than the sheet, "A4"'),
        (A4 + "on = 'A4'", '[print.a4]: on = "A4" is not larger than the sheet'),
        (A4 + "bleed = '3 mm'", '[print.a4]: bleed = "3 mm" runs the picture past the edge'),
        (A4 + "border = 0\nbleed = '1 mm'\non = '211 x 299 mm'", 'not larger than the sheet, "A4" with its bleed'),
        (
            A4 + "paper = 'rag'\n[paper.rags]",
            '[print.a4], paper = "rag": no paper is called "rag"; the nearest is "rags".',
        ),
        (A4 + "paper = 'rag'", '[print.a4], paper = "rag": no paper is called "rag"; there is none yet.'),
        (A4 + "stages = ['jpg']", '[print.a4], stages = ["jpg"]: no stage is called "jpg"; the nearest is "jpeg".'),
        (A4 + "stages = []", "[print.a4], stages = []: too short a list"),
        (A4 + "[print.a4.jpg]", '[print.a4.jpg]: no stage is called "jpg"; the nearest is "jpeg".'),
        (A4 + "jpeg.qualty = 9", '[print.a4.jpeg], qualty = 9: unknown here; the nearest is "quality".'),
        (A4 + "jpeg.quality = 0", "[print.a4.jpeg], quality = 0: below 1, the least that is allowed. JPEG quality"),
        (A4 + "[stage.jpeg]\nmax_size = 4", "[stage.jpeg], max_size = 4: a file size needs its unit"),
        (A4 + "[stage.crp]", '[stage.crp]: no stage is called "crp"; the nearest is "crop".'),
        ("stages = ['crop', 'jpg']\n" + A4, 'platemark.toml, stages = ["crop", "jpg"]: no stage is called "jpg"'),
        ("[print.a4.x]\nsheet = 'A4'", "[print.a4], sheet: this line is missing and has no default; add it."),
        ("[print.a4.x]\nsheet = 'A4'", "the NAME itself has no dot."),
        ("[print.'A4 Matte']\nsheet = 'A4'", '[print."A4 Matte"]: this name becomes part of file names'),
        ("[print.'A4 Matte']\nsheet = 'A4'", 'write "a4-matte".'),
        ("[print.a4]\nsheet = '5x7'", '[print.a4], sheet = "5x7": a sheet size needs its unit (mm, cm, in)'),
        ("[print.a4]\nsheet = 'A4 landscape'\norientation = 'portrait'", "sheet says landscape and orientation says"),
        (A4 + "[paper.rag]\nprofile = 'rag.icc'", '[paper.rag], profile = "rag.icc": there is no file'),
        (A4 + "[paper.rag]\nblack_point = 1", "[paper.rag], black_point = 1: neither true nor false"),
        (A4 + "[scanner]\nppi = '300'", '[scanner], ppi = "300": not a whole number; write it without quotes'),
        (A4 + "[scanner]\nstages_dir = 'mine'", "it belongs at the top of the file, above the first [table]."),
        ("stages_dir = 'mine'\n" + A4, 'platemark.toml, stages_dir = "mine": there is no folder'),
        (A4 + "[watch]\nsettle = 2", "[watch], settle = 2: a duration needs its unit (s, ms, min, h)"),
        (A4 + "[watch]\nsweep = 0", "[watch], sweep = 0: this must be more than 0."),
        (A4 + "[folders]\nready = 'scans/out'", "[folders]: ready ("),
        (A4 + "[folder]", '[folder]: unknown here; the nearest is "folders".'),
        (A4 + "[colour]", "[colour]: unknown here; known are artist, folders"),
        ("paper = 3\n" + A4, "platemark.toml, paper = 3: not a table"),
        ("", "platemark.toml: no print is described; add a table [print.a4]"),
    ],
)
def test_what_cannot_be_meant_is_told_with_file_table_key_and_remedy(write: Write, text: str, sentence: str) -> None:
    told = refused(write(text))
    assert any(sentence in line for line in told), told
    assert all(line.startswith("platemark.toml") and line.endswith(".") for line in told)


@pytest.mark.parametrize(
    ("text", "sentence"),
    [
        (
            "[print.a4]\nborder = 12 mm",
            'line 2, border = 12 mm: a value with a unit stands in double quotes, such as "12 mm".',
        ),
        ("[print.a4]\nsheet = A4", "line 2, sheet = A4: a text stands in double quotes"),
        ("[print.a4]\nsheet 'A4'", "line 2, sheet 'A4': every line is key = value, or a [table]."),
        (
            "[print.a4]\nsheet = 'A4'\nsheet = 'A5'",
            "line 3, sheet = 'A5': this key stands in its table twice; keep one.",
        ),
        (A4 + A4, "line 3, [print.a4]: this table stands in the file twice; bring its lines together."),
        ("[print.a4", "line 1, [print.a4: a closing bracket is missing."),
        ('stages_dir = "C:\\mine"', 'line 1, stages_dir = "C:\\mine": write a path with /, or in single quotes'),
    ],
)
def test_a_slip_in_the_toml_is_told_with_its_line(write: Write, text: str, sentence: str) -> None:
    (told,) = refused(write(text))
    assert told.startswith(f"platemark.toml, {sentence}")


def test_all_problems_are_told_at_once_and_none_twice(write: Write) -> None:
    prints = "[print.a]\nsheet = 'A4'\nppi = 1\n[print.b]\nsheet = 'A5'\npaper = 'rag'\n"
    told = refused(write(prints + "[stage.jpeg]\nquality = 0\nqualty = 3"))
    assert len(told) == 4


def test_a_file_with_a_byte_order_mark_is_read(write: Write) -> None:
    assert "a4" in load_config(write("\ufeff" + A4), STAGES).print


def test_a_file_that_is_no_text_or_not_there_is_told(tmp_path: Path) -> None:
    (tmp_path / "platemark.toml").write_bytes(b"\xff\xfe[")
    assert refused(tmp_path / "platemark.toml") == [
        "platemark.toml: not a text in UTF-8; save it again with that encoding."
    ]
    (tmp_path / "platemark.toml").unlink()
    assert "cannot be opened (No such file or directory)" in refused(tmp_path / "platemark.toml")[0]


def test_a_ticket_says_what_the_artist_knows(write: Write) -> None:
    path = write('title = "Heron"\nyear = 2024\nprints = ["a4"]\n[corrections.crop]\nleft = 3', "heron.toml")
    ticket = load_ticket(path, ["a4", "a5"], STAGES)
    assert (ticket.title, ticket.year, ticket.prints) == ("Heron", 2024, ["a4"])
    assert ticket.corrections == {"crop": {"left": 3}}


def test_every_problem_of_a_ticket_is_told(write: Write) -> None:
    path = write('titel = "Heron"\nprints = ["a44"]\nppi = 3\n[corrections.crp]\nleft = 3', "heron.toml")
    with pytest.raises(ConfigError) as fault:
        load_ticket(path, ["a4", "a5"], STAGES)
    told = str(fault.value)
    assert 'heron.toml, titel = "Heron": unknown here; the nearest is "title".' in told
    assert 'heron.toml, prints = ["a44"]: no print is called "a44"; the nearest is "a4".' in told
    assert "heron.toml, ppi = 3: below 50, the least that is allowed. Write the resolution of this scan." in told
    assert 'heron.toml, [corrections.crp]: no stage is called "crp"; the nearest is "crop".' in told


def test_the_folder_of_own_stages_is_known_before_the_stages_are(write: Write, tmp_path: Path) -> None:
    assert read_stages_dir(write("stages_dir = 'mine'\n[print.a4]\nsheet = 3")) == tmp_path / "mine"
    assert read_stages_dir(write(A4)) is None


def test_settings_made_in_code_are_checked_like_those_of_a_file() -> None:
    config = Config.model_validate({"print": {"a4": {"sheet": "A4", "jpeg": {"quality": 101}}}})
    with pytest.raises(ConfigError, match=r"\[print.a4.jpeg\], quality = 101: above 100, the most that is allowed"):
        settings_for(config, "a4", "jpeg", JpegSettings)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("year = " + "9" * 5000, "far too long"),
        ("title = " + "[" * 5000, "too deep"),
        ("title = " + "{b = " * 3000, "too deep"),
    ],
    ids=["digits", "brackets", "tables"],
)
def test_a_file_that_the_reader_of_toml_chokes_on_is_told_in_a_sentence(write: Write, text: str, said: str) -> None:
    for read in (lambda path: load_ticket(path, ["a4"], STAGES), lambda path: load_config(path, STAGES)):
        with pytest.raises(ConfigError, match=said):
            read(write(text, "heron.toml"))


def test_a_path_too_long_for_any_system_is_told_as_missing(write: Write) -> None:
    assert any("there is no file" in line for line in refused(write(f"{A4}[paper.rag]\nprofile = '{'x' * 5000}'")))


JUNK = st.one_of(
    st.none(), st.booleans(), st.integers(-5, 5), st.floats(), st.text(max_size=5), st.lists(st.integers(), max_size=2)
).filter(lambda value: value is not None)
KEYS = st.sampled_from(
    [*Config.model_fields, *PrintSpec.model_fields, "a4", "jpeg", "sides", "quality", "scans", "profile", "x", "A.b"]
)


@settings(deadline=None, max_examples=50)
@given(st.recursive(JUNK, lambda below: st.dictionaries(KEYS, below, max_size=5), max_leaves=20))
def test_whatever_stands_in_the_file_the_answer_is_a_config_or_sentences(
    tmp_path_factory: pytest.TempPathFactory, junk: object
) -> None:
    path = tmp_path_factory.getbasetemp() / "platemark.toml"
    path.write_text(tomli_w.dumps(junk if isinstance(junk, dict) else {"print": {"a4": junk}}), encoding="utf-8")
    # Any other exception than the one that carries sentences fails the test.
    with contextlib.suppress(ConfigError):
        load_config(path, STAGES)


TICKET = b'title = "Heron"\nyear = 2024\nprints = ["a4"]\nppi = 300\nsheet = "A4"\n[corrections.crop]\nleft = 3\n'
TICKET_LINES = st.dictionaries(
    st.sampled_from([*Ticket.model_fields, "x"]), st.one_of(JUNK, st.dictionaries(KEYS, JUNK, max_size=3)), max_size=5
)
SPOILT = st.tuples(st.integers(0, len(TICKET)), st.integers(0, 5), st.binary(max_size=6)).map(
    lambda spot: TICKET[: spot[0]] + spot[2] + TICKET[spot[0] + spot[1] :]
)


@settings(deadline=None, max_examples=150)
@given(st.one_of(SPOILT, TICKET_LINES.map(lambda told: tomli_w.dumps(told).encode()), st.binary(max_size=60)))
def test_whatever_stands_in_a_ticket_the_answer_is_a_ticket_or_sentences(
    tmp_path_factory: pytest.TempPathFactory, text: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "heron.toml"
    path.write_bytes(text)
    with contextlib.suppress(ConfigError):
        load_ticket(path, ["a4"], STAGES)


@pytest.mark.parametrize(
    "fault",
    [
        ConfigError([Problem("f", "t", "k", "1", "write 2")]),
        StoreError("full", "make room"),
        Held("dark", remedy="scan again"),
    ],
    ids=lambda fault: type(fault).__name__,
)
def test_an_error_keeps_its_words_on_the_way_between_processes(fault: Exception) -> None:
    again = pickle.loads(pickle.dumps(fault))  # noqa: S301  our own bytes
    assert (type(again), str(again), vars(again)) == (type(fault), str(fault), vars(fault))
