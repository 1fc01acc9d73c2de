from pathlib import Path

import pytest

from metrepost.endpoints.plan import ModbusEndpoint
from metrepost.readings import Hold
from support_configuration import GOOD, changed, faults_of, loaded, written

LINE = changed(GOOD, 'rules = ["small.toml"]', 'rules = ["small.toml"]\ntags_csv = "list.csv"')


def _with_list(folder: Path, text: str, encoding: str = "utf-8") -> Path:
    path = written(folder, LINE)
    (folder / "list.csv").write_bytes(text.encode(encoding))
    return path


@pytest.mark.parametrize(
    "text",
    [
        "station,tag,register,holds,window,valid,scale\ngauge,y_max,206,max,since-read,0.5 mm .. 20 mm,0.001\n",
        "\ufeffstation;tag;register;holds;window;valid;scale\r\n\r\n;;;;;;\r\ngauge;y_max;206;max;since-read;0,5 mm .. 20 mm;0,001\r\n\r\n",
        "Station\tTag\tRegister\tholds\twindow\tvalid\tscale\n\ngauge\ty_max\t206\tmax\tsince-read\t0.5 mm..20 mm\t0.001",
        'station,tag,register,holds,window,valid,scale,\n"gauge","y_max","206","max","since-read","0.5 mm .. 20 mm","0.001",\n',
    ],
    ids=["commas", "semicolons, mark, blank lines, decimal comma", "tabs", "quotes and an empty column"],
)
def test_lists_as_spreadsheets_save_them(tmp_path, text):
    line = loaded(_with_list(tmp_path, text))
    tag = line.plan.tags["gauge.y_max"]
    assert (tag.unit, tag.hold, tag.since_read, tag.valid_low, tag.valid_high) == ("mm", Hold.MAX, True, 0.5, 20.0)
    endpoint = line.endpoints[0]
    assert isinstance(endpoint, ModbusEndpoint)
    (point,) = [point for point in endpoint.points if point.tag == "gauge.y_max"]
    assert (point.register, point.type, point.scale, point.clears_on_read) == (206, "int32", 0.001, True)
    assert tmp_path / "list.csv" in line.files


@pytest.mark.parametrize(
    ("text", "line", "key_path", "sentence", "near"),
    [
        ("station,tag,register\ngauge,x,300\n", 2, "gauge.x", "stands twice", ""),
        ("station,tag,register\ngauge,n,300\n\ngauge,n,302\n", 4, "gauge.n", "stands twice", ""),
        ("station,tag,register\ngouge,n,300\n", 2, "gouge.n", "no station gouge", "gauge"),
        ("station,tag,register\ngauge,n,200\n", 2, "gauge.n.register", "gauge.x stands on", ""),
        ("station,tag,register\ngauge,n,3O0\n", 2, "gauge.n.register", "whole number", ""),
        ("station,tag,register,scale\ngauge,n,300,one\n", 2, "gauge.n.scale", "a number without quotes", ""),
        ("station,tag,register,unit\n\n\ngauge,n,300,milm\n", 4, "gauge.n.unit", "not known", ""),
        ("station,tag,register,table\ngauge,n,300,inptu\n", 2, "gauge.n.table", "not one of them", "input"),
        ("station,tag,register,valid\ngauge,n,300,5 mm\n", 2, "gauge.n.valid", "two quantities", ""),
        ("station,tag,register,clears_on_read\ngauge,n,300,maybe\n", 2, "gauge.n.clears_on_read", "true or false", ""),
        ("station,tag,registre\ngauge,n,300\n", 1, "registre", "no such column", "register"),
        ("station,register\ngauge,300\n", 1, "tag", "no column tag", ""),
        ("station,tag,tag,register\ngauge,n,n,300\n", 1, "tag", "stands twice", ""),
        ("station,tag,register\ngauge,,300\n", 2, 'gauge.""', "names no tag", ""),
        ("station,tag,register\ngauge,n,300,7\n", 2, "gauge.n", "more cells", ""),
        ("station,tag,register\ngauge,N n,300\n", 2, 'gauge."N n"', "no identifier", ""),
        ("", 0, "", "is empty", ""),
        ('station,tag,register\ngauge,"n\nm",300\ngauge,x,1\n', 4, "gauge.x", "stands twice", ""),
        ('station,tag,register\ngauge,"n,300\n', 2, "", "no valid CSV", ""),
    ],
)
def test_faults_carry_the_list_s_own_line(tmp_path, text, line, key_path, sentence, near):
    faults = faults_of(_with_list(tmp_path, text))
    (fault,) = [fault for fault in faults if fault.key_path == key_path]
    assert fault.file == str(tmp_path / "list.csv")
    assert (fault.line, fault.nearest) == (line, near)
    assert sentence in fault.wrong


def test_a_list_that_is_not_utf_8(tmp_path):
    (fault,) = faults_of(_with_list(tmp_path, "station,tag,register,unit\ngauge,n,300,µm\n", "cp1252"))
    assert (fault.line, "CSV UTF-8" in fault.wrong) == (2, True)


def test_a_wrong_default_is_told_where_it_stands(tmp_path):
    """A row inherits its station's defaults; what is wrong with these belongs to the line file."""
    path = _with_list(tmp_path, "station,tag,register\ngauge,n,300\n")
    path.write_text(changed(LINE, 'table = "input", type = "int32"', 'table = "input", type = "bool"'), encoding="utf-8")
    faults = faults_of(path)
    assert ("station.gauge.defaults.type", str(path)) in {(fault.key_path, fault.file) for fault in faults}
