"""Wide tables of a plant: the same readings as from the long form, whatever separator, comma, zone and unit they are written with."""

import json
import math
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

import pytest

from metrepost.commands import main
from metrepost.configuration.faults import ConfigurationError
from metrepost.configuration.load import load_line
from metrepost.configuration.mapping import read_mapping
from metrepost.configuration.shipped import shipped_config
from metrepost.readings import BAD, GOOD, Reading
from metrepost.recordings.faults import RecordingError
from metrepost.recordings.reader import Recording
from metrepost.recordings.rehearsal import Rehearsal
from metrepost.recordings.rows import RowError
from metrepost.recordings.wide import Times

GOOD_MAPPING = """\
format = 1
time = { column = "Zeit", format = "%d.%m.%Y %H:%M:%S.%f", zone = "Europe/Berlin" }
separator = ";"
decimal = ","
encoding = "latin-1"
no_value = ["", "---"]
[column."Länge [m]"]
tag = "capstan.length"
[column."Geschw. [km/h]"]
tag = "capstan.speed"
unit = "km/h"
[column."Ø kalt X [µm]"]
tag = "cold-gauge.x"
unit = "um"
[column."Wasser [°F]"]
tag = "trough.water"
unit = "degF"
on_change = true
"""
HEAD = "Zeit;Länge [m];Geschw. [km/h];Ø kalt X [µm];Wasser [°F];Schicht"
ZONE = ZoneInfo("Europe/Berlin")


@pytest.fixture(scope="module")
def line():
    return load_line(shipped_config() / "core-3.toml")


def table(folder, *rows, head=HEAD, encoding="latin-1"):
    file = folder / "wide.csv"
    file.write_bytes("\r\n".join([head, *rows, ""]).encode(encoding))
    return file


def mapped(folder, line, text=GOOD_MAPPING):
    file = folder / "mapping.toml"
    file.write_text(text, encoding="utf-8")
    return read_mapping(file, line.plan.tags)


def readings(file, mapping):
    return [item for item in Recording(file, mapping).inputs() if type(item) is Reading]


def test_cells_become_readings_in_the_units_of_the_tags(tmp_path, line):
    """12 km/h are 200 m/min; 4 801,5 um are 4.8015 mm; 140 degF are 60 degC (exact by definition of the units)."""
    file = table(
        tmp_path,
        "31.01.2026 08:15:00.250;1.010,5;12;4801,5;140;früh",
        "31.01.2026 08:15:01.250;1013,8;12;---;140;früh",
        "31.01.2026 08:15:02.250;1017,1;12;4,8e3;Sensor;früh",
    )
    held = Recording(file, mapped(tmp_path, line))
    first = datetime(2026, 1, 31, 7, 15, 0, 250_000, tzinfo=UTC).timestamp()
    found = [item for item in held.inputs() if type(item) is Reading]
    assert [(r.tag, r.time, r.quality, r.reason) for r in found] == [
        ("capstan.length", first, GOOD, ""),
        ("capstan.speed", first, GOOD, ""),
        ("cold-gauge.x", first, GOOD, ""),
        ("trough.water", first, GOOD, ""),
        ("capstan.length", first + 1, GOOD, ""),
        ("capstan.speed", first + 1, GOOD, ""),
        ("cold-gauge.x", first + 1, BAD, "no-value"),
        ("capstan.length", first + 2, GOOD, ""),
        ("capstan.speed", first + 2, GOOD, ""),
        ("cold-gauge.x", first + 2, GOOD, ""),
        ("trough.water", first + 2, BAD, "unreadable"),
    ]
    assert [r.value for r in found[:4]] == pytest.approx([1010.5, 200.0, 4.8015, 60.0])
    assert math.isnan(found[-1].value)
    assert held.survey.unreadable == {"trough.water": 1}


