"""The doctor: each thing that can be wrong around a studio is told, with what to do; never a traceback."""

import base64
import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from watchdog.observers.polling import PollingObserver

from platemark.face.cli import main
from platemark.flow.holder import HOLDER, LOCK, sole_worker
from platemark.flow.inbox import list_scans
from platemark.machine.doctor import colours, room
from platemark.machine.doctor.check import Check
from platemark.machine.doctor.colours import font, profiles
from platemark.machine.doctor.config import config
from platemark.machine.doctor.events import events
from platemark.machine.doctor.examining import examine
from platemark.machine.doctor.folders import folders, same_disk, write_probe
from platemark.machine.doctor.moment import clock, lock
from platemark.machine.subject import subject_of
from platemark.pixels.icc_writer import srgb_profile

# A file system of its own on Linux, which refuses files even to root.
SYSFS = Path("/sys/kernel")


def named(checks) -> dict[str, Check]:
    return {check.name: check for check in checks}


def files_of(root: Path) -> dict[str, tuple[int, int]]:
    """Every file and folder below, with its size and when it was written."""
    found = {str(path.relative_to(root)): path.lstat() for path in root.rglob("*")}
    return {name: (facts.st_size, 0 if "." not in name else facts.st_mtime_ns) for name, facts in found.items()}


def test_a_studio_in_order_has_nothing_to_be_put_right(bench) -> None:
    before = files_of(bench.root)
    found = list(examine(bench.file))
    assert [check for check in found if check.state == "bad"] == []
    assert {
        "libraries",
        "lettering font",
        "config",
        "folder scans",
        "disks",
        "events",
        "profiles",
        "clock",
        "worker",
    } <= {check.name for check in found}
    assert files_of(bench.root) == before  # the probes are gone, nothing else was written


def test_the_probe_is_nothing_that_a_watcher_takes_up(bench) -> None:
    scans = bench.root / "scans"
    probe = write_probe(scans)
    assert probe.is_file()
    assert list(list_scans(scans)) == []


# Every studio below is broken in one way; what the command says and does of it:

BROKEN = {
    "no config": lambda root: (root / "platemark.toml").unlink(),
    "a config that is no TOML": lambda root: (root / "platemark.toml").write_text("[print\n"),
    "a config that is no text": lambda root: (root / "platemark.toml").write_bytes(b"\xff\xfe\x00"),
    "tables that are no tables": lambda root: (root / "platemark.toml").write_text(
        "print = 1\npaper = []\nfolders = 'x'\nwatch = 3\nscanner = 7\nlog = true\nstage = ''\n"
    ),
    "folders that are no paths": lambda root: (root / "platemark.toml").write_text("[folders]\nscans = 5\n"),
    "a name that no system takes": lambda root: (root / "platemark.toml").write_text(
        '[folders]\nscans = "a\\u0000b"\n'
    ),
    "the home of nobody": lambda root: (root / "platemark.toml").write_text(
        'stages_dir = "~nobody-of-this-name/s"\n[folders]\nscans = "~nobody-of-this-name/scans"\n'
        '[paper.rag]\nprofile = "~nobody-of-this-name/rag.icc"\n[paper.satin]\nprofile = "a\\u0000b"\n'
    ),
    "no folder at all": lambda root: [(root / name).rmdir() for name in ("scans", "ready", "held", "originals")],
    "a file for a folder": lambda root: [(root / "ready").rmdir(), (root / "ready").write_text("")],
    "a link to nowhere": lambda root: [(root / "held").rmdir(), (root / "held").symlink_to(root / "gone")],
    "a paper profile cut short": lambda root: [
        (root / "rag.icc").write_bytes(srgb_profile()[:200]),
        (root / "platemark.toml").write_text(
            '[print.card]\nsheet = "A6"\npaper = "rag"\n[paper.rag]\nprofile = "rag.icc"\n'
        ),
    ],
    "a profile that is not there": lambda root: (root / "platemark.toml").write_text(
        '[print.card]\nsheet = "A6"\npaper = "rag"\n[paper.rag]\nprofile = "rag.icc"\n'
    ),
    "a step of her own that cannot be loaded": lambda root: [
        (root / "stages").mkdir(),
        (root / "stages" / "tint.py").write_text("import nothing_of_this_name\n"),
        (root / "platemark.toml").write_text('stages_dir = "stages"\n[print.card]\nsheet = "A6"\n'),
    ],
}


