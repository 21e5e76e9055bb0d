"""Checking what was made: every harm is found and named, once, and a sound folder is called sound."""

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from click.testing import CliRunner

from conftest import CONFIG, Bench, sheet_scan, with_paper_and_own_stage
from platemark.errors import PlatemarkError
from platemark.face.cli import main
from platemark.flow import reproduce as reproducing
from platemark.flow.verify import Finding, verify
from platemark.records.manifest import read_manifest
from platemark.records.store import TEMPORARY, sha256_of

CHAIN = (
    'stages = ["resample", "proof", "tint", "border", "jpeg"]\nstages_dir = "stages"\n'
    + CONFIG.replace("[print.mini]", '[print.mini]\npaper = "rag"')
    + '[paper.rag]\nprofile = "rag.icc"\n[print.mini.proof]\npicture_px = 200\n'
)


@pytest.fixture(scope="module")
def finished(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A studio with two scans, four exports, a paper profile and a stage of the artist's own."""
    root = with_paper_and_own_stage(tmp_path_factory.mktemp("finished"))
    bench = Bench(root, CHAIN)
    bench.drop("heron.tif")
    bench.drop("wren [1].tif", sheet_scan(seed=1))
    assert [outcome.status for outcome in bench.run()] == ["ready"] * 4
    return root


@pytest.fixture
def root(finished: Path, tmp_path: Path) -> Path:
    """A copy of that studio, to do harm to."""
    return Path(shutil.copytree(finished, tmp_path / "studio"))


def flip(path: Path) -> Path:
    """One bit in the middle of a file."""
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    return path


def the(root: Path, pattern: str) -> Path:
    (path,) = root.glob(pattern)
    return path


def only_finding(root: Path) -> Finding:
    (finding,) = verify(root).findings
    assert finding.sentence.endswith(".")
    assert ": " in finding.sentence  # what was found, then what to do
    return finding


def test_a_sound_studio_is_called_sound_by_either_of_its_folders(root: Path) -> None:
    for folder in (root, root / "ready"):
        verdict = verify(folder)
        assert verdict.findings == ()
        assert verdict.sound
        assert verdict.exports == 4


HARMED = [
    ("ready/heron.card.jpg", "the export"),
    ("ready/heron.mini.proof.jpg", "the companion"),
    ("originals/heron-*.tif", "the original"),
    ("originals/stages/*.py", "the source of your stage tint"),
]


@pytest.mark.parametrize(("pattern", "what"), HARMED)
def test_a_flipped_bit_is_found_and_told_with_both_hashes(root: Path, pattern: str, what: str) -> None:
    path = the(root, pattern)
    before = sha256_of(path)
    flip(path)
    finding = only_finding(root)
    assert (finding.kind, finding.path.name) == ("changed", path.name)
    assert finding.sentence.startswith(what)
    assert before[:12] in finding.sentence
    assert sha256_of(path)[:12] in finding.sentence


@pytest.mark.parametrize(("pattern", "what"), HARMED)
def test_a_missing_file_is_found(root: Path, pattern: str, what: str) -> None:
    path = the(root, pattern)
    path.unlink()
    finding = only_finding(root)
    assert (finding.kind, finding.path.name) == ("missing", path.name)
    assert finding.sentence.startswith(what)


@pytest.mark.parametrize("role", ["scan", "paper"])
@pytest.mark.parametrize(("harm", "kind"), [(flip, "changed"), (Path.unlink, "missing")])
def test_a_harmed_profile_is_found(root: Path, role: str, harm: Callable[[Path], object], kind: str) -> None:
    # The paper is that of the second print: the first one's original has been looked at by then.
    profiles = read_manifest(root / "ready" / "heron.mini.toml").profiles
    (used,) = (used for used in profiles if used.role == role)
    harm(root / "originals" / "profiles" / f"{used.sha256}.icc")
    finding = only_finding(root)
    assert (finding.kind, finding.path.stem) == (kind, used.sha256)
    assert f"the {role} profile" in finding.sentence


def test_an_edited_manifest_is_found(root: Path) -> None:
    path = root / "ready" / "heron.card.toml"
    path.write_text(path.read_text(encoding="utf-8").replace("top = 55", "top = 56"), encoding="utf-8")
    finding = only_finding(root)
    assert (finding.kind, finding.path) == ("changed", path)
    assert "edited or cut" in finding.sentence


@pytest.mark.parametrize("print_name", ["card", "mini"])
def test_a_manifest_that_was_cut_is_the_only_thing_told_of_its_export(root: Path, print_name: str) -> None:
    path = root / "ready" / f"wren [1].{print_name}.toml"
    path.write_bytes(path.read_bytes()[:1000])
    finding = only_finding(root)
    assert (finding.kind, finding.path) == ("changed", path)
    assert path.name in finding.sentence


def test_an_original_that_only_broken_manifests_tell_of_is_not_called_loose(root: Path) -> None:
    for path in (root / "ready").glob("wren*.toml"):
        path.write_bytes(path.read_bytes()[:-2])
    assert [finding.kind for finding in verify(root).findings] == ["changed", "changed"]


def test_an_export_whose_manifest_is_gone_is_found(root: Path) -> None:
    (root / "ready" / "heron.card.toml").unlink()
    finding = only_finding(root)
    assert (finding.kind, finding.path.name) == ("orphaned", "heron.card.jpg")
    assert "has no manifest" in finding.sentence


def test_an_original_that_no_export_was_made_from_is_found(root: Path) -> None:
    for path in (root / "ready").glob("heron.*"):
        path.unlink()
    finding = only_finding(root)
    assert finding.kind == "orphaned"
    assert finding.path.name.startswith("heron-")


def test_a_renamed_original_is_no_finding_because_it_is_found_by_its_content(root: Path) -> None:
    the(root, "originals/heron-*.tif").rename(root / "originals" / "the bird.tif")
    assert verify(root).sound


def test_a_ticket_beside_an_original_is_no_finding(root: Path) -> None:
    original = the(root, "originals/heron-*.tif")
    original.with_suffix(".toml").write_text('title = "Heron"\n', encoding="utf-8")
    assert verify(root).sound


@pytest.mark.parametrize("folder", ["ready", "originals", "originals/profiles", "originals/stages"])
def test_half_a_file_is_found_in_every_folder_that_is_written_to(root: Path, folder: str) -> None:
    part = root / folder / f"{TEMPORARY}0123456789abcdef"
    part.write_bytes(b"half")
    finding = only_finding(root)
    assert (finding.kind, finding.path.name) == ("orphaned", part.name)


def test_a_damaged_original_that_was_set_aside_is_told_as_that(root: Path) -> None:
    original = the(root, "originals/heron-*.tif")
    shutil.copy(original, f"{original}.damaged")
    assert "set aside" in only_finding(root).sentence


def test_many_harms_are_all_told_each_once(root: Path) -> None:
    harmed = ("ready/heron.card.jpg", "originals/heron-*.tif", "originals/stages/*.py")
    paths = [flip(the(root, pattern)) for pattern in harmed]
    found = verify(root).findings
    assert sorted(finding.path.name for finding in found) == sorted(path.name for path in paths)


def test_each_archived_file_is_read_once_however_many_exports_came_from_it(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    read: list[Path] = []

    def noted(path: Path) -> str:
        read.append(path)
        return sha256_of(path)

    monkeypatch.setattr(reproducing, "sha256_of", noted)
    assert verify(root).sound
    assert len(read) == len(set(read))
    # Four exports, two proof pictures and a sheet of losses for two of them, two originals, two profiles, one stage,
    # one platemark.
    assert len(read) == 16


def test_a_file_that_cannot_be_read_is_a_finding_and_the_others_are_checked(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(path: Path) -> str:
        if path.name == "heron.card.jpg":
            raise PermissionError(13, "Permission denied", str(path))
        return sha256_of(path)

    monkeypatch.setattr(reproducing, "sha256_of", refuse)
    finding = only_finding(root)
    assert "heron.card.jpg cannot be read (Permission denied)" in finding.sentence


def test_a_folder_without_exports_is_not_called_sound(tmp_path: Path) -> None:
    with pytest.raises(PlatemarkError, match="there is no export in"):
        verify(tmp_path)
    with pytest.raises(PlatemarkError, match="there is no folder"):
        verify(tmp_path / "elsewhere")


def test_the_command_says_each_finding_in_a_line_and_ends_with_status_1(root: Path) -> None:
    flip(root / "ready" / "wren [1].card.jpg")
    result = CliRunner().invoke(main, ["verify", str(root)])
    assert result.exit_code == 1
    assert "wren [1].card.jpg has changed" in result.output
    assert "Traceback" not in result.output
    assert CliRunner().invoke(main, ["verify", str(root.parent)]).exit_code == 2