def test_the_same_events_as_from_the_long_form(tmp_path, line):
    """A line that runs up, produces and grows too thick, written both ways."""
    wide, long = [], []
    for n in range(600):
        speed = min(80.0, n * 2.0)
        metre = sum(min(80.0, k * 2.0) for k in range(n)) / 60.0
        x = 4.80 if n < 300 else 4.88
        local = datetime.fromtimestamp(1_769_846_400 + n, ZONE)
        stamp = datetime.fromtimestamp(1_769_846_400 + n, UTC).isoformat()
        # written with 2 and 4 decimals, and read from the same decimals in both forms
        wide.append(f"{local:%d.%m.%Y %H:%M:%S.%f};{metre:.2f};{speed * 60 / 1000:.3f};{x * 1000:.0f};140;".replace(".", ",").replace(
            f"{local:%d,%m,%Y %H:%M:%S,%f}", f"{local:%d.%m.%Y %H:%M:%S.%f}"))  # fmt: skip
        for tag, value in (("capstan.length", f"{metre:.2f}"), ("capstan.speed", f"{speed:.1f}"), ("cold-gauge.x", f"{x:.2f}")):
            long.append(f"{stamp},{tag},{value}")
        if n == 0:
            long.append(f"{stamp},trough.water,60")
    (tmp_path / "long.csv").write_text("\n".join(["time,tag,value", *long]))
    file = table(tmp_path, *wide)
    told = []
    for recording in (Recording(tmp_path / "long.csv"), Recording(file, mapped(tmp_path, line))):
        out = []
        rehearsal = Rehearsal(line, "r", "e" * 12, lambda stream, payload, out=out: out.append(json.loads(payload)))
        for item in recording.inputs():
            rehearsal.feed(item)
        told.append(out)
    assert len(told[0]) > 10
    assert len(told[0]) == len(told[1])
    for one, other in zip(*told, strict=True):
        numbers = [{k: v for k, v in row["data"].items() if isinstance(v, float)} for row in (one, other)]
        assert numbers[1] == pytest.approx(numbers[0], rel=1e-9)
        assert (one["type"], one["time"]) == (other["type"], other["time"])


def times(text):
    """`format = "%Y-%m-%d %H:%M"` in Berlin, row by row, as hours of UTC."""
    from metrepost.configuration.mapping import WideMapping

    of = Times(WideMapping("t", "%Y-%m-%d %H:%M", "Europe/Berlin", ",", ".", "utf-8", frozenset(), {})).of
    return [datetime.fromtimestamp(of(row) / 1e9, UTC).strftime("%H:%M") for row in text]


def test_the_night_that_summer_time_ends_has_an_hour_twice():
    """25 October 2026, 03:00 CEST is 02:00 CET: the last Sunday of October, 01:00 UTC (Directive 2000/84/EC, from memory)."""
    rows = ["2026-10-25 01:30", "2026-10-25 02:30", "2026-10-25 02:00", "2026-10-25 02:30", "2026-10-25 03:00"]
    assert times(rows) == ["23:30", "00:30", "01:00", "01:30", "02:00"]


def test_the_night_that_summer_time_begins_lacks_an_hour():
    """29 March 2026, 01:00 UTC."""
    assert times(["2026-03-29 01:59", "2026-03-29 03:00"]) == ["00:59", "01:00"]
    with pytest.raises(RowError, match="does not exist"):
        times(["2026-03-29 02:30"])


@pytest.mark.parametrize(
    ("format_", "cell"),
    [
        ("iso", "2026-01-31T07:15:00.250Z"),
        ("iso", "2026-01-31 08:15:00.250"),
        ("seconds", "1769843700.25"),
        ("milliseconds", "1769843700250"),
        ("%d/%m/%y %H:%M:%S.%f %z", "31/01/26 06:15:00.250000 -0100"),
    ],
)
def test_ways_to_write_a_time(tmp_path, line, format_, cell):
    text = GOOD_MAPPING.replace("%d.%m.%Y %H:%M:%S.%f", format_)
    found = readings(table(tmp_path, f"{cell};1;12;4800;140;"), mapped(tmp_path, line, text))
    assert found[0].time == pytest.approx(1_769_843_700.25, abs=1e-6)


