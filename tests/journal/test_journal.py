import itertools
import json
import os
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from metrepost.events import NoteEvent
from metrepost.journal import Journal, JournalDamagedError, JournalError, JournalFullError, Present, Reader, Retention, Snapshot
from metrepost.journal.database import MIGRATIONS, connect, migrate
from metrepost.readings.moment import rfc3339
from support_journal import SOURCE, T0, alarm_event, alarm_state, note, reel_state, rollup


def journal_in(folder: Path, retention: Retention | None = None, now: float = T0) -> Journal:
    return Journal.open(folder, "core-3", source=SOURCE, retention=retention, now=lambda: now)


@pytest.fixture
def journal(tmp_path: Path):
    with closing(journal_in(tmp_path)) as opened:
        yield opened


def test_rows_are_numbered_from_one_by_stream(journal: Journal) -> None:
    rows = journal.commit([note("a"), rollup(), note("b"), rollup(), rollup()])
    assert [(r.stream, r.sequence) for r in rows] == [("event", 1), ("rollup", 1), ("event", 2), ("rollup", 2), ("rollup", 3)]
    assert [r.topic for r in rows[:2]] == ["event/note", "rollup/10s/cold-gauge/diameter"]
    assert journal.commit([note("c")])[0].sequence == 3


def test_a_payload_is_the_cloudevent_as_it_is_published(journal: Journal) -> None:
    row = journal.commit([alarm_event()])[0]
    whole = json.loads(row.payload)
    assert whole.pop("data")["from"] == 1204.4
    assert whole == {
        "specversion": "1.0",
        "id": f"event-{journal.epoch}-00000000000000000001",
        "source": SOURCE,
        "type": "metrepost.alarm.v1",
        "time": rfc3339(T0),
        "sequence": "00000000000000000001",
        "datacontenttype": "application/json",
    }


def test_epoch_has_twelve_letters_and_numbers_go_on_after_reopening(tmp_path: Path) -> None:
    with closing(journal_in(tmp_path)) as first:
        first.commit([note(), note()])
        assert len(first.epoch) == 12
        assert set(first.epoch) <= set("abcdefghijklmnopqrstuvwxyz234567")
        assert first.opening.new_epoch
    with closing(journal_in(tmp_path)) as second:
        assert second.epoch == first.epoch
        assert not second.opening.new_epoch
        assert second.commit([note()])[0].sequence == 3


def test_outbox_gives_rows_after_the_cursor(journal: Journal) -> None:
    journal.commit([note(str(n)) for n in range(10)])
    assert [r.sequence for r in journal.pending("event", 3)] == [1, 2, 3]
    journal.delivered("event", 4)
    assert [r.sequence for r in journal.pending("event", 3)] == [5, 6, 7]
    assert [r.sequence for r in journal.pending("event", 3, after=8)] == [9, 10]
    journal.delivered("event", 2)
    journal.delivered("event", 99)
    where = journal.positions("event")
    assert (where.last, where.delivered, where.waiting) == (10, 4, 6)
    assert where.waiting_bytes == sum(len(r.payload) for r in journal.pending("event", 99))


def test_pending_stops_at_bytes_but_gives_at_least_one(journal: Journal) -> None:
    journal.commit([note("x" * 1000) for _ in range(5)])
    assert len(journal.pending("event", 99, max_bytes=1)) == 1
    assert len(journal.pending("event", 99, max_bytes=2500)) == 2 or len(journal.pending("event", 99, max_bytes=2500)) == 3


def test_cursor_survives_reopening(tmp_path: Path) -> None:
    with closing(journal_in(tmp_path)) as first:
        first.commit([note(), note(), note()])
        first.delivered("event", 2)
    with closing(journal_in(tmp_path)) as second:
        assert [r.sequence for r in second.pending("event", 9)] == [3]


def test_present_states_keep_the_latest_and_unchanged_ones_their_version(journal: Journal) -> None:
    journal.commit([alarm_state(), reel_state(), Present("load", {"alarms": 2})])
    first = journal.states()
    assert [s.topic for s in first] == ["alarm/cold-lump/lump", "reel/current", "load"]
    journal.commit([alarm_state(), reel_state(length=900.0)])
    news = journal.states(first[-1].version)
    assert [s.topic for s in news] == ["reel/current"]
    assert json.loads(news[0].payload)["length"] == 900.0


