"""The manifest: the same bytes for the same export, and never believed when it was cut or edited."""

import hashlib
import tomllib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from pydantic import ValidationError

from platemark.errors import ManifestError
from platemark.records.libraries import library_versions
from platemark.records.manifest import (
    FORMAT,
    Manifest,
    Output,
    ProfileUsed,
    Source,
    Transform,
    read_manifest,
    write_manifest,
)

A, B, C = "a1", "b2", "c3"  # hashes, short so that the manifest can be cut at every byte


def manifest(**changes: object) -> Manifest:
    """A small manifest with every kind of table in it."""
    told = {
        "format": FORMAT,
        "recipe": A,
        "sources": [
            Source(
                name="Grünspecht №1",
                sha256=A,
                size=544016,
                archived="../originals/Grünspecht №1-a1.tif",
                ppi=150.0,
                ppi_from="file",
                profile=B,
                profile_from="assumed sRGB",
                width=384,
                height=472,
                bits=8,
            )
        ],
        "print": {"name": "card", "sheet": "60 x 80 mm", "ppi": 150, "border": {"sides": "5 mm"}},
        "work": {"name": "heron", "title": 'The "heron"\n\\ at dusk'},
        "transforms": [
            Transform(
                stage="border",
                version=1,
                distribution="platemark",
                code_sha256=C,
                settings={"keyline": "0 mm"},
                parameters={"left": 30, "share": 0.1, "marks": [[1, 2, 3, 4]], "text": ""},
                size_in=[294, 361],
                size_out=[354, 472],
            )
        ],
        "profiles": [ProfileUsed(role="scan", description="sRGB", sha256=B)],
        "libraries": {"libvips": "8.18.7"},
        "noticed": {"resample.effective_ppi": 196, "proof.mean": 1.25},
        "warnings": ["look closely"],
        "output": Output(
            file="heron.card.jpg",
            sha256=C,
            bytes=21385,
            width=354,
            height=472,
            ppi=150.0,
            encoding={"quality": 95},
            companions={"heron.card.proof.jpg": B},
        ),
        "made": {"when": "2026-01-02T03:04:05+00:00", "machine": "x86_64"},
    }
    return Manifest.model_validate({**told, **changes})


WRITTEN = write_manifest(manifest())