@pytest.mark.parametrize(
    ("cell", "value"),
    [
        ("4,80", 4.8),
        ("-0,5", -0.5),
        ("1.234,5", 1234.5),
        ("12.345.678", 12_345_678.0),
        ("4.80", None),
        ("1.23,4", None),
        ("1,234.5", None),
        ("1.2345,6", None),
        (",", None),
    ],
)
def test_with_a_decimal_comma_a_point_is_never_taken_for_one(tmp_path, line, cell, value):
    """A diameter of 480 mm because somebody exported with points would be a wrong good value."""
    read = readings(table(tmp_path, f"31.01.2026 08:15:00.0;{cell};12;4800;140;"), mapped(tmp_path, line))[0]
    assert (read.quality, read.reason) == ((BAD, "unreadable") if value is None else (GOOD, ""))
    assert math.isnan(read.value) if value is None else read.value == pytest.approx(value)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('tag = "cold-gauge.x"', 'tag = "cold-gauge.xx"', "the line has no tag cold-gauge.xx"),
        ('tag = "cold-gauge.x"', 'tag = "capstan.length"', "is that of the column"),
        ('unit = "um"', 'unit = "degC"', "the tag cold-gauge.x is in mm"),
        ('zone = "Europe/Berlin"', 'zone = "Europe/Nowhere"', "is no time zone"),
        (', zone = "Europe/Berlin"', "", "need a zone"),
        ('format = "%d.%m.%Y %H:%M:%S.%f"', 'format = "DD.MM.YYYY"', "is no format"),
        ('format = "%d.%m.%Y %H:%M:%S.%f"', 'format = "%d.%m.%Y %J"', "cannot be read back"),
        ('format = "%d.%m.%Y %H:%M:%S.%f"', 'format = "%d.%d.%Y"', "cannot be read back"),
        ('encoding = "latin-1"', 'encoding = "base64"', "is no encoding"),
        ('encoding = "latin-1"', 'encoding = "latin-99"', "is no encoding"),
        ('separator = ";"', 'separator = ","', "the same character"),
        ('separator = ";"', 'separator = "semicolon"', "separator"),
        ("format = 1", "format = 2", "format"),
        ("on_change = true", "on_chnage = true", "on_change"),
    ],
)
def test_a_wrong_mapping_is_refused_with_place_and_reason(tmp_path, line, old, new, words):
    assert old in GOOD_MAPPING
    with pytest.raises(ConfigurationError) as error:
        mapped(tmp_path, line, GOOD_MAPPING.replace(old, new))
    assert words in str(error.value)
    assert "mapping.toml, line" in str(error.value)


def test_every_fault_of_a_mapping_at_once(tmp_path, line):
    text = GOOD_MAPPING.replace("cold-gauge.x", "cold-gauge.q").replace('"latin-1"', '"x"').replace('"degF"', '"kg"')
    with pytest.raises(ConfigurationError) as error:
        mapped(tmp_path, line, text)
    assert len(error.value.faults) == 3


@pytest.mark.parametrize(
    ("rows", "head", "words"),
    [
        (["31.01.2026 08:15:00.0;1;12;4800;140;"], HEAD.replace("Länge [m]", "Lange [m]"), "nearest: Lange [m]"),
        (["31.01.2026 08:15:00.0;1;12;4800;140;"], HEAD.replace("Schicht", "Zeit"), "more than once"),
        (["31.01.2026 08:15:00.0;1;12"], HEAD, "3 cells"),
        (["2026-01-31;1;12;4800;140;"], HEAD, "is no time"),
        (["31.01.1926 08:15:00.0;1;12;4800;140;"], HEAD, "outside the years"),
        ([], HEAD, "no rows"),
    ],
)
def test_a_table_that_does_not_fit_is_refused(tmp_path, line, rows, head, words):
    mapping = mapped(tmp_path, line)
    with pytest.raises(RecordingError) as error:
        Recording(table(tmp_path, *rows, head=head), mapping)
    assert words in str(error.value)


def test_a_parquet_file_is_no_wide_table(tmp_path, line):
    (tmp_path / "a.parquet").write_bytes(b"")
    with pytest.raises(RecordingError, match="a mapping is for wide tables"):
        Recording(tmp_path / "a.parquet", mapped(tmp_path, line))


def test_the_command_takes_it_and_tells_what_it_could_not_read(tmp_path, line, monkeypatch, capsys):
    mapped(tmp_path, line)
    file = table(tmp_path, "31.01.2026 08:15:00.0;1;12;4800;Sensor;", "31.01.2026 08:15:01.0;4;12;4800;140;")
    calls = [[], ["--sweep", "cold-lump.height=0.05 mm,0.1 mm"]]
    for more, words in zip(
        calls, ["cells that hold no number, taken as bad: trough.water (1)", "cold-lump.height"], strict=True
    ):
        monkeypatch.setattr(
            "sys.argv", ["metrepost", "rehearse", "core-3", str(file), "--mapping", str(tmp_path / "mapping.toml"), *more]
        )
        with pytest.raises(SystemExit) as ended:
            main.main()
        assert ended.value.code == 0
        assert words in capsys.readouterr().out
    monkeypatch.setattr("sys.argv", ["metrepost", "rehearse", "core-3", str(file), "--mapping", "absent.toml"])
    with pytest.raises(SystemExit) as ended:
        main.main()
    assert ended.value.code == 3
    assert "absent.toml" in capsys.readouterr().err