def test_alarms_that_are_gone_are_cleared_and_then_forgotten(journal: Journal) -> None:
    journal.commit([alarm_state("old-rule"), alarm_state("cold-lump"), reel_state()])
    since = journal.states()[-1].version
    assert journal.keep_alarms({"cold-lump.lump"}) == ["alarm/old-rule/lump"]
    (cleared,) = journal.states(since)
    assert (cleared.topic, cleared.payload) == ("alarm/old-rule/lump", b"")
    journal.forget_state(cleared)
    assert [s.topic for s in journal.states()] == ["alarm/cold-lump/lump", "reel/current"]


def test_a_state_set_anew_while_it_is_cleared_is_not_forgotten(journal: Journal) -> None:
    journal.commit([alarm_state("old-rule")])
    journal.keep_alarms(set())
    (cleared,) = journal.states()
    journal.commit([alarm_state("old-rule", value=0.2)])
    journal.forget_state(cleared)
    assert [s.topic for s in journal.states()] == ["alarm/old-rule/lump"]


def test_snapshots_are_kept_by_name(tmp_path: Path) -> None:
    with closing(journal_in(tmp_path)) as first:
        first.commit([Snapshot("core", b'{"a":1}'), Snapshot("witness", b"1"), Snapshot("core", b'{"a":2}')])
    with closing(journal_in(tmp_path)) as second:
        assert second.snapshot("core") == b'{"a":2}'
        assert second.snapshot("nothing") is None


def test_a_bad_item_leaves_nothing_of_its_batch(journal: Journal) -> None:
    with pytest.raises(TypeError, match="cannot be journalled"):
        journal.commit([note(), alarm_state(), "nonsense"])  # type: ignore[list-item]
    assert journal.states() == []
    assert journal.commit([note()])[0].sequence == 1


def test_a_full_file_fails_whole_and_recovers(journal: Journal) -> None:
    """`max_page_count` makes SQLite answer a real SQLITE_FULL."""
    journal.commit([note(), alarm_state()])
    (pages,) = journal._connection.execute("PRAGMA page_count").fetchone()
    journal._connection.execute(f"PRAGMA max_page_count = {pages}")
    batch = [note("x" * 3000) for _ in range(50)] + [alarm_state(value=0.5), Snapshot("core", b"new")]
    with pytest.raises(JournalFullError, match=r"no room for .*core-3\.sqlite.*Nothing of this was written"):
        journal.commit(batch)
    assert journal.positions("event").last == 1
    assert len(journal.states()) == 1
    assert json.loads(journal.states()[0].payload)["value"] == 0.11
    assert journal.snapshot("core") is None
    journal._connection.execute("PRAGMA max_page_count = 1000000")
    assert [r.sequence for r in journal.commit(batch)] == list(range(2, 52))


@pytest.fixture
def small_disk(tmp_path: Path):
    """A file system of 400 kB, where the user may mount one."""
    folder = tmp_path / "disk"
    folder.mkdir()
    made = subprocess.run(["mount", "-t", "tmpfs", "-o", "size=400k", "tmpfs", str(folder)], capture_output=True, check=False)
    if made.returncode:
        pytest.skip("a small file system can be mounted by root only")
    yield folder
    subprocess.run(["umount", str(folder)], check=True)


def test_a_full_disk_fails_whole_and_recovers(small_disk: Path) -> None:
    with closing(journal_in(small_disk)) as journal:
        journal.commit([note()])
        ballast = small_disk / "ballast"
        ballast.write_bytes(b"x" * 150_000)
        done = 1
        with pytest.raises(JournalFullError, match="Make room on the disk"):  # noqa: PT012 how many fit is the disk's affair
            for _ in range(100):
                journal.commit([note("x" * 1000) for _ in range(10)])
                done += 10
        assert journal.positions("event").last == done
        ballast.unlink()
        assert journal.commit([note()])[0].sequence == done + 1
        assert [r.sequence for r in journal.export("event")] == list(range(1, done + 2))