@pytest.mark.parametrize("fault", BROKEN)
def test_whatever_is_wrong_is_told_with_what_to_do(fault: str, bench) -> None:
    BROKEN[fault](bench.root)
    done = CliRunner().invoke(main, ["doctor", "--json", "--config", str(bench.file)])
    assert isinstance(done.exception, SystemExit)
    assert done.exit_code == 1
    told = json.loads(done.stdout)
    assert [set(check) for check in told] == [{"name", "state", "sentence", "remedy"}] * len(told)
    bad = [check for check in told if check["state"] == "bad"]
    assert bad
    assert all(check["remedy"] for check in bad)
    assert not [check for check in told if "could not be looked at" in check["sentence"]]


def test_what_is_wrong_is_told_in_words_on_the_terminal_too(bench) -> None:
    (bench.root / "held").rmdir()
    done = CliRunner().invoke(main, ["doctor", "--config", str(bench.file)])
    assert done.exit_code == 1
    assert f"BAD   folder held: {bench.root / 'held'} is not there" in done.output
    assert "1 to be put right" in done.output


def test_each_problem_of_the_config_is_a_line(bench) -> None:
    bench.file.write_text('stages = ["jpg"]\n[print.card]\nsheet = "A44"\n', encoding="utf-8")
    found = list(config(bench.file))
    assert len(found) == 2
    assert "jpeg" in " ".join(check.sentence for check in found)


@pytest.mark.skipif(not SYSFS.is_dir(), reason="needs a folder that refuses files even to root")
def test_a_folder_that_cannot_be_written_is_told(bench) -> None:
    bench.file.write_text(bench.config + '[folders]\nready = "/sys/kernel"\n', encoding="utf-8")
    check = named(folders(subject_of(bench.file)))["folder ready"]
    assert check.state == "bad"
    assert "cannot be written" in check.sentence


@pytest.mark.skipif(not SYSFS.is_dir(), reason="needs a second file system")
def test_folders_on_two_disks_are_noted(bench) -> None:
    bench.file.write_text(bench.config + '[folders]\nheld = "/sys/kernel"\n', encoding="utf-8")
    (check,) = same_disk(subject_of(bench.file))
    assert check.state == "note"
    assert "copied" in check.sentence


# Free space


def test_a_disk_with_room_for_the_next_prints_is_good_and_one_without_is_not(bench, monkeypatch) -> None:
    # Nothing made yet: two prints a scan, so 50 scans of 4961 x 7016 pixels at 48 bits, and 100 prints of 10 MB, and
    # one scan each on its way in and held: 52 x 209 MB + 1000 MB = 11.9 GB.
    (check,) = room.room(subject_of(bench.file))
    assert "the next 100 prints need 11.9 GB" in check.sentence
    usage = room.shutil.disk_usage(bench.root)
    monkeypatch.setattr(room.shutil, "disk_usage", lambda _folder: usage._replace(free=6_034_000_000))
    (check,) = room.room(subject_of(bench.file))
    assert check.state == "bad"
    assert "enough for some 50" in check.sentence  # 100 MB stay free: (6034 - 100) of 11868 MB
    assert "make room" in check.remedy


def test_what_prints_took_so_far_counts_for_the_next(bench) -> None:
    ready, originals = bench.root / "ready", bench.root / "originals"
    for name in ("a", "b"):
        (ready / f"{name}.card.jpg").write_bytes(bytes(2_999_000))
        (ready / f"{name}.card.toml").write_bytes(bytes(1_000))
    (originals / "a-0123.tif").write_bytes(bytes(4_000_000))
    (check,) = room.room(subject_of(bench.file))
    # 100 x 3 MB, and 50 + 2 scans of 4 MB.
    assert "the next 100 prints need 508 MB" in check.sentence


# File events


def test_a_system_that_tells_of_new_files_is_good(bench) -> None:
    (check,) = events(subject_of(bench.file))
    assert check.state == "good"


def test_a_system_that_tells_nothing_is_answered_with_polling(bench) -> None:
    # An observer that looks once an hour is as silent as a share.
    (check,) = events(subject_of(bench.file), lambda: PollingObserver(timeout=3600), 0.05)
    assert check.state == "bad"
    assert 'observer = "polling"' in check.remedy
    assert list((bench.root / "scans").iterdir()) == []


def test_who_polls_needs_no_events(bench) -> None:
    bench.file.write_text(bench.config.replace("[watch]", '[watch]\nobserver = "polling"'), encoding="utf-8")
    (check,) = events(subject_of(bench.file), lambda: PollingObserver(timeout=3600), 0.05)
    assert check.state == "good"


