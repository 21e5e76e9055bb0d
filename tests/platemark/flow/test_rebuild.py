"""Today's libraries make other bytes: the versions of then are brought together and make the export again.

A tiny platemark of then stands in for a real one, with one library below it: pip installs both from a folder, without
a network. `bench/rebuild.py` does the same with real older libraries.
"""

import base64
import hashlib
import os
import shutil
import sys
import zipfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest
from click.testing import CliRunner

from conftest import CONFIG, Bench
from platemark.contract.plugins import load_plugins
from platemark.errors import PlatemarkError
from platemark.face.cli import check, main
from platemark.flow.python_finding import python_of
from platemark.flow.rebuild import rebuild
from platemark.flow.reproduce import Reproduction, reproduce
from platemark.flow.verify import verify
from platemark.records.distributions import Pinned
from platemark.records.manifest import Manifest, read_manifest, write_manifest
from platemark.records.store import sha256_of

# It makes "an export" of what its library and the archived original say.
PLATEMARK_OF_THEN = """\
import sys, tomllib
from pathlib import Path
import ink
words = sys.argv[1:]
assert words[0] == "reproduce" and words[2] == "-o", words
manifest = Path(words[1])
told = tomllib.loads(manifest.read_text(encoding="utf-8"))
original = manifest.parent / told["sources"][0]["archived"]
if told["warnings"] == ["dry"]:
    sys.exit("the ink of then is dry")
Path(words[3]).write_bytes(ink.COLOUR.encode() + original.read_bytes()[:100])
sys.exit(1 if ink.COLOUR == "red" else 0)
"""


def wheel(folder: Path, name: str, version: str, module: str, text: str) -> Path:
    """A wheel of one module. Source: packaging.python.org, "Binary distribution format"."""
    info = f"{name}-{version}.dist-info"
    files = {
        module: text,
        f"{info}/METADATA": f"Metadata-Version: 2.1\nName: {name}\nVersion: {version}\n",
        f"{info}/WHEEL": "Wheel-Version: 1.0\nGenerator: by hand\nRoot-Is-Purelib: true\nTag: py3-none-any\n",
    }
    record = "".join(f"{path},sha256={record_hash(own.encode())},{len(own.encode())}\n" for path, own in files.items())
    folder.mkdir(exist_ok=True)
    path = folder / f"{name}-{version}-py3-none-any.whl"
    with zipfile.ZipFile(path, "w") as archive:
        for inside, own in {**files, f"{info}/RECORD": f"{record}{info}/RECORD,,\n"}.items():
            archive.writestr(zipfile.ZipInfo(inside), own)
    return path


def record_hash(data: bytes) -> str:
    return base64.urlsafe_b64encode(hashlib.sha256(data).digest()).rstrip(b"=").decode()


def content(module: str, text: str) -> str:
    """The hash of the one row that counts in the RECORD of such a wheel."""
    return hashlib.sha256(f"{module},sha256={record_hash(text.encode())},{len(text.encode())}".encode()).hexdigest()


INK = 'COLOUR = "blue"\n'


class Then:
    """A studio whose one export the platemark of then made, and a folder of wheels for pip."""

    def __init__(self, root: Path) -> None:
        self.bench = Bench(root / "studio", CONFIG.partition("[print.mini]")[0])
        self.manifest = self.bench.root / "ready" / "heron.card.toml"
        self.export = self.manifest.with_suffix(".jpg")
        self.wheels = self.bench.root / "originals" / "wheels"
        self.cache = root / "cache"
        self.offered = root / "offered"
        self.told: list[str] = []

    def make(self) -> None:
        """Make an export with the platemark of today, and change it into one of then."""
        self.bench.drop("heron.tif")
        assert [outcome.status for outcome in self.bench.run()] == ["ready"]
        wheel(self.offered, "ink", "1.0", "ink.py", INK)
        engine = wheel(self.bench.root, "platemark", "0.0.9", "platemark/__main__.py", PLATEMARK_OF_THEN)
        digest = sha256_of(engine)
        engine.rename(self.wheels / f"{digest}.whl")
        self.says(
            distributions=[Pinned("ink", "1.0", content("ink.py", INK)).line()],
            wheels=[Pinned("platemark", "0.0.9", digest).line()],
        )
        (original,) = (path for path in (self.bench.root / "originals").iterdir() if path.is_file())
        self.export.write_bytes(b"blue" + original.read_bytes()[:100])
        self.writes(lambda told: {"output": told.output.model_copy(update={"sha256": sha256_of(self.export)})})

    def says(self, **made: object) -> None:
        """Change what the table [made] tells."""
        self.writes(lambda told: {"made": {**told.made, **made}})

    def writes(self, change: Callable[[Manifest], dict[str, object]]) -> None:
        told = read_manifest(self.manifest)
        self.manifest.write_bytes(write_manifest(told.model_copy(update=change(told))))

    def rebuild(self) -> Reproduction:
        return rebuild(self.manifest, load_plugins(), self.cache, self.told.append)

    def refused(self) -> str:
        with pytest.raises(PlatemarkError) as fault:
            self.rebuild()
        return str(fault.value)

    def environments(self) -> list[Path]:
        return sorted(path for path in (self.cache / "environments").glob("*") if path.is_dir())


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Then:
    then = Then(tmp_path_factory.mktemp("made"))
    then.make()
    return then