def test_a_second_daemon_is_refused(tmp_path: Path, journal: Journal) -> None:
    code = f"from metrepost.journal import Journal; Journal.open(__import__('pathlib').Path({str(tmp_path)!r}), 'core-4', source='/x')"
    other = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert other.returncode == 1
    assert f"another daemon (process {os.getpid()}) works on the state folder" in other.stderr
    assert "state folder of its own" in other.stderr


def test_one_daemon_may_hold_several_lines_of_a_folder(tmp_path: Path, journal: Journal) -> None:
    with closing(Journal.open(tmp_path, "core-4", source="/northmere/extrusion/core-4")) as other:
        assert other.epoch != journal.epoch
        with pytest.raises(JournalError, match="already open"):
            journal_in(tmp_path)
    journal.commit([note()])


def test_the_folder_is_free_after_a_kill(tmp_path: Path) -> None:
    code = (
        "import os, pathlib; from metrepost.journal import Journal;"
        f"Journal.open(pathlib.Path({str(tmp_path)!r}), 'core-3', source='/x'); os.kill(os.getpid(), 9)"
    )
    assert subprocess.run([sys.executable, "-c", code], check=False).returncode == -9
    journal_in(tmp_path).close()


def test_a_read_only_folder_is_told(tmp_path: Path) -> None:
    folder = tmp_path / "state"
    folder.mkdir(mode=0o555)
    root = os.geteuid() == 0
    if root:  # root may write anywhere
        for parent in itertools.takewhile(lambda p: p != Path("/tmp"), folder.parents):
            parent.chmod(0o755)
        os.seteuid(65534)
    try:
        with pytest.raises(JournalError, match=r"cannot be written.*write access to .*state"):
            journal_in(folder)
    finally:
        if root:
            os.seteuid(0)


@pytest.mark.parametrize("damage", ["no database at all", "a torn page", "cut short"])
def test_a_damaged_file_is_set_aside_and_a_new_epoch_begun(tmp_path: Path, damage: str) -> None:
    with closing(journal_in(tmp_path)) as first:
        first.commit([note("x" * 500) for _ in range(100)] + [rollup()] * 7)
    file = tmp_path / "core-3.sqlite"
    with file.open("r+b") as raw:
        if damage == "no database at all":
            raw.write(b"nonsense" * 1000)
        elif damage == "a torn page":
            raw.seek(5 * 4096)
            raw.write(b"\xff" * 30_000)
        else:
            raw.truncate(6 * 4096 + 100)
    with closing(journal_in(tmp_path)) as second:
        opening = second.opening
        assert opening.new_epoch
        assert opening.epoch != first.epoch
        assert opening.set_aside is not None
        assert opening.set_aside.name == "core-3.damaged-20270115T080000Z.sqlite"
        assert opening.set_aside.exists()
        assert (opening.previous_epoch, opening.previous_last) == (first.epoch, {"event": 100, "rollup": 7})
        assert "is damaged" in opening.explanation
        assert second.commit([note()])[0].sequence == 1


def test_a_file_of_a_newer_version_is_refused(tmp_path: Path) -> None:
    journal_in(tmp_path).close()
    with closing(sqlite3.connect(tmp_path / "core-3.sqlite")) as raw, raw:
        raw.execute("INSERT INTO migration VALUES (99, 'later')")
    with pytest.raises(JournalError, match="newer version of the daemon"):
        journal_in(tmp_path)
    assert (tmp_path / "core-3.sqlite").exists()


def test_a_migration_that_fails_leaves_the_version_before(tmp_path: Path) -> None:
    file = tmp_path / "x.sqlite"
    with closing(connect(file)) as connection:
        assert migrate(connection, file) == len(MIGRATIONS)
        with pytest.raises(JournalError, match=f"bringing it to schema {len(MIGRATIONS) + 1}"):
            migrate(connection, file, (*MIGRATIONS, ("CREATE TABLE later (a)", "CREATE TABLE later (a)")))
        assert connection.execute("SELECT max(version) FROM migration").fetchone() == (len(MIGRATIONS),)
        assert connection.execute("SELECT count(*) FROM sqlite_master WHERE name = 'later'").fetchone() == (0,)
        assert migrate(connection, file, (*MIGRATIONS, ("CREATE TABLE later (a)",))) == len(MIGRATIONS) + 1