def test_the_limit_of_watches_is_told_with_its_name(bench) -> None:
    def refused() -> PollingObserver:
        raise OSError(24, "inotify instance limit reached")

    (check,) = events(subject_of(bench.file), refused)
    assert check.state == "note"
    assert "fs.inotify.max_user_watches" in check.remedy


# Profiles and the font


def test_a_broken_profile_that_nothing_uses_is_only_noted(bench) -> None:
    (bench.root / "profiles").mkdir()
    (bench.root / "profiles" / "old.icc").write_bytes(srgb_profile()[:-40])
    check = named(profiles(subject_of(bench.file)))["profile old.icc"]
    assert check.state == "note"


def test_a_profile_that_a_paper_uses_must_be_whole(bench) -> None:
    (bench.root / "rag.icc").write_bytes(b"no profile at all")
    bench.file.write_text(bench.config + '[paper.rag]\nprofile = "rag.icc"\n', encoding="utf-8")
    check = named(profiles(subject_of(bench.file)))["profile of [paper.rag]"]
    assert check.state == "bad"
    assert "damaged" in check.sentence


def test_a_font_that_was_changed_is_told(tmp_path, monkeypatch) -> None:
    # A package as pip lays it out: the hash of each file stands in RECORD (PEP 376).
    (check,) = font()
    assert check.state == "good"
    package = colours.metadata.distribution(colours.FONT)
    letters = next(file for file in package.files or [] if file.suffix == ".ttf").read_binary()
    digest = base64.urlsafe_b64encode(hashlib.sha256(letters).digest()).rstrip(b"=").decode()
    (tmp_path / "letters.ttf").write_bytes(letters[:-1] + b"?")
    facts = tmp_path / "font_source_serif_pro-0.0.1.dist-info"
    facts.mkdir()
    (facts / "METADATA").write_text("Metadata-Version: 2.1\nName: font-source-serif-pro\nVersion: 0.0.1\n")
    (facts / "RECORD").write_text(f"letters.ttf,sha256={digest},{len(letters)}\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    (check,) = font()
    assert check.state == "bad"
    assert "letters.ttf is missing or changed" in check.sentence
    assert "force-reinstall" in check.remedy


# Clock and worker


def test_a_clock_before_the_config_was_saved_is_wrong(bench) -> None:
    (check,) = clock(subject_of(bench.file), bench.file.stat().st_mtime - 86400)
    assert check.state == "bad"
    assert "set the clock" in check.remedy


def test_a_share_whose_clock_differs_is_noted(bench) -> None:
    # As if the machine's clock ran a day ahead of the disk's.
    (check,) = clock(subject_of(bench.file), bench.file.stat().st_mtime + 86400)
    assert check.state == "note"


def test_a_watcher_at_work_is_named(bench) -> None:
    with sole_worker(bench.root / "originals", bench.root / "scans"):
        (check,) = lock(subject_of(bench.file))
    assert check.state == "good"
    assert f"process {os.getpid()}" in check.sentence


def test_a_watcher_that_was_killed_is_told_and_hinders_nobody(bench) -> None:
    originals = bench.root / "originals"
    code = (
        "import os, signal; from pathlib import Path; from platemark.flow.holder import sole_worker\n"
        f"with sole_worker(Path({str(originals)!r}), Path('scans')): os.kill(os.getpid(), signal.SIGKILL)"
    )
    subprocess.run([sys.executable, "-c", code], check=False)
    assert (originals / HOLDER).exists()
    (check,) = lock(subject_of(bench.file))
    assert check.state == "note"
    assert "ended without warning" in check.sentence
    with sole_worker(originals, bench.root / "scans"):
        assert (originals / LOCK).exists()


# Even with the libraries gone


def test_a_library_that_cannot_be_loaded_is_told_and_not_run_into(bench, tmp_path) -> None:
    broken = tmp_path / "broken"
    broken.mkdir()
    (broken / "pyvips.py").write_text("raise OSError('cannot load library libvips.so.42')\n")
    path = os.pathsep.join([str(broken), os.environ.get("PYTHONPATH", "")])
    words = [sys.executable, "-m", "platemark", "doctor", "--config", str(bench.file)]
    done = subprocess.run(words, env={**os.environ, "PYTHONPATH": path}, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "cannot load library libvips.so.42" in done.stdout
    assert "install platemark anew" in done.stdout
    assert "Traceback" not in done.stderr
