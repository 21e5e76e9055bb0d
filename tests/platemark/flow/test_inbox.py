"""The inbox says which files are scans and when they stand still; time and listing are the test's."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from platemark.flow.inbox import Inbox, is_candidate, list_scans

SETTLE, GRACE = 2.0, 20.0
HERON, WREN = Path("scans/heron.tif"), Path("scans/wren.tif")


class Folder:
    """A folder whose files the test changes by hand."""

    def __init__(self) -> None:
        self.files: dict[Path, tuple[int, int, int] | None] = {}
        self.inbox = Inbox(Path("scans"), SETTLE, GRACE, listing=lambda _folder: iter(sorted(self.files.items())))

    def put(self, path: Path = HERON, *, size: int = 100, time: int = 1, inode: int = 7) -> None:
        self.files[path] = (size, time, inode)

    def look(self, now: float) -> list[Path]:
        return self.inbox.look(now)


@pytest.fixture
def folder() -> Folder:
    return Folder()


# Standing still.


def test_a_file_is_taken_once_it_stood_still_for_the_settle_time(folder):
    folder.put()
    assert [folder.look(now) for now in (0.0, 1.9, 2.0)] == [[], [], [HERON]]


def test_it_is_known_when_the_next_file_will_have_stood_still(folder):
    folder.look(0.0)
    assert folder.inbox.settled_in == float("inf")
    folder.put()
    folder.look(1.0)
    folder.put(WREN)
    folder.look(2.5)
    assert folder.inbox.settled_in == 0.5
    assert folder.look(2.5 + folder.inbox.settled_in) == [HERON]
    assert folder.inbox.settled_in == 1.5
    assert folder.look(4.5) == [HERON, WREN]
    assert folder.inbox.settled_in == float("inf")


def test_a_file_that_grows_waits_however_long_it_takes(folder):
    for second in range(100):
        folder.put(size=second, time=second)
        assert folder.look(float(second)) == []
    assert folder.look(99.0 + SETTLE) == [HERON]


def test_a_writer_that_pauses_longer_than_the_settle_time_is_waited_for_again(folder):
    folder.put(size=50)
    folder.look(0.0)
    assert folder.look(3.0) == [HERON]
    folder.inbox.not_whole(HERON, 3.0)  # it did not decode to its end
    assert folder.look(5.0) == []
    folder.put(size=100, time=2)
    assert folder.look(6.0) == []
    assert folder.look(8.0) == [HERON]


def test_full_size_reserved_first_does_not_settle_a_file_that_is_being_filled(folder):
    for second in range(10):
        folder.put(size=100, time=second)  # the size stands, the time moves
        assert folder.look(float(second)) == []


def test_a_file_replaced_by_one_of_the_same_size_and_time_starts_anew(folder):
    folder.put(inode=7)
    folder.look(0.0)
    folder.put(inode=8)
    assert folder.look(2.0) == []
    assert folder.look(4.0) == [HERON]


def test_a_rename_save_is_taken_under_its_last_name(folder):
    folder.put(Path("scans/heron-save.tif"))
    folder.look(0.0)
    folder.files.clear()
    folder.put(HERON)
    assert folder.look(1.0) == []
    assert folder.look(3.0) == [HERON]


def test_a_file_that_is_gone_is_forgotten(folder):
    folder.put()
    folder.look(0.0)
    folder.files.clear()
    assert folder.look(2.0) == []
    assert not folder.inbox.is_waiting
    folder.put()
    assert folder.look(3.0) == []  # the same name again is another arrival


def test_looking_often_takes_nothing_earlier_and_nothing_twice_in_one_look(folder):
    folder.put()
    looks = [folder.look(step / 10) for step in range(20)]
    assert looks == [[]] * 20
    assert folder.look(2.0) == [HERON]


def test_a_date_in_the_future_or_long_ago_settles_like_any_other(folder):
    for path, time in ((HERON, 4_070_908_800 * 10**9), (WREN, 0)):  # 2099, 1970
        folder.put(path, time=time)
    folder.look(0.0)
    assert folder.look(2.0) == [HERON, WREN]


def test_scans_come_in_the_order_of_their_arrival(folder):
    folder.put(WREN)
    folder.look(0.0)
    folder.put(HERON)
    folder.look(5.0)
    assert folder.look(7.0) == [WREN, HERON]


@given(st.lists(st.tuples(st.floats(0.01, 5), st.booleans()), max_size=30))
def test_no_file_is_ever_taken_before_it_stood_still(steps):
    folder, now, changed = Folder(), 0.0, 0.0
    for number, (pause, changes) in enumerate(steps):
        now += pause
        if changes or number == 0:
            folder.put(time=number)
            changed = now
        if folder.look(now):
            assert now - changed >= SETTLE


# Not whole.


def test_an_unfinished_file_gets_its_time_of_grace_and_then_one_last_try(folder):
    folder.put()
    folder.look(0.0)
    assert folder.look(2.0) == [HERON]
    assert not folder.inbox.not_whole(HERON, 2.0)
    assert folder.look(19.9) == []
    assert folder.look(20.0) == [HERON]
    assert folder.inbox.not_whole(HERON, 20.0)


def test_a_file_that_is_gone_when_it_is_found_unfinished_is_no_matter(folder):
    assert not folder.inbox.not_whole(HERON, 2.0)
    assert folder.look(3.0) == []


def test_a_file_that_could_not_be_worked_on_lets_the_others_go_first(folder):
    for path in (HERON, WREN):
        folder.put(path)
    folder.look(0.0)
    assert folder.look(2.0) == [HERON, WREN]
    folder.inbox.postpone(HERON, 2.0)
    assert folder.look(3.0) == [WREN]
    assert folder.look(4.0) == [WREN, HERON]


# What is a scan.


@pytest.mark.parametrize(
    "name",
    [
        ".hidden.tif",
        "._heron.tif",
        "~$heron.tif",
        "heron.tif~",
        "Thumbs.db",
        "desktop.ini",
        "Icon\r",
        ".DS_Store",
        "heron.tif.part",
        "heron.TMP",
        "heron.tif.crdownload",
        "heron.tif.filepart",
        "heron.toml",
        "notes.txt",
        ".platemark.lock",
        ".platemark-part-0123456789abcdef",
    ],
)
def test_litter_and_tickets_are_no_scans(name):
    assert not is_candidate(name)


@pytest.mark.parametrize("name", ["heron.tif", "HERON.TIFF", "scan", "-rf.tif", "x.jpg[shrink=8]", "a.b.png", "é.tif"])
def test_anything_else_may_be_one_whatever_its_ending(name):
    assert is_candidate(name)


def test_scans_in_sub_folders_are_found_one_deep(tmp_path):
    for name in ("heron.tif", "card/wren.tif", "card/deeper/owl.tif", ".hidden/finch.tif"):
        (tmp_path / name).parent.mkdir(parents=True, exist_ok=True)
        (tmp_path / name).write_bytes(b"scan")
    found = [path.relative_to(tmp_path).as_posix() for path, stamp in list_scans(tmp_path) if stamp]
    assert sorted(found) == ["card/wren.tif", "heron.tif"]


def test_a_sub_folder_that_cannot_be_read_stops_nothing(tmp_path, monkeypatch):
    (tmp_path / "closed").mkdir()
    (tmp_path / "heron.tif").write_bytes(b"scan")
    listing = Path.iterdir

    def refuse(folder: Path):
        if folder.name == "closed":
            raise PermissionError(13, "Permission denied")
        return listing(folder)

    monkeypatch.setattr(Path, "iterdir", refuse)
    assert [path.name for path, stamp in list_scans(tmp_path) if stamp] == ["heron.tif"]