def test_too_many_undelivered_rows_go_and_are_declared(tmp_path: Path) -> None:
    with closing(journal_in(tmp_path, Retention(undelivered_bytes=100_000))) as journal:
        journal.commit([note("kept") for _ in range(10)])
        for _ in range(40):
            rows = journal.commit([rollup() for _ in range(10)])
        losses = [json.loads(r.payload)["data"] for r in journal.pending("event", 999) if r.topic == "event/loss"]
        assert losses
        assert all(loss["stream"] == "rollup" for loss in losses)
        assert losses[0]["first"] == 1
        for before, after in itertools.pairwise(losses):
            assert after["first"] == before["last"] + 1
        left = journal.pending("rollup", 999)
        assert left[0].sequence == losses[-1]["last"] + 1
        assert sum(loss["count"] for loss in losses) + len(left) == 400 == journal.positions("rollup").last
        assert journal.positions("rollup").lost == sum(loss["count"] for loss in losses)
        assert sum(journal.positions(s).waiting_bytes for s in ("event", "rollup")) <= 100_000
        assert rows[0].stream == "rollup"


def test_events_go_only_when_there_are_no_rollups_left_to_go(tmp_path: Path) -> None:
    with closing(journal_in(tmp_path, Retention(undelivered_bytes=30_000))) as journal:
        journal.commit([rollup() for _ in range(10)])
        for _ in range(20):
            journal.commit([note("x" * 300) for _ in range(5)])
        events = [json.loads(r.payload) for r in journal.pending("event", 999)]
        losses = [e["data"] for e in events if e["type"] == "metrepost.loss.v1"]
        gone = {loss["stream"] for loss in losses}
        assert "event" in gone
        assert journal.pending("rollup", 9) == []
        assert [int(e["sequence"]) for e in events] == list(
            range(journal.positions("event").delivered + 1, journal.positions("event").last + 1)
        )


def test_the_declaration_is_in_the_same_transaction_as_the_loss(tmp_path: Path) -> None:
    with closing(journal_in(tmp_path, Retention(undelivered_bytes=20_000))) as journal:
        rows = journal.commit([rollup() for _ in range(60)])
        assert rows[-1].topic == "event/loss"
        (loss,) = journal.pending("event", 9)
        assert loss.payload == rows[-1].payload


def test_a_payload_above_the_limit_is_never_numbered_but_declared(tmp_path: Path) -> None:
    with closing(journal_in(tmp_path, Retention(payload_bytes=2000))) as journal:
        rows = journal.commit([note("x" * 3000), note("fits"), reel_state(), Present("reel/last", "y" * 3000)])
        assert [(r.sequence, r.topic) for r in rows] == [(1, "event/loss"), (2, "event/note"), (3, "event/loss")]
        reasons = [json.loads(r.payload)["data"]["reason"] for r in rows if r.topic == "event/loss"]
        assert reasons[0].startswith("event/note: ")
        assert reasons[1].startswith("reel/last: ")
        assert [s.topic for s in journal.states()] == ["reel/current"]
        assert journal.oversize == 2


def test_a_row_set_aside_is_passed_declared_and_still_exported(journal: Journal) -> None:
    journal.commit([note("a"), note("poison"), note("c")])
    journal.delivered("event", 1)
    with pytest.raises(ValueError, match="not the next"):
        journal.set_aside("event", 3, "why")
    journal.set_aside("event", 2, "the broker hung up")
    rows = journal.pending("event", 9)
    assert [r.sequence for r in rows] == [3, 4]
    assert json.loads(rows[1].payload)["data"] | {"decided": ""} == {
        "stream": "event",
        "epoch": journal.epoch,
        "first": 2,
        "last": 2,
        "count": 1,
        "reason": "the broker hung up",
        "decided": "",
    }
    assert [r.sequence for r in journal.export("event")] == [1, 2, 3, 4]


