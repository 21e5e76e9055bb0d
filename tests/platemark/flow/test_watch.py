"""The watcher: what it does with a scan that cannot be worked on, with sets, and when it is told to stop."""

import threading
from pathlib import Path

import pytest

from conftest import DEADLINE, ONE_PRINT, QUICK, Bench, Watched, arriving, sheet_scan, until, write_scan
from platemark.flow import watch
from platemark.flow.workers import order


@pytest.mark.parametrize("fault", [SystemExit(3), KeyboardInterrupt(), RuntimeError("no edge")])
def test_a_stage_cannot_end_the_watcher(watched, monkeypatch, fault):
    stage = watched.watcher.studio.plugins.stage("border").kind
    measure = stage.measure

    def failing(self, picture, settings, job):
        if job.work.name == "heron":
            raise fault
        return measure(self, picture, settings, job)

    monkeypatch.setattr(stage, "measure", failing)
    arriving(watched)
    until(lambda: watched.outcomes)
    arriving(watched, "wren.tif", 1)
    until(lambda: len(watched.outcomes) == 2)
    assert watched.done() == [("heron.tif", "held"), ("wren.tif", "ready")]


def test_a_scan_that_cannot_be_worked_on_lets_the_next_one_go_first(watched, monkeypatch):
    keep = order.deliver_any

    def refused(studio, path, progress):
        if path.name == "heron.tif" and not any(outcome.scan == "wren.tif" for outcome in watched.outcomes):
            raise watch.StoreError("heron.tif cannot be read", remedy="look after the disk")
        return keep(studio, path, progress)

    monkeypatch.setattr(order, "deliver_any", refused)
    arriving(watched)
    until(lambda: watched.watcher._trouble)
    arriving(watched, "wren.tif", 1)
    until(lambda: len(watched.outcomes) == 2)
    assert watched.done() == [("wren.tif", "ready"), ("heron.tif", "ready")]


def test_stopping_finishes_the_scan_in_hand_and_takes_no_other(prepared, monkeypatch):
    busy, go_on = threading.Event(), threading.Event()
    keep = order.deliver_any

    def slowly(studio, path, progress):
        busy.set()
        assert go_on.wait(DEADLINE)
        return keep(studio, path, progress)

    monkeypatch.setattr(order, "deliver_any", slowly)
    for seed, name in enumerate(["heron.tif", "wren.tif"]):
        arriving(prepared, name, seed)
    prepared.start()
    assert busy.wait(DEADLINE)
    prepared.watcher.stop()
    go_on.set()
    prepared.thread.join(DEADLINE)
    assert prepared.done() == [("heron.tif", "ready")]
    assert prepared.bench.names("scans") == ["wren.tif"]


def test_parts_are_taken_together_when_the_last_one_comes_and_a_missing_one_is_told(tmp_path: Path) -> None:
    watched = Watched(Bench(tmp_path / "studio", QUICK + 'wait_for_parts = "1 ms"\n'))
    watched.start()
    try:
        whole = sheet_scan(seed=3)
        write_scan(watched.scans / "heron_2of2.tif", whole[:, 84:])
        until(lambda: watched.outcomes)
        assert watched.done() == [("heron", "waiting")]
        assert watched.outcomes[0].reason.startswith("the scan heron_1of2 is missing")
        assert watched.bench.names("held") == ["heron.held.toml"]
        write_scan(watched.scans / "heron_1of2.tif", whole[:, :300])
        until(lambda: len(watched.outcomes) > 1)
        assert watched.done()[1:] == [("heron.tif", "ready")]
        until(lambda: watched.bench.names("scans") == [])
        assert watched.bench.names("held") == []
    finally:
        watched.stop()


def test_a_scan_that_changes_whenever_it_is_read_is_never_moved_from_under_its_writer(prepared, monkeypatch):
    tries, keep = [], order.deliver_any

    def changing(studio, path, progress):
        tries.append(path)
        if len(tries) < 4:
            raise watch.Changing("heron.tif changed while it was read", remedy="wait")
        return keep(studio, path, progress)

    monkeypatch.setattr(order, "deliver_any", changing)
    arriving(prepared)
    prepared.start()
    until(lambda: prepared.outcomes)
    assert prepared.done() == [("heron.tif", "ready")]


def test_however_long_the_settle_time_the_watcher_looks_when_it_ends(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch, "_REST_PER_LOOK", 0.0)  # however slow the machine of the test is
    watched = Watched(Bench(tmp_path / "studio", ONE_PRINT + '[watch]\nsettle = "10 min"\nsweep = "1 h"\n'))
    watcher, now = watched.watcher, 1000.0
    watcher.clock = lambda: now
    scan = arriving(watched)
    try:
        assert watcher._turn() <= 0.2  # the last byte may come at any moment, and is to be seen soon
        now += 600 - 0.0625
        assert watcher._turn() == 0.0625
        now += 0.0625
        watcher._turn()
    finally:
        watcher.observing.end()
    assert watched.done() == [("heron.tif", "ready")]
    assert not scan.exists()


def test_the_end_of_a_scan_that_was_not_whole_is_seen_when_it_comes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(watch, "_REST_PER_LOOK", 0.0)
    watched = Watched(Bench(tmp_path / "studio", ONE_PRINT + '[watch]\nsettle = "1 h"\nsweep = "24 h"\n'))
    watcher, now = watched.watcher, 1000.0
    watcher.clock = lambda: now
    scan = arriving(watched)
    whole = scan.read_bytes()
    scan.write_bytes(whole[:-100])
    watcher._turn()
    now += 3600
    rest = watcher._turn()
    watcher.observing.end()
    assert (watched.done(), rest) == ([], 1800)  # it lies there, and is looked at seldom
    scan.write_bytes(whole)
    watcher._bell.put(None)
    watcher._rest(rest)  # an event ends it
    watcher._turn()
    watcher.observing.end()
    assert watcher.inbox.is_settling
