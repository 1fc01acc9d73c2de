"""Recordings that cannot be used are refused whole: a sentence with file, row and column, exit code 3, no traceback."""

import asyncio

import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from metrepost.readings import BAD, Act, Reading, Tick
from metrepost.recordings import recorder as recording
from metrepost.recordings.faults import RecordingError
from metrepost.recordings.reader import Recording
from metrepost.recordings.recorder import Recorder, table_of
from metrepost.recordings.rows import nanoseconds, seconds
from support_daemon import command

GOOD_ROW = "2026-01-31T08:15:00.5Z,capstan.speed,60,"
HEADER = "time,tag,value,quality"


def refused(path):
    with pytest.raises(RecordingError) as caught:
        Recording(path)
    return str(caught.value)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("yesterday,capstan.speed,60,", ["row 2: time", "'yesterday' is no time", "RFC 3339"]),
        ("2026-01-31T08:15:00,capstan.speed,60,", ["row 2: time", "offset"]),
        ("2026-13-31T08:15:00Z,capstan.speed,60,", ["row 2: time"]),
        ("1769847300,capstan.speed,60,", ["row 2: time", "2000 to 2200", "nanoseconds"]),
        ("2026-02-03T08:15:00Z,capstan.speed,60,", ["row 2: time", "more than a day"]),
        ("2026-01-31T08:15:01Z,speed,60,", ["row 2: tag", "station.tag"]),
        ("2026-01-31T08:15:01Z,capstan.speed,fast,", ["row 2: value", "'fast' is no number"]),
        ("2026-01-31T08:15:01Z,capstan.speed,,", ["row 2: value", "no value"]),
        ("2026-01-31T08:15:01Z,capstan.speed,60,fair", ["row 2: quality", "good, uncertain, bad"]),
        ("2026-01-31T08:15:01Z,capstan.speed,60", ["row 2", "3 cells", "4"]),
        ("2026-01-31T08:15:01Z,@act,acknowledge,", ["row 2: value", "no JSON"]),
        ('2026-01-31T08:15:01Z,@act,"{""act"": ""dance""}",', ["row 2: value", "'dance' is no act", "acknowledge"]),
        ('2026-01-31T08:15:01Z,@act,"{""act"": ""note"", ""colour"": 1}",', ["row 2: value", "colour"]),
        ('2026-01-31T08:15:01Z,@act,"{""act"": ""note"", ""text"": 1}",', ["row 2: value", "text"]),
    ],
)
def test_a_bad_cell_is_told_with_row_and_column(tmp_path, row, words):
    file = tmp_path / "bad.csv"
    file.write_text(f"{HEADER}\n{GOOD_ROW}\n{row}\n")
    said = refused(file)
    for word in [str(file), "1 fault", *words]:
        assert word in said


def test_every_fault_is_told_and_the_many_are_counted(tmp_path):
    file = tmp_path / "bad.csv"
    file.write_text("\n".join([HEADER, *["never,capstan.speed,60,"] * 30, ""]))
    said = refused(file)
    assert "30 faults" in said
    assert "row 20" in said
    assert "10 more" in said


@pytest.mark.parametrize(
    ("name", "content", "words"),
    [
        ("empty.csv", b"", ["time", "missing"]),
        ("header.csv", b"time,tag,value\n", ["no rows"]),
        ("columns.csv", b"time,tag,value,valu\n", ["valu", "no column"]),
        ("latin.csv", "time,tag,value\n\xb5".encode("latin-1"), ["UTF-8"]),
        ("cut.parquet", b"PAR1 and then nothing", ["Parquet"]),
        ("notes.txt", b"", [".txt", ".parquet or .csv"]),
    ],
)
def test_a_bad_file_is_told(tmp_path, name, content, words):
    file = tmp_path / name
    file.write_bytes(content)
    said = refused(file)
    for word in [name, *words]:
        assert word in said


def test_parquet_columns_of_another_type_are_told(tmp_path):
    file = tmp_path / "bad.parquet"
    pq.write_table(pa.table({"time": ["08:15"], "tag": [1], "value": [True]}), file)
    said = refused(file)
    assert "3 faults" in said
    assert "timestamp in UTC" in said


@pytest.mark.parametrize("kind", [pa.int64(), pa.timestamp("ns", tz="UTC"), pa.timestamp("us", tz="UTC")])
def test_parquet_times_are_timestamps_or_nanoseconds(tmp_path, kind):
    file = tmp_path / "good.parquet"
    at = 1_769_847_300_500_000_000
    times = pa.array([at], pa.int64())
    times = times if kind == pa.int64() else times.cast(pa.timestamp("ns", tz="UTC")).cast(kind)
    pq.write_table(pa.table({"time": times, "tag": ["capstan.speed"], "value": ["60.5"]}), file)
    items = list(Recording(file).inputs())
    assert items == [Reading("capstan.speed", at / 10**9, 60.5), Tick(at / 10**9)]