@pytest.mark.parametrize("limit", [{"keep_rows": 100}, {"keep_bytes": 40_000}, {"keep_seconds": 100.0}])
def test_delivered_rows_go_by_retention_and_undelivered_ones_never(tmp_path: Path, limit: dict) -> None:
    with closing(journal_in(tmp_path, Retention(**limit), now=T0 + 1000.0)) as journal:
        journal.commit([note(f"{n:030}", T0 + n) for n in range(1000)])
        journal.delivered("event", 950)
        while journal.tidy():
            pass
        kept = [r.sequence for r in journal.export("event")]
        assert kept[-50:] == list(range(951, 1001))
        assert kept == list(range(kept[0], 1001))
        delivered = [r for r in journal.export("event") if r.sequence <= 950]
        if "keep_rows" in limit:
            assert len(delivered) == 100
        elif "keep_bytes" in limit:
            size = sum(len(r.payload) for r in delivered)
            assert 40_000 - len(delivered[0].payload) < size <= 40_000
        else:
            assert delivered[0].time == T0 + 900.0
        assert [r.sequence for r in journal.pending("event", 1)] == [951]


def test_export_goes_on_after_a_position(journal: Journal) -> None:
    journal.commit([note(str(n)) for n in range(1300)])
    assert [r.sequence for r in journal.export("event", f"{journal.epoch}:1290")] == list(range(1291, 1301))
    assert [r.sequence for r in journal.export("event", limit=700)] == list(range(1, 701))
    assert list(journal.export("rollup")) == []


def test_export_runs_beside_an_open_journal_and_sees_new_rows(journal: Journal, tmp_path: Path) -> None:
    journal.commit([note()])
    with Reader(tmp_path, "core-3") as reader:
        assert reader.oldest("event") == 1
        journal.commit([note()])
        assert len(list(reader.export("event"))) == 2


@pytest.mark.parametrize(
    ("after", "message"),
    [("nonsense", "write EPOCH:NUMBER, such as"), ("aaaaaaaaaaaa:4", "is of another journal; this one is")],
)
def test_export_tells_what_is_wrong_with_a_position(journal: Journal, after: str, message: str) -> None:
    with pytest.raises(JournalError, match=message):
        list(journal.export("event", after))


def test_export_of_a_line_that_has_no_journal_names_those_that_have(journal: Journal, tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="no journal of line 'core-9'; it holds core-3"):
        Reader(tmp_path, "core-9")


def test_numbers_of_every_kill_are_whole(tmp_path: Path) -> None:
    """Killed in the middle of commits: what was returned is there, and the stream has no hole and no double."""
    code = (
        "import pathlib, sys; sys.path.insert(0, sys.argv[2]); from metrepost.journal import Journal\n"
        "from support_journal import note, rollup\n"
        "j = Journal.open(pathlib.Path(sys.argv[1]), 'core-3', source='/x')\n"
        "while True:\n"
        "    rows = j.commit([note(), rollup(), note()])\n"
        "    print(rows[-1].sequence, flush=True)\n"
    )
    for round_ in range(3):
        child = subprocess.Popen(
            [sys.executable, "-c", code, str(tmp_path), str(Path(__file__).parents[1])], stdout=subprocess.PIPE, text=True
        )
        assert child.stdout is not None
        told = 0
        for line in child.stdout:
            told = int(line)
            if told > 200 * (round_ + 1):
                break
        child.kill()
        told = max([told, *(int(n) for n in child.stdout.read().split())])
        child.stdout.close()
        child.wait()
        with closing(journal_in(tmp_path)) as journal:
            assert not journal.opening.set_aside
            sequences = [r.sequence for r in journal.export("event")]
            assert sequences == list(range(1, len(sequences) + 1))
            assert len(sequences) >= told
            assert len(sequences) == 2 * journal.positions("rollup").last


def test_damage_found_while_running_is_told_apart(journal: Journal, tmp_path: Path) -> None:
    journal.commit([note("x" * 500) for _ in range(100)])
    journal._connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    with (tmp_path / "core-3.sqlite").open("r+b") as raw:
        raw.seek(4096)
        raw.write(b"\xff" * 200_000)
    journal._connection.execute("PRAGMA shrink_memory")
    with pytest.raises(JournalDamagedError, match="Restart the daemon"):  # noqa: PT012 which read meets the damage is open
        for _ in range(5):
            journal.commit([note()])
            journal.pending("event", 200)


def test_times_and_kinds_of_rows(journal: Journal) -> None:
    row = journal.commit([note(when=T0 + 0.25)])[0]
    assert row.time == T0 + 0.25
    assert row.topic == f"event/{NoteEvent.kind}"
    assert json.loads(row.payload)["time"] == "2027-01-15T08:00:00.250000Z"