@pytest.fixture(scope="module")
def place(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A file for manifests."""
    return tmp_path_factory.mktemp("ready") / "heron.card.toml"


def read(place: Path, data: bytes) -> Manifest:
    place.write_bytes(data)
    return read_manifest(place)


def with_its_hash(text: str) -> bytes:
    """The text as platemark would have written it: with the right hash in [made]."""
    body, seam, made = text.rpartition("\n# The table below")
    lines = [line for line in made.splitlines() if not line.startswith("body_sha256")]
    digest = hashlib.sha256(body.encode()).hexdigest()
    return (body + seam + "\n".join(lines) + f'\nbody_sha256 = "{digest}"\n').encode()


def test_reading_a_manifest_and_writing_it_again_gives_the_same_bytes(place: Path) -> None:
    assert write_manifest(read(place, WRITTEN)) == WRITTEN


TOML_VALUES = st.recursive(
    st.booleans() | st.integers(-(2**63), 2**63 - 1) | st.floats(allow_nan=False, allow_infinity=False) | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)


@settings(max_examples=40, deadline=None, database=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])
@given(st.dictionaries(st.text(), TOML_VALUES, max_size=4))
def test_whatever_toml_can_hold_comes_back_as_it_was_written(place: Path, noticed: dict[str, object]) -> None:
    told = manifest(noticed=noticed)
    written = write_manifest(told)
    # The standard library's parser is the judge of what the file says.
    assert tomllib.loads(written.decode())["noticed"] == noticed
    assert write_manifest(read(place, written)) == written


def test_the_clock_and_the_machine_reach_the_last_table_only() -> None:
    other = write_manifest(manifest(made={"when": "2031-12-31T23:59:59+00:00", "machine": "arm64"}))
    body, _, made = WRITTEN.decode().partition("\n[made]\n")
    assert other.decode().partition("\n[made]\n")[0] == body
    assert "[" not in made


def test_tables_stand_in_one_order_however_the_manifest_was_put_together() -> None:
    told = manifest().model_dump()
    backwards = Manifest.model_validate(dict(reversed(told.items())))
    assert write_manifest(backwards) == WRITTEN


@pytest.mark.parametrize("number", [float("nan"), float("inf"), float("-inf")])
@pytest.mark.parametrize("table", ["noticed", "print", "work", "made"])
def test_a_number_that_is_none_is_refused_by_name(table: str, number: float) -> None:
    with pytest.raises(ValidationError, match=r"share.of.0 = -?(nan|inf) is no number"):
        manifest(**{table: {"share": {"of": [number]}}})


@pytest.mark.parametrize("value", [None, b"bytes", {1, 2}, "\udcff"])
def test_what_toml_has_no_word_for_is_refused_by_name(value: object) -> None:
    with pytest.raises(ValidationError, match=r"depth .*written down"):
        manifest(noticed={"depth": value})


def test_a_manifest_cut_at_any_byte_is_refused_and_names_its_file(place: Path) -> None:
    # Each kind of value is in it.
    short = write_manifest(manifest(transforms=[], profiles=[], work={}, noticed={"ppi": 196}))
    for end in range(len(short)):
        with pytest.raises(ManifestError) as refused:
            read(place, short[:end])
        assert "heron.card.toml" in refused.value.what
        assert "backup" in str(refused.value)


@settings(max_examples=100, deadline=None, database=None, derandomize=True)
@given(st.integers(0, len(WRITTEN) - 1), st.integers(0, 7))
def test_a_flipped_bit_is_noticed_unless_it_only_tells_of_the_making(place: Path, at: int, bit: int) -> None:
    flipped = bytearray(WRITTEN)
    flipped[at] ^= 1 << bit
    try:
        found = read(place, bytes(flipped))
    except ManifestError as fault:
        assert "heron.card.toml" in fault.what  # noqa: PT017 - both outcomes are right
    else:
        assert found.model_copy(update={"made": {}}) == manifest(made={})
        assert at > WRITTEN.rindex(b"[made]")


@pytest.mark.parametrize(
    ("before", "after"),
    [
        ("bytes = 21385", "bytes = 21386"),
        ("left = 30", "left = 31"),
        ('libvips = "8.18.7"', 'libvips = "8.18.8"'),
        ("\n[output]", "\n\n[output]"),
        ("\n", "\r\n"),
    ],
)
def test_an_edit_is_noticed_even_where_the_form_is_kept(place: Path, before: str, after: str) -> None:
    edited = WRITTEN.decode().replace(before, after)
    assert edited != WRITTEN.decode()
    with pytest.raises(ManifestError, match=r"heron\.card\.toml, \[made\], body_sha256: .* edited or cut"):
        read(place, edited.encode())


@pytest.mark.parametrize(
    ("before", "after", "words"),
    [
        ("recipe =", "recipes =", "recipe: it is missing"),
        ("bytes = 21385", "bytes = 21385\nshade = 3", "output.shade: this program knows no such key"),
        ("size = 544016", 'size = "544016"', "sources.0.size: input should be a valid integer"),
        ("bits = 8", "bits = true", "sources.0.bits: input should be a valid integer"),
        ('proof.mean" = 1.25', 'proof.mean" = nan', "noticed: proof.mean = nan is no number"),
        ("share = 0.1", "share = 1979-05-27", "transforms.0.parameters: share is a date"),
        ("left = 30", "left == 30", "line {line}: no sound TOML"),
        ('name = "card"', 'name = "card', "line {line}: no sound TOML"),
        ("bits = 8", f"bits = {'8' * 5000}", "heron.card.toml: no sound TOML"),
    ],
)
def test_what_is_wrong_is_told_with_its_key_or_line(place: Path, before: str, after: str, words: str) -> None:
    text = WRITTEN.decode()
    line = text[: text.index(before)].count("\n") + 1
    with pytest.raises(ManifestError) as refused:
        read(place, with_its_hash(text.replace(before, after)))
    assert refused.value.what.startswith("heron.card.toml")
    assert words.format(line=line) in refused.value.what


def test_bytes_that_are_no_text_are_told_with_their_line(place: Path) -> None:
    with pytest.raises(ManifestError, match=r"heron\.card\.toml, line 3: it is not UTF-8"):
        read(place, b'format = "x"\n\n\xff\n')


def test_a_newer_format_is_told_with_both_formats_and_the_way_out(place: Path) -> None:
    newer = WRITTEN.replace(FORMAT.encode(), b"platemark-manifest/2").replace(b"[output]", b"[result]")
    with pytest.raises(ManifestError) as refused:
        read(place, newer)
    assert str(refused.value) == (
        'heron.card.toml, format = "platemark-manifest/2": this program reads "platemark-manifest/1": '
        "use the release of platemark that wrote it, or a later one."
    )


@pytest.mark.parametrize("data", [b"", b"# a note\n", b'title = "x"\n', b"format = 1\n"])
def test_another_toml_file_is_said_to_be_no_manifest(place: Path, data: bytes) -> None:
    with pytest.raises(ManifestError, match=r"heron\.card\.toml is no manifest"):
        read(place, data)


def test_a_manifest_that_is_not_there_is_a_sentence(tmp_path: Path) -> None:
    with pytest.raises(ManifestError, match=r"gone\.toml cannot be read \(No such file"):
        read_manifest(tmp_path / "gone.toml")


def test_a_manifest_tells_of_at_least_one_scan() -> None:
    with pytest.raises(ValidationError, match="sources"):
        manifest(sources=[])


def test_the_libraries_that_make_pixels_are_named_with_the_versions_they_tell() -> None:
    # The wheels' own accounts of themselves.
    import PIL  # noqa: PLC0415
    import pyvips  # noqa: PLC0415

    versions = library_versions()
    assert list(versions) == sorted(versions)
    assert versions["pillow"] == PIL.__version__
    assert versions["libvips"] == f"{pyvips.version(0)}.{pyvips.version(1)}.{pyvips.version(2)}"
    assert {"freetype", "lcms2", "libjpeg-turbo", "numpy", "pyvips-binary"} <= versions.keys()