def test_every_field_comes_back_to_the_bit(tmp_path):
    start = 1_769_847_300.123456717
    items = [Reading("a.b", start + n / 7, n / 3, BAD, "range", 0.01 * n) for n in range(500)]
    items += [Tick(start + 80), Act("shelve", start + 81, "Kim", "a.high", "gauge out", until=start + 3600.1), Tick(start + 82)]
    pq.write_table(table_of(items), tmp_path / "all.parquet")
    assert list(Recording(tmp_path / "all.parquet").inputs()) == items
    assert all(seconds(nanoseconds(item.time)) == item.time for item in items)


async def test_the_oldest_chunks_go_and_the_newest_stays(tmp_path):
    recorder = Recorder(tmp_path, "core-3", 1_769_847_300.0, keep=1)
    other = tmp_path / "core-30-20260131T081500000000Z-000001.parquet"
    other.write_bytes(b"")
    for n in range(3):
        recorder.note(Tick(1_769_847_300.0 + n))
        await recorder.close()
    assert (recorder.chunks, recorder.removed) == (3, 2)
    assert sorted(f.name[-14:] for f in tmp_path.glob("core-3-*")) == ["000003.parquet"]
    assert other.exists()


async def test_what_the_disk_refuses_is_counted_and_said(tmp_path):
    recorder = Recorder(tmp_path / "gone", "core-3", 1_769_847_300.0)
    (tmp_path / "gone").rmdir()
    recorder.note(Tick(1_769_847_300.0))
    await recorder.close()
    assert recorder.dropped == 1
    assert "No such file" in recorder.trouble


def test_the_command_refuses_with_a_sentence(tmp_path):
    file = tmp_path / "bad.csv"
    file.write_text(f"{HEADER}\nyesterday,capstan.speed,60,\n")
    strange = tmp_path / "strange.csv"
    strange.write_text(f"{HEADER}\n2026-01-31T08:15:00.5Z,mill.speed,60,\n")
    for path, word in ((file, "row 1: time"), (strange, "mill.speed"), (tmp_path / "none.csv", "no such file")):
        ended = command("rehearse", "core-3", path)
        assert ended.returncode == 3
        assert word in ended.stderr
        assert "Traceback" not in ended.stderr


async def kept(folder, line="core-3", values=3, **options):
    recorder = Recorder(folder, line, 1e9, **options)
    for n in range(values):
        recorder.note(Reading("a.b", 1e9 + n, float(n)))
    await recorder.close()
    return recorder


async def test_a_file_that_goes_between_survey_and_feed_is_no_quiet_end(tmp_path):
    await kept(tmp_path)
    held = Recording(tmp_path)
    for file in tmp_path.glob("*.parquet"):
        file.unlink()
    with pytest.raises(RecordingError, match="cannot be read as Parquet"):
        list(held.inputs())


async def test_files_of_two_lines_are_no_recording(tmp_path):
    await kept(tmp_path, "core-3")
    await kept(tmp_path, "core-4")
    assert "a folder for each line" in str(refused(tmp_path))


async def test_chunks_that_cannot_be_cleared_away_do_not_undo_the_one_that_was_written(tmp_path):
    await kept(tmp_path)
    first = next(tmp_path.glob("*.parquet"))
    first.rename(tmp_path / "core-3-20200101T000000000000Z-000001.parquet.away")
    (tmp_path / "core-3-20200101T000000000000Z-000001.parquet").mkdir()  # a name that cannot be unlinked
    recorder = await kept(tmp_path, keep=1)
    assert (recorder.rows, recorder.dropped, recorder.trouble) == (3, 0, "")


async def test_a_disk_that_takes_nothing_is_not_asked_without_a_pause(tmp_path, monkeypatch):
    monkeypatch.setattr(recording, "CHUNK_ROWS", 5)
    recorder = Recorder(tmp_path / "there", "core-3", 1e9, chunk=60.0)
    (tmp_path / "there").rmdir()
    task = asyncio.create_task(recorder.run())
    for n in range(50):
        recorder.note(Reading("a.b", 1e9 + n, 0.0))
        await asyncio.sleep(0.01)  # a span of time in which it would try again and again
    task.cancel()
    assert recorder.attempts == 1
    (tmp_path / "there").mkdir()
    await recorder.close()
    assert recorder.rows == 50


async def test_drafts_of_runs_that_were_killed_are_cleared_away(tmp_path):
    ours = tmp_path / ".core-3-20200101T000000000000Z-000001.parquet.part"
    theirs = tmp_path / ".core-30-20200101T000000000000Z-000001.parquet.part"
    for file in (ours, theirs):
        file.write_bytes(b"PAR1")
    await kept(tmp_path)
    assert (ours.exists(), theirs.exists()) == (False, True)