@pytest.fixture
def then(made: Then, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Then:
    """A copy of that studio, to do harm to; what was built for it by then comes along."""
    root = shutil.copytree(made.cache.parent, tmp_path / "then", symlinks=True)
    monkeypatch.setenv("PIP_NO_INDEX", "1")
    monkeypatch.setenv("PIP_FIND_LINKS", str(root / "offered"))
    return Then(root)


@pytest.fixture(scope="module")
def built(made: Then) -> Then:
    """The same once its environment was built: by two at the same moment."""
    with pytest.MonkeyPatch.context() as around, ThreadPoolExecutor(2) as both:
        around.setenv("PIP_NO_INDEX", "1")
        around.setenv("PIP_FIND_LINKS", str(made.offered))
        assert [again.same for again in both.map(lambda _: made.rebuild(), range(2))] == [True, True]
    return made


def test_of_two_who_build_at_the_same_moment_one_waits_and_uses_what_the_other_built(built: Then) -> None:
    (home,) = built.environments()
    assert built.told == [f"bringing the versions of then together in {home}; this is done once and may take a minute"]


@pytest.mark.usefixtures("built")
def test_what_was_built_is_kept_and_used_again_without_fetching_anything(then: Then) -> None:
    assert not reproduce(then.manifest, load_plugins()).same
    shutil.rmtree(then.offered)
    again = then.rebuild()
    assert (again.same, again.data, then.told) == (True, then.export.read_bytes(), [])
    words = again.sentence()
    assert words.startswith(f"heron.card.toml: identical, all {len(again.data)} bytes, with the versions of then; not ")


@pytest.mark.usefixtures("built")
def test_the_command_says_so_and_keeps_the_file_on_request(then: Then, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(check, "user_cache_path", lambda *_, **__: then.cache)
    target = then.bench.root / "again.jpg"
    plain = CliRunner().invoke(main, ["reproduce", str(then.manifest)])
    assert (plain.exit_code, "--rebuild" in plain.output) == (1, True)
    rebuilt = CliRunner().invoke(main, ["reproduce", "--rebuild", str(then.manifest), "-o", str(target)])
    assert (rebuilt.exit_code, target.read_bytes()) == (0, then.export.read_bytes())
    assert "identical" in rebuilt.output


@pytest.mark.usefixtures("built")
def test_what_was_damaged_or_only_half_built_is_built_anew(then: Then) -> None:
    (home,) = then.environments()
    (ink,) = home.rglob("ink.py")
    ink.write_text(INK.replace("blue", "grey"), encoding="utf-8")
    half = home.with_suffix(".part")  # as a building that was interrupted leaves it
    (half / "lib").mkdir(parents=True)
    assert then.rebuild().same
    assert len(then.told) == 1
    assert (ink.read_text(encoding="utf-8"), half.exists()) == (INK, False)


def test_another_build_on_another_machine_is_told_where_the_bytes_differ(then: Then) -> None:
    wheel(then.offered, "ink", "1.0", "ink.py", INK.replace("blue", "red"))
    then.says(machine="vax")
    again = then.rebuild()
    assert again.data.startswith(b"red")
    words = again.sentence()
    assert f"DIFFERS even with the versions of then from what was made then (it was made on {sys.platform} vax" in words
    assert "; ink 1.0 is another build than then)" in words
    assert words.endswith("Keep the file made then, or try on a machine like that of then.")


@pytest.mark.usefixtures("built")
def test_versions_of_then_that_fail_here_are_quoted(then: Then) -> None:
    then.writes(lambda _: {"warnings": ["dry"]})
    assert "the versions of then cannot make heron.card.jpg here: the ink of then is dry" in then.refused()


def test_a_version_that_is_not_offered_is_named_and_what_is_half_built_gets_no_name(then: Then) -> None:
    before = then.environments()
    then.says(distributions=["ink==3.1 sha256:none"])
    assert "ink 3.1, which this export was made with, is not offered" in then.refused()
    assert [path for path in then.environments() if path.suffix != ".part"] == before


def test_without_a_network_that_is_said(then: Then, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("PIP_NO_INDEX")
    monkeypatch.setenv("PIP_FIND_LINKS", "")
    monkeypatch.setenv("PIP_CONFIG_FILE", os.devnull)
    monkeypatch.setenv("PIP_EXTRA_INDEX_URL", "")
    monkeypatch.setenv("PIP_INDEX_URL", "http://127.0.0.1:9/simple")  # the port "discard", where nobody answers
    then.says(distributions=["ink==1.0 sha256:none"])
    assert "no package index can be reached" in then.refused()


def test_a_python_that_is_not_on_this_machine_is_named_with_what_to_do(then: Then) -> None:
    then.says(python="3.99.2")
    words = then.refused()
    assert "made with Python 3.99, and there is no python3.99 on this machine: install Python 3.99" in words
    assert then.told == []


@pytest.mark.skipif(os.name == "nt", reason="stands in for an interpreter by a shell script")
def test_a_python_on_the_path_is_found_behind_a_stand_in_that_starts_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for folder, text in {"first": "exit 127", "second": "echo /there/python; echo 3.99"}.items():
        script = tmp_path / folder / "python3.99"
        script.parent.mkdir()
        script.write_text(f"#!/bin/sh\n{text}\n", encoding="utf-8")
        script.chmod(0o755)
    monkeypatch.setenv("PATH", os.pathsep.join(str(tmp_path / folder) for folder in ("first", "second")))
    assert python_of("3.99") == Path("/there/python")


def test_an_older_manifest_is_reproduced_as_before_and_says_what_it_does_not_tell(then: Then) -> None:
    older = {"when": "2026-01-02T03:04:05+00:00", "platemark": "0.1.0", "machine": "x86_64"}
    then.writes(lambda _: {"made": older})
    assert not reproduce(then.manifest, load_plugins()).same
    assert "heron.card.toml does not tell which versions to bring together" in then.refused()
    now = reproduce(then.manifest, load_plugins()).data
    then.writes(lambda told: {"output": told.output.model_copy(update={"sha256": hashlib.sha256(now).hexdigest()})})
    assert then.rebuild().same
    assert then.told == []


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("distributions", ["ink @ https://127.0.0.1/ink.whl"]),
        ("distributions", ["--extra-index-url=http://127.0.0.1/ sha256:none"]),
        ("distributions", ["-r==1 sha256:none"]),
        ("distributions", [7]),
        ("distributions", "ink==1.0 sha256:none"),
        ("wheels", ["platemark==0.0.9 sha256:none"]),
        ("python", 3),
        ("python", "../../python"),
        ("machine", ""),
    ],
)
def test_nothing_but_names_and_versions_reaches_pip(then: Then, key: str, value: object) -> None:
    then.says(**{key: value})
    assert f"heron.card.toml, [made], {key}: " in then.refused()


def test_an_archived_platemark_that_is_missing_or_changed_is_named_by_both_commands(then: Then) -> None:
    (line,) = read_manifest(then.manifest).made["wheels"]
    path = then.wheels / f"{line.rpartition(':')[2]}.whl"
    path.write_bytes(path.read_bytes()[:-1] + b"x")
    assert "the archived platemark 0.0.9" in then.refused()
    assert "archived platemark 0.0.9" in verify(then.bench.root).findings[0].sentence
    path.unlink()
    assert "is missing" in then.refused()
